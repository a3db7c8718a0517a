"""Stems that can't be staged: each is refused under its code, with a sentence, while the others go on."""

import os
import re
import struct
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.command import Command
from tests.support.signals import sine
from tests.support.song import Song, SongMaker
from tests.support.wavefile import DOUBLE, FLOAT, PCM_16, chunk, fmt_chunk, with_riff_header

GOOD = wavefile.wave_bytes(sine(440, -30.0, 1), kind=PCM_16)
DATA_SIZE_AT = GOOD.index(b"data") + 4


def _patched(at: int, size: int) -> bytes:
    return GOOD[:at] + struct.pack("<I", size) + GOOD[at + 4 :]


def _with_format(tag: int, channels: int, rate: int, frame_bytes: int, bits: int) -> bytes:
    fmt = struct.pack("<HHIIHH", tag, channels, rate, rate * frame_bytes, frame_bytes, bits)
    return with_riff_header(chunk(b"fmt ", fmt) + chunk(b"data", bytes(frame_bytes * 4800)))


BAD: dict[str, tuple[str, Callable[[], bytes], str]] = {
    "text.wav": ("unreadable", lambda: b"these are words, not audio\n" * 40, "found 'these"),
    "empty.wav": ("unreadable", lambda: b"", "empty"),
    "no_frames.wav": ("unreadable", lambda: wavefile.wave_bytes(np.zeros(0)), "0 frames"),
    "no_format.wav": ("unreadable", lambda: with_riff_header(chunk(b"data", bytes(96))), "format"),
    "no_channels.wav": ("unreadable", lambda: _with_format(1, 0, 48_000, 2, 16), "0 channels"),
    "half_header.wav": ("unreadable", lambda: GOOD[:20], "format"),
    "33_channels.wav": ("unsupported", lambda: _with_format(1, 33, 48_000, 66, 16), "33"),
    "8_bit.wav": ("unsupported", lambda: _with_format(1, 1, 48_000, 1, 8), "8"),
    "mu_law.wav": ("unsupported", lambda: _with_format(7, 1, 8_000, 1, 8), "tag 7"),
    "mp3.wav": ("unsupported", lambda: b"ID3\x03" + bytes(400), "MP3"),
    "ogg.wav": ("unsupported", lambda: b"OggS" + bytes(400), "Ogg"),
    "cut.wav": ("truncated", lambda: GOOD[: DATA_SIZE_AT + 4 + 48_000], r"1\.00 s .*0\.50 s"),
    "never_finished.wav": ("truncated", lambda: _patched(DATA_SIZE_AT, 0), r"1\.00 s"),
    "promises_more.wav": ("truncated", lambda: _patched(4, 2 * len(GOOD)), r"1\.00 s"),
    "one_cut_byte.wav": ("truncated", lambda: GOOD[:-1], "promises more"),
    "nan.wav": ("not_finite", lambda: wavefile.wave_bytes(_damaged(np.nan), kind=FLOAT), r"0\.250 s"),
    "infinity.wav": ("not_finite", lambda: wavefile.wave_bytes(_damaged(np.inf), kind=DOUBLE), r"0\.250 s"),
}
"""File, code, content, and what its sentence has to name."""


def _damaged(value: float) -> np.ndarray:
    signal = sine(440, -30.0, 1)
    signal[[12_000, 40_000]] = value
    return signal


