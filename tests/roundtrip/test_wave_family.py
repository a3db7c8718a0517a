"""Copies in the WAVE family, chunk by chunk: what a gain makes untrue is written anew, all else is the original's."""

import json
import re
import struct
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest

from tests.roundtrip.conftest import staged
from tests.roundtrip.originals import IXML_LEFT, LATE, OLD_LINE, originals
from tests.support import layouts, reference_levels
from tests.support.command import Command
from tests.support.layouts import LOUDNESS, File
from tests.support.song import Song

ORIGINALS = originals()
WITH_LINE = (
    "bext_v0.wav",
    "bext_v1.wav",
    "bext_v2.wav",
    "bext_behind.wav",
    "bext_padded.wav",
    "markers.wav",
    "wide.rf64",
)
NOT_USED = 0x7FFF
LINE = re.compile(r"A=PCM,F=48000,W=(16|24|32),M=(mono|stereo),T=([^,\r\n]+)")
FIGURES = (
    "loudness_lufs",
    "loudness_range_lu",
    "true_peak_dbtp",
    "loudness_momentary_max_lufs",
    "loudness_short_term_max_lufs",
)
"""The order of the five fields of bext (EBU Tech 3285 v2)."""


def both(song: Song, name: str) -> tuple[File, File]:
    """Read an original and its copy."""
    return layouts.read(song.inbox / name), layouts.read(song.outbox / name)


def history(payload: bytes) -> bytes:
    """Return the coding history of a broadcast chunk without its zero padding."""
    return payload[602:].rstrip(b"\0")


def measured(stager: Command, path: Path) -> dict[str, Any]:
    """Measure a file by the command."""
    stem: dict[str, Any] = json.loads(stager("measure", "--json", path).stdout)["stems"][0]["levels"]
    return stem


def hundredths(value: float | None) -> int:
    """Return a figure as bext has it: hundredths, halves away from zero (EBU Tech 3285 v2)."""
    if value is None:
        return NOT_USED
    return int((Decimal(str(value)) * 100).to_integral_value(ROUND_HALF_UP))


@pytest.mark.parametrize("name", ORIGINALS)
def test_every_other_chunk_is_carried_byte_for_byte(copies: Song, name: str) -> None:
    """Identifier, payload and padding of each chunk that a gain leaves true are the original's, in its order."""
    before, after = both(copies, name)
    told = (*ORIGINALS[name].rewritten, b"data")
    carried = [chunk for chunk in before.parts if chunk.name not in (*told, *ORIGINALS[name].dropped)]
    assert [chunk for chunk in after.parts if chunk.name not in told] == carried
    assert after.names == [found for found in before.names if found not in ORIGINALS[name].dropped]
    assert after.form == before.form
    assert after.stated_bytes == after.file_bytes, "the header states another length than the file's"


@pytest.mark.parametrize("name", ORIGINALS)
def test_the_log_names_the_fate_of_every_chunk(copies: Song, name: str) -> None:
    """Kept, rewritten and dropped chunks stand in the sidecar, each in the order of the file."""
    log = copies.sidecar(name)["copy"]["chunks"]
    names = layouts.read(copies.inbox / name).names
    told = (*ORIGINALS[name].rewritten, b"data")
    assert log["rewritten"] == [found.decode() for found in names if found in told]
    assert log["dropped"] == [found.decode() for found in names if found in ORIGINALS[name].dropped]
    kept = [found for found in names if found not in (*told, *ORIGINALS[name].dropped)]
    assert [len(text) for text in log["kept"]] == [4] * len(kept)
    assert [text for text, found in zip(log["kept"], kept, strict=True) if found.isascii()] == [
        found.decode() for found in kept if found.isascii()
    ]


@pytest.mark.parametrize("name", [name for name, made in ORIGINALS.items() if not made.kind.is_float])
def test_integer_samples_lie_within_dither_and_rounding(copies: Song, name: str) -> None:
    """Every code is gain times the original's, moved by 1.5 steps at most: dither 1, rounding 0.5 (arithmetic)."""
    before, after = both(copies, name)
    copy = copies.sidecar(name)["copy"]
    off = after.wave.codes() - before.wave.codes() * reference_levels.linear(copies.sidecar(name)["trim"]["gain_db"])
    assert copy["dither"] == "tpdf"
    assert 0.5 < np.abs(off).max() <= 1.5
    assert abs(off.mean()) <= 4 * 0.5 / np.sqrt(off.size)
    assert np.sqrt((off**2).mean()) == pytest.approx(0.5, rel=5 / np.sqrt(off.size))


