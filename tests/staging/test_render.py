"""A trim applied: what is written into the draft, what is checked, and what is said when it does not fit."""

import os
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from stager.analysis.analyse import StemAnalysis, analyse
from stager.errors import ChangedStem, WouldClip
from stager.model import Encoding, StreamInfo
from stager.project import CopySettings
from stager.staging.copy_spec import CopySpec, copy_stream, needs_rounding, planned_copy
from stager.staging.render import Applied, render
from stager.system.files import draft_in
from tests.support.folders import written
from tests.support.records import stream
from tests.support.signals import sine_block, white_noise
from tests.support.wavefile import float_wav, wav

SAME = CopySettings()


def heard(path: Path) -> StemAnalysis:
    return analyse(path, path.name, settle_s=0.0)


def applied(
    path: Path, gain_db: float, settings: CopySettings = SAME, what: StemAnalysis | None = None
) -> tuple[Applied, bytes]:
    """Apply a trim into a draft; give what came of it and the bytes of the draft."""
    draft = draft_in(path.parent / "out")
    try:
        analysis = what or heard(path)
        spec = planned_copy(analysis.measured.info, analysis.figures.info, settings, gain_db)
        made = render(path, analysis, spec, draft)
        return made, draft.path.read_bytes()
    finally:
        draft.discard()


def test_what_is_told_is_what_lies_there(tmp_path: Path) -> None:
    """The hash is that of the draft as it stands, with every figure filled in; the peaks are the copy's."""
    bext = bytes(346) + b"\2\0" + bytes(254)
    path = written(tmp_path / "a.wav", wav(white_noise(30_000, 2), before=[(b"bext", bext)]))
    made, content = applied(path, 3.0)
    assert made.sha256 == sha256(content).hexdigest()

    at = content.index(b"bext") + 8
    assert content[at + 412 : at + 422] != b"\xff\x7f" * 5
    codes = np.frombuffer(content[content.index(b"data") + 8 :], np.uint8).reshape(-1, 3)
    tops = (codes[:, 2].astype(np.int8).astype(int) << 16) | (codes[:, 1].astype(int) << 8) | codes[:, 0]
    assert max(made.figures.sample_peaks.linear) == np.abs(tops).max() / 2**23


def test_no_trim_is_the_files_own_bytes(tmp_path: Path) -> None:
    """Without a gain and in its own encoding a copy is its original, not decoded."""
    content = float_wav(white_noise(3_000), after=[(b"PEAK", bytes(16))]) + b"behind"
    _, found = applied(written(tmp_path / "a.wav", content), 0.0)
    assert found == content


@pytest.mark.parametrize(("gain_db", "fits"), [(0.0, True), (6.0, True), (6.03, False), (20.0, False)])
def test_what_does_not_fit_an_integer_grid(tmp_path: Path, gain_db: float, fits: bool) -> None:
    """A peak of 0.5 fits at +6.00 dB and not at +6.03 (arithmetic: 6.02); nothing is clipped in silence."""
    path = written(tmp_path / "a.wav", wav(sine_block(997, 0.1, peak=0.5)))
    if fits:
        assert applied(path, gain_db)[1]
    else:
        with pytest.raises(WouldClip, match=r"a\.wav: expected samples within full scale .* in PCM_24, found \+\d"):
            applied(path, gain_db)


def test_float_holds_everything(tmp_path: Path) -> None:
    """A float copy goes over full scale where it is told to."""
    made, _ = applied(written(tmp_path / "a.wav", float_wav(sine_block(997, 0.1, peak=0.5))), 20.0)
    assert max(made.figures.sample_peaks.linear) == pytest.approx(5.0, rel=1e-3)


def other_bytes(path: Path, content: bytes) -> None:
    """The same length, other samples."""
    path.write_bytes(content[:-3] + b"abc")


def other_time(path: Path, content: bytes) -> None:
    """The same bytes, written again."""
    path.unlink()
    path.write_bytes(content)


@pytest.mark.parametrize("change", [other_bytes, other_time])
@pytest.mark.parametrize("gain_db", [0.0, 3.0])
def test_an_original_that_changed_since_it_was_measured(
    tmp_path: Path, change: Callable[[Path, bytes], None], gain_db: float
) -> None:
    """Other bytes, or another file of the same bytes, are not what was measured: nothing is staged from them."""
    content = wav(white_noise(3_000))
    path = written(tmp_path / "a.wav", content, age_s=50.0)
    before = heard(path)
    change(path, content)
    with pytest.raises(ChangedStem):
        applied(path, gain_db, what=before)