@pytest.fixture(scope="module")
def faulty(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """One good stem among all the bad ones, all at rest for an hour."""
    song = Song.made(stager, tmp_path_factory.mktemp("faulty") / "song")
    for name, (_, content, _) in BAD.items():
        (song.inbox / name).write_bytes(content())
        song.rest(name)
    (song.inbox / "good.wav").write_bytes(GOOD)
    return song


@pytest.fixture(scope="module")
def refused(faulty: Song) -> dict[str, Any]:
    """What became of each, from one run, which has to exit 1."""
    result = faulty.stage("--json")
    assert result.code == 1
    return {outcome["stem"]: outcome for outcome in result.json()["outcomes"]}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_stem_is_refused_with_its_code(faulty: Song, refused: dict[str, Any], name: str) -> None:
    """The refusal names stem, code, and in words what was found; nothing of it appears in the outbox."""
    code, _, words = BAD[name]
    outcome = refused[name]
    assert set(outcome) == {"stem", "source", "refused", "says"}
    assert outcome["refused"] == code
    assert re.search(words, outcome["says"])
    assert outcome["source"]["path"] == f"bounces/{name}"
    assert not [found for found in faulty.outbox_names() if found.startswith(name.split(".", maxsplit=1)[0])]


def test_the_good_stem_among_them_is_staged(faulty: Song, refused: dict[str, Any]) -> None:
    """One stem's fault is its own: the good one has its copy, and only that one."""
    assert refused["good.wav"]["trim"]["decided_by"] == "target"
    assert faulty.outbox_names() == {"good.wav", "good.wav.json"}


def test_refusals_are_told_in_the_table(faulty: Song) -> None:
    """Without --json every refused stem stands on screen with its code and its sentence, and the exit status is 1."""
    result = faulty.stage()
    assert result.code == 1
    flat = " ".join((result.stdout + result.stderr).split())
    for name, (code, _, _) in BAD.items():
        assert name.split(".")[0] in flat
        assert code in flat
    assert "Traceback" not in result.stderr


@pytest.fixture(scope="module")
def measured(faulty: Song) -> dict[str, Any]:
    """What `measure` says of each."""
    result = faulty.stager("measure", *sorted(faulty.inbox.iterdir()), "--json")
    assert result.code == 1
    return {(stem.get("stem") or stem["source"]["path"]).rpartition("/")[2]: stem for stem in result.json()["stems"]}


@pytest.mark.parametrize("name", ["nan.wav", "infinity.wav", "cut.wav"])
def test_measure_shows_damage_as_a_finding(measured: dict[str, Any], name: str) -> None:
    """`measure` shows a damaged file's levels, with `corrupt`, `play_again`, and the place."""
    stem = measured[name]
    corrupt = stem["findings"][0]
    assert (corrupt["code"], corrupt["verdict"], stem["verdict"]) == ("corrupt", "play_again", "play_again")
    assert stem["levels"]["average_dbfs"] == pytest.approx(-30.0, abs=0.05)
    assert corrupt["at_s"][0] == pytest.approx(0.5 if name == "cut.wav" else 0.25, abs=1e-6)


@pytest.mark.parametrize("name", [name for name, bad in BAD.items() if bad[0] in ("unreadable", "unsupported")])
def test_measure_refuses_what_is_no_audio(measured: dict[str, Any], name: str) -> None:
    """`measure` refuses what can't be read at all, under the same code."""
    assert measured[name]["refused"] == BAD[name][0]


def test_measure_exits_1_for_one_damaged_file(faulty: Song) -> None:
    """One damaged file is enough for exit status 1; a good one alone exits 0."""
    assert faulty.stager("measure", faulty.inbox / "nan.wav").code == 1
    assert faulty.stager("measure", faulty.inbox / "good.wav").code == 0


@pytest.mark.parametrize("name", ["cut.wav", "never_finished.wav", "promises_more.wav"])
def test_a_wrong_header_on_a_fresh_file_may_still_be_written(make_song: SongMaker, name: str) -> None:
    """The same files, changed within `settle_s`, are `still_growing`: no one can tell them from a bounce at work."""
    song = make_song('[project]\nname = "Salt Road"\nsettle_s = 600.0\n')
    (song.inbox / name).write_bytes(BAD[name][1]())
    result = song.stage("--json")
    assert result.code == 1
    assert result.json()["outcomes"][0]["refused"] == "still_growing"
    song.rest(name)
    assert song.outcome(name)["refused"] == "truncated"


def test_a_pipe_or_link_is_no_stem(song: Song) -> None:
    """A FIFO does not hang the run, and a symbolic link is not followed: neither is a stem."""
    os.mkfifo(song.inbox / "pipe.wav")
    (song.folder / "elsewhere.wav").write_bytes(GOOD)
    (song.inbox / "link.wav").symlink_to(song.folder / "elsewhere.wav")
    (song.inbox / "loop").symlink_to(song.inbox)
    song.put("real.wav", sine(440, -30.0, 0.5))
    result = song.stage("--json")
    assert [outcome["stem"] for outcome in result.json()["outcomes"]] == ["real.wav"]
    assert result.code == 0


def test_measure_of_a_pipe_a_folder_and_a_missing_file(song: Song) -> None:
    """Named outright, a FIFO and a missing file are refused `unreadable`, an empty folder adds nothing; no hang."""
    os.mkfifo(song.folder / "pipe.wav")
    paths = [song.folder / "pipe.wav", song.inbox, song.folder / "missing.wav"]
    result = song.stager("measure", *paths, "--json")
    assert [stem["refused"] for stem in result.json()["stems"]] == ["unreadable"] * 2
    assert result.code == 1


def test_a_refused_stem_that_is_mended_is_staged(song: Song) -> None:
    """Once the file is whole, the next run stages it and the refusal is gone from the report."""
    (song.inbox / "part.wav").write_bytes(GOOD[:20_000])
    song.rest("part.wav")
    assert song.outcome("part.wav")["refused"] == "truncated"
    (song.inbox / "part.wav").write_bytes(GOOD)
    assert song.outcome("part.wav")["version"] == 1
    assert "truncated" not in (song.outbox / "report.json").read_text()


def test_a_file_of_one_frame_is_staged(song: Song) -> None:
    """One single frame is a stem without a level: `silent`, copied bit for bit."""
    song.put("click.wav", np.array([0.5]), kind=PCM_16)
    outcome = song.outcome("click.wav")
    assert outcome["trim"]["decided_by"] == "silent"
    assert outcome["copy"]["bit_identical"] is True


def test_a_header_of_our_own_making_is_read(song: Song) -> None:
    """Control for the broken headers above: the same bytes, unbroken, are staged."""
    fmt = fmt_chunk(PCM_16, 48_000, 1)
    (song.inbox / "ok.wav").write_bytes(with_riff_header(chunk(b"fmt ", fmt) + GOOD[DATA_SIZE_AT - 4 :]))
    assert song.outcome("ok.wav")["trim"]["gain_db"] == pytest.approx(12.0, abs=0.11)