@pytest.mark.parametrize("name", [name for name, made in ORIGINALS.items() if made.kind.is_float])
def test_float_samples_are_gain_times_original(copies: Song, name: str) -> None:
    """Every float is the original's times the gain, rounded once to its own width (IEEE 754), without dither."""
    before, after = both(copies, name)
    width = "<f4" if ORIGINALS[name].kind.container_bytes == 4 else "<f8"
    gain = reference_levels.linear(copies.sidecar(name)["trim"]["gain_db"])
    assert after.payload(b"data") == (before.wave.samples() * gain).astype(width).tobytes()
    assert copies.sidecar(name)["copy"]["dither"] == "none"


@pytest.mark.parametrize("name", ORIGINALS)
def test_no_trim_was_nothing(copies: Song, name: str) -> None:
    """Each of these copies had its level changed; a trim of 0 would make every other comparison empty."""
    assert abs(copies.sidecar(name)["trim"]["gain_db"]) > 1.0
    assert not copies.sidecar(name)["copy"]["bit_identical"]


def test_spare_bits_stay_empty(copies: Song) -> None:
    """20 valid bits in 24 stay on the grid of 20: the four spare bits are 0, mask and valid bits as they were."""
    _, after = both(copies, "surround.wav")
    raw = np.frombuffer(after.payload(b"data"), np.uint8)
    assert not (raw[::3] & 0x0F).any()
    assert struct.unpack_from("<HI", after.payload(b"fmt "), 18) == (20, layouts.MASK_5_1)


@pytest.mark.parametrize("name", WITH_LINE)
def test_bext_changes_in_its_loudness_and_one_line_alone(copies: Song, name: str) -> None:
    """All 602 fixed bytes but the loudness fields stay, the time stamp above 2^32 with them; one line is added."""
    before, after = (made.payload(b"bext") for made in both(copies, name))
    loud = before[346] >= 2
    kept = slice(0, LOUDNESS.start), slice(LOUDNESS.stop if loud else LOUDNESS.start, 602)
    assert [after[field] for field in kept] == [before[field] for field in kept]
    assert struct.unpack_from("<Q", after, 338) == (LATE,)
    assert history(after).startswith(history(before))
    added = history(after)[len(history(before)) :].decode("ascii")
    assert added.endswith("\r\n")
    assert LINE.fullmatch(added[:-2]), added
    assert OLD_LINE in after or name == "bext_v0.wav"


@pytest.mark.parametrize("name", WITH_LINE)
def test_the_line_of_history_says_what_was_done(copies: Song, name: str) -> None:
    """Word length and mode are the file's (EBU R 98); the text names gain and dither, and holds no clock."""
    _, after = both(copies, name)
    last = history(after.payload(b"bext")).split(b"\r\n")[-2].decode("ascii")
    found = LINE.fullmatch(last)
    assert found
    assert found[1] == str(after.wave.kind.valid_bits)
    assert found[2] == ("mono", "stereo")[after.wave.channels - 1]
    assert f"{copies.sidecar(name)['trim']['gain_db']:+g} dB" in found[3]
    assert "dither" in found[3]
    assert not re.search(r"\d\d[:.]\d\d|20\d\d", found[3]), "there is a clock in it"


@pytest.mark.parametrize("name", ["bext_v2.wav", "bext_behind.wav", "bext_full_v2.wav", "wide.rf64"])
def test_bext_loudness_is_that_of_the_copy(copies: Song, stager: Command, name: str) -> None:
    """The five fields are what `measure` finds in the copy, in hundredths, halves away from zero (EBU Tech 3285 v2)."""
    _, after = both(copies, name)
    figures = measured(stager, copies.outbox / name)
    expected = [hundredths(figures[figure]) for figure in FIGURES]
    assert list(struct.unpack("<5h", after.payload(b"bext")[LOUDNESS])) == expected


def test_bext_loudness_agrees_with_another_meter(copies: Song) -> None:
    """The integrated loudness in bext is what another meter of ITU-R BS.1770 reads from the copy, to 0.1 LU."""
    _, after = both(copies, "bext_v2.wav")
    other = pyloudnorm.Meter(48_000).integrated_loudness(after.wave.samples())
    assert struct.unpack_from("<h", after.payload(b"bext"), 412)[0] / 100 == pytest.approx(other, abs=0.1)


