"""Original against copy, around the samples: each chunk that is not what it should be is named, and no other."""

import hashlib
import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from stager.containers import (
    CopyPlan,
    FinalFigures,
    Gain,
    LoudnessFields,
    chunk_differences,
    fill_fields,
    open_audio,
    start_frames,
    write_copy,
)
from stager.model.runs import no_runs
from tests.support.folders import written
from tests.support.signals import white_noise
from tests.support.wavefile import chunk, float_wav, wav

WORDS = "half; please"
STAMP = 2**33 + 5
HALF = Gain(0.5, dithered=False, source_sha256="ab", silences=no_runs())
FIGURES = FinalFigures(LoudnessFields(-23.0, 5.0, -1.0, -20.0, -21.0), (0.5,), (7.0,))


def bext(version: int) -> bytes:
    """A broadcast chunk with a late time stamp."""
    payload = bytearray(b"\x11" * 602)
    payload[338:348] = struct.pack("<QH", STAMP, version)
    return bytes(payload)


ORIGINAL = wav(
    white_noise(999), before=[(b"bext", bext(2)), (b"zOdd", b"seven b")], after=[(b"cue ", bytes(4)), (b"levl", b"x")]
)


def copied(folder: Path, content: bytes, gain: Gain | None = HALF) -> bytes:
    """Return the copy of a file."""
    path, out = written(folder / "a.wav", content), folder / "b.wav"
    with open_audio(path, settle_s=0.0) as source, out.open("wb") as file:
        made = write_copy(CopyPlan(source, hashlib.sha256(content).hexdigest(), gain, source.info, WORDS), file)
        fill_fields(file, made, FIGURES)
    return out.read_bytes()


def differences(folder: Path, copy: bytes, words: str = WORDS, *, as_it_is: bool = False) -> list[str]:
    """Compare a.wav with these bytes."""
    written(folder / "b.wav", copy)
    with open_audio(folder / "a.wav", settle_s=0.0) as before, open_audio(folder / "b.wav", settle_s=0.0) as after:
        return list(chunk_differences(before, after, words, as_it_is=as_it_is))


def resized(content: bytes) -> bytes:
    """Return the file with its header stating the length that is there."""
    return content[:4] + struct.pack("<I", len(content) - 8) + content[8:]


def moved(content: bytes) -> bytes:
    """Put the odd chunk before `bext`."""
    odd = chunk(b"zOdd", b"seven b")
    rest = content.replace(odd, b"")
    return rest.replace(b"bext", odd + b"bext", 1)


def with_pad(content: bytes) -> bytes:
    """Put something else into the pad byte of the odd chunk."""
    return content.replace(b"seven b\0", b"seven b\1")


CHANGES: dict[str, tuple[Callable[[bytes], bytes], list[str]]] = {
    "nothing": (lambda c: c, []),
    "other bytes": (lambda c: c.replace(b"seven b", b"seven c"), ["the chunk zOdd has other bytes"]),
    "another pad byte": (with_pad, ["the chunk zOdd has other bytes"]),
    "a chunk lost": (lambda c: resized(c.replace(chunk(b"zOdd", b"seven b"), b"")), ["the chunk zOdd is lost"]),
    "a chunk too many": (
        lambda c: resized(c + chunk(b"zNew", b"")),
        ["it has a chunk zNew that its original does not give it"],
    ),
    "a chunk twice": (
        lambda c: resized(c + chunk(b"zOdd", b"seven b")),
        ["it has a chunk zOdd that its original does not give it"],
    ),
    "a stale chunk kept": (
        lambda c: resized(c + chunk(b"levl", b"x")),
        ["it has a chunk levl that its original does not give it"],
    ),
    "another order": (moved, ["its chunks stand in another order"]),
    "another line of history": (lambda c: c.replace(b"half", b"calf"), ["the chunk bext has other bytes"]),
    "another time stamp": (
        lambda c: c.replace(struct.pack("<Q", STAMP), struct.pack("<Q", STAMP + 1)),
        ["the chunk bext has other bytes"],
    ),
}


@pytest.mark.parametrize(("change", "says"), CHANGES.values(), ids=CHANGES.keys())
def test_each_change_is_named(tmp_path: Path, change: Callable[[bytes], bytes], says: list[str]) -> None:
    """A chunk that is lost, added, moved or changed is named, once."""
    copy = copied(tmp_path, ORIGINAL)
    changed = change(copy)
    assert (changed == copy) is (says == [])
    assert differences(tmp_path, changed) == says


def test_the_words_of_the_history_count(tmp_path: Path) -> None:
    """A copy whose line says another gain than it should differs in `bext`."""
    copy = copied(tmp_path, ORIGINAL)
    assert differences(tmp_path, copy, "calf; please") == ["the chunk bext has other bytes"]


def test_words_of_another_length_count(tmp_path: Path) -> None:
    """A line of history that is longer than it should be is a difference of `bext`, and of no other chunk."""
    copy = copied(tmp_path, ORIGINAL)
    assert differences(tmp_path, copy, "a half; please") == ["the chunk bext has other bytes"]


def test_bytes_behind_the_end_count(tmp_path: Path) -> None:
    """A byte behind the last chunk, which the original does not have, is a difference."""
    assert differences(tmp_path, copied(tmp_path, ORIGINAL) + b"x") == ["the bytes behind its last chunk differ"]


def test_a_copy_as_it_is_has_the_names_of_its_original(tmp_path: Path) -> None:
    """At trim 0 even stale chunks stay, so that a missing one is lost."""
    copy = copied(tmp_path, ORIGINAL, None)
    assert copy == ORIGINAL
    assert differences(tmp_path, copy, as_it_is=True) == []
    less = resized(copy.replace(chunk(b"levl", b"x"), b""))
    assert differences(tmp_path, less, as_it_is=True) == ["the chunk levl is lost"]


def test_peaks_are_not_compared_here(tmp_path: Path) -> None:
    """A PEAK chunk's payload is a figure of the copy: whatever it says, its bytes are no difference of chunks."""
    content = float_wav(white_noise(999), before=[(b"PEAK", bytes(16))])
    assert differences(tmp_path, copied(tmp_path, content)) == []


@pytest.mark.parametrize(
    ("around", "frames"),
    [([(b"bext", bext(1))], STAMP), ([(b"bext", bext(1)[:345])], None), ([], None)],
    ids=["stamped", "cut before its stamp", "no bext"],
)
def test_time_stamp_of_a_file(tmp_path: Path, around: list[tuple[bytes, bytes]], frames: int | None) -> None:
    """The first sample's time stands in `bext` (EBU Tech 3285); a file without one has none."""
    with open_audio(written(tmp_path / "a.wav", wav(white_noise(99), before=around)), settle_s=0.0) as source:
        assert start_frames(source) == frames
