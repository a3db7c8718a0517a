"""A finished copy against its original times the gain: whatever differs is found, dither and rounding are not."""

import hashlib
import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.containers import CopyCheck, CopyPlan, Gain, confirm_copy, open_audio, write_copy
from stager.model.runs import no_runs
from tests.support.folders import written
from tests.support.signals import white_noise
from tests.support.wavefile import float_wav, wav

DOWN = Gain(0.7071, dithered=True, source_sha256="ab", silences=no_runs())
PLAIN = replace(DOWN, dithered=False)
FRAMES = 5_000
ORIGINALS: dict[str, Callable[[], bytes]] = {
    "16 bits": lambda: wav(white_noise(FRAMES, 2), 16),
    "24 bits": lambda: wav(white_noise(FRAMES, 1), 24),
    "32 bits": lambda: wav(white_noise(FRAMES, 3), 32),
    "float": lambda: float_wav((white_noise(FRAMES, 2) * 3).astype(np.float32)),
}


def copy_of(folder: Path, content: bytes, gain: Gain | None) -> Path:
    """Return the place of the copy of a file, a.wav."""
    path, out = written(folder / "a.wav", content), folder / "b.wav"
    with open_audio(path, settle_s=0.0) as source, out.open("wb") as file:
        write_copy(CopyPlan(source, hashlib.sha256(content).hexdigest(), gain, source.info, "down"), file)
    return out


def confirmed(folder: Path, copy: Path, gain: Gain | None, original: str = "a.wav") -> str | None:
    """Return what is wrong with a copy of a.wav."""
    with open_audio(folder / original, settle_s=0.0) as source, open_audio(copy, settle_s=0.0) as file:
        sha256 = hashlib.sha256((folder / original).read_bytes()).hexdigest()
        return confirm_copy(CopyPlan(source, sha256, gain, source.info, "down"), file)


@pytest.mark.parametrize("gain", [DOWN, PLAIN, replace(DOWN, factor=2.5), None])
@pytest.mark.parametrize("kind", ORIGINALS)
def test_a_good_copy_is_confirmed(tmp_path: Path, kind: str, gain: Gain | None) -> None:
    """Copies of each encoding are confirmed: lower, louder up to full scale, dithered or not, and as they are."""
    assert confirmed(tmp_path, copy_of(tmp_path, ORIGINALS[kind](), gain), gain) is None


@pytest.mark.parametrize("form", ["AIFF", "CAF", "FLAC"])
def test_copies_in_other_containers(tmp_path: Path, form: str) -> None:
    """A copy that the library wrote is confirmed, and one of other samples is not."""
    path, out = tmp_path / "a.bin", tmp_path / "b.bin"
    soundfile.write(path, white_noise(FRAMES, 2), 48_000, "PCM_24", format=form)
    with open_audio(path, settle_s=0.0) as source, out.open("w+b") as file:
        write_copy(CopyPlan(source, hashlib.sha256(path.read_bytes()).hexdigest(), DOWN, source.info, "down"), file)
    assert confirmed(tmp_path, out, DOWN, "a.bin") is None
    found = confirmed(tmp_path, path, DOWN, "a.bin")
    assert found is not None
    assert found.startswith("frame 0 of channel 1 should be ")


@settings(deadline=None, max_examples=40)
@given(at=st.integers(0, 2 * FRAMES - 1), steps=st.sampled_from([-3, 3, 2**14]))
def test_one_wrong_sample_is_found(tmp_path_factory: pytest.TempPathFactory, at: int, steps: int) -> None:
    """One sample that is off by three steps of the grid is named by frame and channel (1.5 is what dither can do)."""
    folder = tmp_path_factory.mktemp("wrong")
    copy = copy_of(folder, ORIGINALS["16 bits"](), DOWN)
    content = bytearray(copy.read_bytes())
    place = content.index(b"data") + 8 + 2 * at
    (code,) = struct.unpack_from("<h", content, place)
    struct.pack_into("<h", content, place, int(np.clip(code + steps, -32768, 32767)) if code < 32000 else code - 40)
    copy.write_bytes(content)
    frame, channel = divmod(at, 2)
    found = confirmed(folder, copy, DOWN)
    assert found is not None
    assert found.startswith(f"frame {frame:,} of channel {channel + 1} should be ")