def test_undefined_loudness_says_not_used(make_song: Any) -> None:
    """A stem under 400 ms has no loudness: its fields become 7FFFh, its true peak is written (EBU Tech 3285 v2)."""
    song = make_song('[target]\nrule = "peak"\nlevel_db = -9.3\ntolerance_db = 0.0\n')
    loud = layouts.bext(2, loudness=(-2000, 500, -100, -1800, -1900))
    song.put("short.wav", 0.2 * np.sin(np.arange(9_000.0) / 9), before=[(b"bext", loud)])
    assert song.stage().code == 0
    fields = struct.unpack_from("<5H", song.copy("short.wav").payload(b"bext"), 412)
    assert (fields[0], fields[1], fields[3], fields[4]) == (NOT_USED,) * 4
    assert fields[2] != NOT_USED


@pytest.mark.parametrize("name", ["bext_full.wav", "bext_full_v2.wav", "bext_over.wav"])
def test_a_full_bext_gets_no_line_and_that_is_said(copies: Song, name: str) -> None:
    """Past 10,240 bytes readers drop the chunk (libsndfile 1.2.2): no line is added; sidecar and screen say so."""
    before, after = (made.payload(b"bext") for made in both(copies, name))
    assert after[602:] == before[602:]
    assert after[:412] == before[:412]
    said = [text for text in copies.sidecar(name)["copy"]["not_carried"] if "10,240" in text]
    assert len(said) == 1
    assert said[0] in (copies.folder / "stderr").read_text("utf-8")


@pytest.mark.parametrize("name", ["float_peak.wav", "double.wav"])
def test_peak_is_that_of_the_copy_without_a_clock(copies: Song, name: str) -> None:
    """PEAK holds version 1, no clock, and each channel's largest sample with its first frame (libsndfile's layout)."""
    _, after = both(copies, name)
    version, clock = struct.unpack_from("<II", after.payload(b"PEAK"))
    samples = np.abs(after.wave.samples())
    tops = samples.argmax(axis=0)
    expected = [(np.float32(samples[top, c]), top) for c, top in enumerate(tops)]
    found = [struct.unpack_from("<fI", after.payload(b"PEAK"), 8 + 8 * c) for c in range(after.wave.channels)]
    assert (version, clock) == (1, 0)
    assert found == expected


def test_stale_chunks_are_named(copies: Song) -> None:
    """The envelope and the checksum of the old samples are dropped, and named in sidecar and on screen."""
    said = copies.sidecar("stale.wav")["copy"]["not_carried"]
    assert [text.split(",")[0].split()[0] for text in said] == ["levl", "MD5"]
    screen = (copies.folder / "stderr").read_text("utf-8")
    assert all(text in screen for text in said)


def test_loudness_in_ixml_is_taken_out(copies: Song) -> None:
    """Loudness elements go, in the broadcast mirror too; the rest stays, to an even length; and it is said."""
    _, after = both(copies, "ixml_loud.wav")
    payload = after.payload(b"iXML")
    assert payload.rstrip(b" ") == IXML_LEFT
    assert len(payload) % 2 == 0
    assert len(payload) - len(IXML_LEFT) <= 1
    assert any("iXML" in text for text in copies.sidecar("ixml_loud.wav")["copy"]["not_carried"])


@pytest.mark.parametrize("name", [name for name, made in ORIGINALS.items() if not made.dropped])
def test_nothing_is_said_to_be_lost_that_is_there(copies: Song, name: str) -> None:
    """Where every chunk is carried whole, nothing is said to be missing."""
    silent = name not in ("bext_full.wav", "bext_full_v2.wav", "bext_over.wav", "ixml_loud.wav")
    assert (copies.sidecar(name)["copy"]["not_carried"] == []) is silent


def test_the_wide_header_is_true(copies: Song) -> None:
    """ds64 states the new length of the file; count of frames, table and spare room stay (EBU Tech 3306)."""
    before, after = (made.payload(b"ds64") for made in both(copies, "wide.rf64"))
    _, whole = both(copies, "wide.rf64")
    assert struct.unpack_from("<QQ", after) == (whole.file_bytes - 8, len(whole.payload(b"data")))
    assert after[16:] == before[16:]
    assert after[:8] != before[:8], "bext grew, so the file did"


def test_a_fresh_run_gives_the_same_bytes(copies: Song, stager: Command, tmp_path: Path) -> None:
    """Another project, another time: every copy is the same to the byte."""
    again = staged(stager, tmp_path / "again")
    for name in ORIGINALS:
        assert (again.outbox / name).read_bytes() == (copies.outbox / name).read_bytes(), name