ROUNDINGS = {
    "level of integers": (stream(24), stream(24), 1.0, True),
    "integers as they are": (stream(24), stream(24), 0.0, False),
    "fewer bits": (stream(24), stream(16), 0.0, True),
    "more bits": (stream(16), stream(24), 0.0, False),
    "more bits and a level": (stream(16), stream(24), -2.0, True),
    "from float": (stream(0), stream(24), 0.0, True),
    "to float": (stream(24), stream(0), 5.0, False),
    "level of float": (stream(0), stream(0), 5.0, False),
}


@pytest.mark.parametrize(("before", "after", "gain_db", "rounds"), ROUNDINGS.values(), ids=ROUNDINGS.keys())
def test_where_samples_are_rounded(before: StreamInfo, after: StreamInfo, gain_db: float, rounds: bool) -> None:
    """Samples are rounded where they leave an integer grid's points, and only there."""
    assert needs_rounding(before, after, gain_db) is rounds


@pytest.mark.parametrize(("setting", "bits"), [("same", 24), ("PCM_24", 24), ("PCM_16", 16), ("FLOAT", 0)])
def test_stream_of_a_copy(setting: str, bits: int) -> None:
    """Only the encoding changes, with all its bits valid; rate, channels and frames stay."""
    before = stream(24, 2, 1000, rate_hz=44_100)
    after = copy_stream(before, before, CopySettings(encoding=setting))
    assert (after.valid_bits, after.encoding.is_integer) == (bits, bits > 0)
    assert (after.sample_rate_hz, after.channels, after.frames) == (44_100, 2, 1000)


def test_valid_bits_stay_where_the_encoding_does() -> None:
    """20 valid bits in 24 are PCM_24 already."""
    before = stream(20, encoding=Encoding.PCM_24)
    assert copy_stream(before, before, CopySettings(encoding="PCM_24")) == before
    assert copy_stream(before, before, CopySettings(encoding="PCM_16")).valid_bits == 16


@pytest.mark.parametrize(
    ("gain_db", "dithered", "words"),
    [
        (3.2, True, "stager 1.0; gain +3.2 dB; TPDF dither"),
        (-0.1, False, "stager 1.0; gain -0.1 dB"),
        (0.0, True, "stager 1.0; gain +0 dB; TPDF dither"),
    ],
)
def test_words_of_the_history(gain_db: float, dithered: bool, words: str) -> None:
    """Version, gain and dither, and no clock."""
    assert CopySpec(stream(24), stream(24), gain_db, dithered, (), "1.0").history == words


@pytest.mark.parametrize("gain_db", [0.1, -7.3, 18.0])
def test_there_and_back_in_double(tmp_path: Path, gain_db: float) -> None:
    """A trim and its opposite in float64 give every sample back within 1e-15 of it (arithmetic, IEEE 754)."""
    samples = white_noise(5_000, 2)
    path = written(tmp_path / "a.wav", float_wav(samples, bits=64))
    _, there = applied(path, gain_db)
    _, back = applied(written(tmp_path / "b.wav", there), -gain_db)
    found = np.frombuffer(back[back.index(b"data") + 8 :], "<f8").reshape(-1, 2)
    assert np.abs(found / samples - 1.0).max() <= 1e-15
    assert not np.array_equal(np.frombuffer(there[there.index(b"data") + 8 :], "<f8"), samples.ravel())


@pytest.mark.parametrize("gain_db", [0.0, 3.0])
def test_a_copy_of_what_was_measured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gain_db: float) -> None:
    """With its bytes kept, an original is not read again, and the copy is the one that is made without."""
    bext = bytes(346) + b"\2\0" + bytes(254)
    path = written(
        tmp_path / "a.wav", wav(white_noise(300_000, 2), before=[(b"bext", bext)], after=[(b"LIST", b"abc")])
    )
    expected = applied(path, gain_db)[1]
    kept = analyse(path, "a.wav", settle_s=0.0, keep=True)
    reads, real = [], os.pread

    def counted(descriptor: int, count: int, start: int) -> bytes:
        if os.path.samestat(os.fstat(descriptor), path.stat()):
            reads.append(count)
        return real(descriptor, count, start)

    monkeypatch.setattr(os, "pread", counted)
    assert applied(path, gain_db, what=kept)[1] == expected
    assert sum(reads) < 10_000, "its header, to know it again"
    reads.clear()
    assert applied(path, gain_db, what=heard(path))[1] == expected
    assert sum(reads) >= 2 * path.stat().st_size, "to measure it, and to copy it"
