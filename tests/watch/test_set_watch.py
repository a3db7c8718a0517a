"""The set examined beside all else: when it is time, once, and never over what is fresh."""

import importlib
import json
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from stager.project import Project
from stager.songset.pairs import AudioFingerprint, whole_set
from stager.watch import set_watch as room
from stager.watch.set_watch import CHECK_NAME, REST_S, SetWatch
from tests.support.folders import in_memory, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav

PATIENCE_S = 60.0
examining = importlib.import_module("stager.songset.examine")
"""The module, whose name in the package is the function's."""

EXECUTOR = ThreadPoolExecutor(1, thread_name_prefix="set")


@pytest.fixture
def song() -> Iterator[Project]:
    """Return a project with two stems in memory."""
    with in_memory() as folder:
        found = project(folder)
        for seed, name in enumerate(("a.wav", "b.wav")):
            written(found.inbox / name, wav(white_noise(48_000, seed=seed, rms=0.02)), age_s=100.0)
        yield found


def document(song: Project) -> dict[str, object] | None:
    place = song.state / CHECK_NAME
    return json.loads(place.read_bytes()) if place.exists() else None


def finished(watch: SetWatch, now_s: float) -> None:
    """Step until nothing is at work any more."""
    end_s = time.monotonic() + PATIENCE_S
    while watch.is_busy:
        assert time.monotonic() < end_s, "hung"
        time.sleep(0.01)
        watch.step(now_s, 0.0, busy=False)


def test_set_is_examined_once_it_rests(song: Project) -> None:
    """Not while stems are at work, not right after; then once, until another stem changes."""
    watch = SetWatch(song, EXECUTOR)
    watch.step(REST_S, 0.0, busy=True)
    watch.step(REST_S - 0.1, 0.0, busy=False)
    assert not watch.is_busy
    watch.step(REST_S, 0.0, busy=False)
    finished(watch, REST_S)
    found = document(song)
    assert found is not None
    assert (found["schema"], found["stems"]) == ("stager/check/1", 2)
    (song.state / CHECK_NAME).unlink()
    watch.step(100.0, 0.0, busy=False)
    assert not watch.is_busy
    watch.step(100.0, 50.0, busy=False)
    finished(watch, 100.0)
    assert document(song) is not None
    watch.end()


def test_what_is_fresh_is_not_examined_again(song: Project) -> None:
    """The next start finds the same stems and settings examined, and leaves it at that; another stem makes it due."""
    first = SetWatch(song, EXECUTOR)
    first.step(REST_S, 0.0, busy=False)
    finished(first, REST_S)
    before = (song.state / CHECK_NAME).stat().st_mtime_ns
    second = SetWatch(song, EXECUTOR)
    second.step(REST_S, 0.0, busy=False)
    assert not second.is_busy
    written(song.inbox / "c.wav", wav(white_noise(48_000, seed=5, rms=0.02)), age_s=100.0)
    second.step(10.0, 5.0, busy=False)
    finished(second, 10.0)
    assert (song.state / CHECK_NAME).stat().st_mtime_ns > before
    first.end()
    second.end()


def test_more_stems_than_a_song_has(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of too many stems no pair is compared, which is counted; all else is examined as ever."""
    monkeypatch.setattr(examining, "MOST_COMPARED", 1)
    watch = SetWatch(song, EXECUTOR)
    watch.step(REST_S, 0.0, busy=False)
    finished(watch, REST_S)
    found = document(song)
    assert found is not None
    assert (found["stems"], found["pairs_compared"], found["pairs_left_out"], found["doubles"]) == (2, 0, 1, [])
    assert found["bus"] is not None
    watch.end()


def test_far_too_many_stems_are_left_to_the_command(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """Thousands of stems would fill the watch's memory: it says so and goes on without."""
    monkeypatch.setattr(room, "MOST_EXAMINED", 1)
    said: list[str] = []
    watch = SetWatch(song, EXECUTOR, said.append)
    watch.step(REST_S, 0.0, busy=False)
    assert not watch.is_busy
    assert len(said) == 1
    assert "`stager check`" in said[0]
    assert document(song) is None
    watch.end()


def test_a_second_examination_reads_only_what_changed(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another watch of the same process takes prints of the stem that is new, and of no other."""
    taken: list[str] = []
    real = whole_set.audio_fingerprint

    def printed(path: Path, *, settle_s: float = 0.0) -> AudioFingerprint:
        taken.append(path.name)
        return real(path, settle_s=settle_s)

    monkeypatch.setattr(whole_set, "audio_fingerprint", printed)
    first = SetWatch(song, EXECUTOR)
    first.step(REST_S, 0.0, busy=False)
    finished(first, REST_S)
    assert sorted(taken) == ["a.wav", "b.wav"]
    written(song.inbox / "b.wav", wav(white_noise(48_000, seed=9, rms=0.02)), age_s=50.0)
    second = SetWatch(song, EXECUTOR)
    second.step(10.0, 5.0, busy=False)
    finished(second, 10.0)
    assert taken[2:] == ["b.wav"]
    first.end()
    second.end()


def test_broken_report_is_made_anew(song: Project) -> None:
    """What an earlier version or a full disk left does not count as fresh."""
    written(song.state / CHECK_NAME, b"[]")
    watch = SetWatch(song, EXECUTOR)
    watch.step(REST_S, 0.0, busy=False)
    assert watch.is_busy
    finished(watch, REST_S)
    assert document(song) is not None
    watch.end()


def test_words_of_the_file_are_those_of_the_command(song: Project, tmp_path: Path) -> None:
    """The file has the document of `check`, with the bus over time beside it."""
    del tmp_path
    watch = SetWatch(song, EXECUTOR)
    watch.step(REST_S, 0.0, busy=False)
    finished(watch, REST_S)
    found = document(song)
    assert found is not None
    assert isinstance(found["bus"], dict)
    assert {"true_peak_dbtp", "overview", "stretch_s"} <= found["bus"].keys()
    watch.end()