def resized(content: bytes, change: int) -> bytes:
    """Return a file with its audio longer or shorter by some bytes of its end, and true sizes."""
    at = content.index(b"data") + 4
    audio = content[at + 4 :]
    audio = audio[:change] if change < 0 else audio + audio[:change]
    whole = content[:at] + struct.pack("<I", len(audio)) + audio
    return whole[:4] + struct.pack("<I", len(whole) - 8) + whole[8:]


WRONG: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "shorter": (lambda c: resized(c, -4), "its frames should be 5000 and is 4999"),
    "longer": (lambda c: resized(c, 400), "its frames should be 5000 and is 5100"),
    "another rate": (
        lambda c: c.replace(struct.pack("<I", 48_000), struct.pack("<I", 44_100), 1),
        "its sample_rate_hz",
    ),
    "a chunk lost": (lambda c: c.replace(b"cue \4\0\0\0" + bytes(4), b""), "the chunk cue is lost"),
    "a chunk altered": (
        lambda c: c.replace(b"cue \4\0\0\0" + bytes(4), b"cue \4\0\0\0abcd"),
        "the chunk cue has other",
    ),
}


@pytest.mark.parametrize(("change", "says"), WRONG.values(), ids=WRONG.keys())
def test_what_lies_around_the_audio(tmp_path: Path, change: Callable[[bytes], bytes], says: str) -> None:
    """A copy of another length or rate, or with other chunks, is not confirmed."""
    copy = copy_of(tmp_path, wav(white_noise(FRAMES, 2), 16, before=[(b"cue ", bytes(4))]), DOWN)
    before, content = copy.read_bytes(), change(copy.read_bytes())
    assert before != content
    copy.write_bytes(content[:4] + struct.pack("<I", len(content) - 8) + content[8:])
    found = confirmed(tmp_path, copy, DOWN)
    assert found is not None
    assert found.startswith(says)


def test_the_original_in_the_place_of_its_copy(tmp_path: Path) -> None:
    """A copy that holds the samples of its original, not the trimmed ones, is found at its first sample."""
    copy_of(tmp_path, ORIGINALS["24 bits"](), DOWN)
    found = confirmed(tmp_path, tmp_path / "a.wav", DOWN)
    assert found is not None
    assert found.startswith("frame 0 of channel 1 should be ")


@settings(deadline=None, max_examples=30)
@given(
    edges=st.lists(st.integers(1, FRAMES - 1), max_size=6), processed=st.lists(st.integers(1, FRAMES - 1), max_size=6)
)
def test_blocks_of_any_cut(tmp_path_factory: pytest.TempPathFactory, edges: list[int], processed: list[int]) -> None:
    """However copy and processed original are cut into blocks, a good copy is confirmed, and a short read is not."""
    folder = tmp_path_factory.mktemp("cut")
    copy = copy_of(folder, ORIGINALS["16 bits"](), PLAIN)
    with open_audio(folder / "a.wav", settle_s=0.0) as source, open_audio(copy, settle_s=0.0) as file:
        (before,), (after,) = source.blocks(), file.blocks()
        plan = CopyPlan(source, "", PLAIN, source.info, "down", lambda: iter(np.split(before, sorted(processed))))
        check = CopyCheck(plan, file)
        for block in np.split(after, sorted(edges)):
            check.update(block)
        assert check.difference() is None
        short = CopyCheck(plan, file)
        short.update(after[:-1])
        assert short.difference() == f"it ends at frame {FRAMES - 1:,} of {FRAMES:,}"
