"""`stager watch` as a process beside recorders that are processes too; every outcome is compared with a calm run."""

import contextlib
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.support import recorder, wavefile
from tests.support.command import HUNG_S
from tests.support.signals import band_limited_noise, sine, stereo
from tests.support.song import Song, SongMaker, sha256, tree
from tests.support.wavefile import PCM_16, PCM_24

pytestmark = pytest.mark.long

TOML = '[project]\nname = "Salt Road"\nsettle_s = 0.4\n'
IDLE = ("--until-idle", "1.5")
PIECE_S = 0.12


def _wait(what: Callable[[], Any], process: subprocess.Popen) -> None:
    """Wait until something is so, while the process lives."""
    deadline = time.monotonic() + HUNG_S
    while not what():
        assert process.poll() is None, "the command ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.02)


def _recording(mode: str, source: Path, place: Path) -> subprocess.Popen:
    return subprocess.Popen([sys.executable, recorder.__file__, mode, source, place, str(PIECE_S)])


def _parts(folder: Path) -> dict[str, Path]:
    """Finished files to record from, outside any inbox."""
    rng = np.random.default_rng(11)
    signals = {
        "voice.wav": (sine(440, -31.0, 2), PCM_24),
        "drums/kick.wav": (stereo(sine(80, -7.0, 1.5)), PCM_16),
        "noise.wav": (band_limited_noise(rng, -24.0, 96_000, 2), PCM_24),
        "fine.wav": (sine(300, -18.2, 1), PCM_16),
    }
    return {name: wavefile.write(folder / name, samples, 48_000, kind) for name, (samples, kind) in signals.items()}


def _calm(make_song: SongMaker, parts: dict[str, Path]) -> dict[str, Any]:
    """What one `stage` of the finished files gives."""
    song = make_song(TOML, name="calm")
    for name, path in parts.items():
        (song.inbox / name).parent.mkdir(exist_ok=True)
        (song.inbox / name).write_bytes(path.read_bytes())
    assert song.stage().code == 0
    return song.settled()


def _sound_in(outbox: Path) -> set[str]:
    """Which files hold sound, drafts too; a draft of the tables, written at any moment, begins otherwise."""
    found = set()
    for path in outbox.rglob("*"):
        with contextlib.suppress(FileNotFoundError, IsADirectoryError):
            found |= {path.name} if path.read_bytes().startswith(b"RIFF") or path.suffix == ".wav" else set()
    return found


def _told(log: Path, stem: str) -> int:
    """How many outcomes were told of a stem."""
    return len(re.findall(rf"^(?:staged|refused) {re.escape(stem)}[:,]", log.read_text(), re.MULTILINE))


@pytest.mark.parametrize("mode", ["header", "beside"])
@pytest.mark.parametrize("options", [(), ("--poll",)], ids=["events", "poll"])
def test_stems_are_staged_as_they_are_recorded(
    make_song: SongMaker, tmp_path: Path, mode: str, options: tuple[str, ...]
) -> None:
    """Header first and sizes last, or beside and renamed: one outcome a stem, the copy as a calm run makes it."""
    parts, song, log = _parts(tmp_path / "parts"), make_song(TOML), tmp_path / "log"
    with song.stager.started("watch", song.folder, "--until-idle", "2.5", *options, log=log) as watch:
        _wait(lambda: "watching" in log.read_text(), watch)
        writers = [_recording(mode, path, song.inbox / name) for name, path in parts.items()]
        assert [writer.wait(HUNG_S) for writer in writers] == [0] * len(parts)
        assert watch.wait(HUNG_S) == 0
    assert song.settled() == _calm(make_song, parts)
    assert {name: _told(log, name) for name in parts} == dict.fromkeys(parts, 1)
    assert {name: sha256(song.inbox / name) for name in parts} == {name: sha256(path) for name, path in parts.items()}


def test_a_recording_in_progress_is_never_staged(make_song: SongMaker, tmp_path: Path) -> None:
    """While sizes are open and data comes in, no sound of the stem appears; once it is at rest it is `truncated`."""
    song, log = make_song(TOML), tmp_path / "log"
    part = wavefile.write(tmp_path / "part.wav", sine(440, -30.0, 2))
    with song.stager.started("watch", song.folder, *IDLE, log=log) as watch:
        _wait(lambda: "watching" in log.read_text(), watch)
        writer = _recording("stall", part, song.inbox / "part.wav")
        try:
            while writer.poll() is None:
                assert _sound_in(song.outbox) == set()
                time.sleep(0.02)
        finally:
            writer.wait(HUNG_S)
        assert watch.wait(HUNG_S) == 0
    assert song.outbox_names() == set()
    assert _told(log, "part.wav") == 1
    assert song.outcome("part.wav")["refused"] == "truncated"


def test_a_restart_does_nothing_twice(make_song: SongMaker, tmp_path: Path) -> None:
    """A second watch over the same stems writes no copy and no sidecar, and tells of none."""
    parts, song, logs = _parts(tmp_path / "parts"), make_song(TOML), (tmp_path / "first", tmp_path / "second")
    for name, path in parts.items():
        (song.inbox / name).parent.mkdir(exist_ok=True)
        (song.inbox / name).write_bytes(path.read_bytes())
    states = []
    for log in logs:
        with song.stager.started("watch", song.folder, *IDLE, log=log) as watch:
            assert watch.wait(HUNG_S) == 0
        states.append({name: state for name, state in tree(song.outbox).items() if not name.startswith("report.")})
    assert states[0] == states[1]
    assert {name: _told(logs[0], name) for name in parts} == dict.fromkeys(parts, 1)
    assert {name: _told(logs[1], name) for name in parts} == dict.fromkeys(parts, 0)
    assert "report.json" in tree(song.outbox)


@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 0), (signal.SIGINT, 130)], ids=["SIGTERM", "SIGINT"])
@pytest.mark.parametrize("busy", [False, True], ids=["at rest", "at work"])
def test_a_signal_ends_the_watch_cleanly(
    make_song: SongMaker, tmp_path: Path, number: int, code: int, busy: bool
) -> None:
    """SIGTERM is exit 0, SIGINT exit 130; no draft is left, and every sidecar describes the copy beside it."""
    song, log = make_song(TOML), tmp_path / "log"
    rng = np.random.default_rng(4)
    for count in range(8 if busy else 0):
        song.put(f"{count}.wav", band_limited_noise(rng, -30.0, 400_000, 2))
    with song.stager.started("watch", song.folder, log=log) as watch:
        _wait(lambda: "watching" in log.read_text(), watch)
        if busy:
            _wait(song.outbox_names, watch)
        watch.send_signal(number)
        assert watch.wait(HUNG_S) == code
    _assert_whole(song)
    assert "Traceback" not in log.read_text()


def _assert_whole(song: Song) -> None:
    """No draft, no copy without sidecar, no sidecar that describes another copy."""
    names = song.outbox_names()
    assert not [name for name in names if ".tmp" in name or name.startswith(".")]
    copies = {name for name in names if not name.endswith(".json")}
    assert names == copies | {f"{name}.json" for name in copies}
    for name in copies:
        assert song.sidecar(name)["copy"]["sha256"] == sha256(song.outbox / name)


def test_a_killed_watch_is_taken_up_again(make_song: SongMaker, tmp_path: Path) -> None:
    """After kill -9 at work the next start finishes: no partial copy under a name, the outbox that of a calm run."""
    rng, song = np.random.default_rng(9), make_song(TOML)
    parts = {
        f"{count}.wav": wavefile.write(tmp_path / "parts" / f"{count}.wav", band_limited_noise(rng, -30.0, 300_000, 2))
        for count in range(8)
    }
    for name, path in parts.items():
        (song.inbox / name).write_bytes(path.read_bytes())
    log = tmp_path / "log"
    with song.stager.started("watch", song.folder, log=log) as watch:
        _wait(lambda: any(name.endswith(".json") for name in song.outbox_names()), watch)
        watch.kill()
        watch.wait(HUNG_S)
    for name in (name for name in song.outbox_names() if name.endswith(".json")):
        copy = name.removesuffix(".json")
        assert song.sidecar(copy)["copy"]["sha256"] == sha256(song.outbox / copy)
    with song.stager.started("watch", song.folder, *IDLE, log=log) as again:
        assert again.wait(HUNG_S) == 0
    _assert_whole(song)
    assert song.settled() == _calm(make_song, parts)


def test_one_process_a_project(make_song: SongMaker, tmp_path: Path) -> None:
    """A second watch or stage is exit 2 and names the first's process; after kill -9 of the first it may start."""
    song, log = make_song(TOML), tmp_path / "log"
    song.put("a.wav", sine(440, -30.0, 0.5))
    with song.stager.started("watch", song.folder, log=log) as first:
        _wait((song.outbox / "report.csv").is_file, first)
        _wait(lambda: "a.wav" in (song.outbox / "report.csv").read_text("utf-8"), first)
        before = tree(song.outbox)
        for command in (("watch", song.folder, *IDLE), ("stage", song.folder, "--again")):
            second = song.stager(*command)
            assert second.code == 2
            assert re.search(rf"\b{first.pid}\b", second.stderr)
        assert tree(song.outbox) == before
        assert song.stager("stage", song.folder, "--dry-run").code == 0
        first.kill()
        first.wait(HUNG_S)
    assert song.stager("watch", song.folder, *IDLE).code == 0


def test_many_projects_in_one_watch(make_song: SongMaker, tmp_path: Path) -> None:
    """One process watches several projects; each has its own outbox and report."""
    songs = [make_song(TOML, name=name) for name in ("one", "two", "three")]
    for number, song in enumerate(songs):
        song.put(f"part_{number}.wav", sine(440, -30.0, 0.5))
    log = tmp_path / "log"
    with songs[0].stager.started("watch", *(song.folder for song in songs), *IDLE, log=log) as watch:
        assert watch.wait(HUNG_S) == 0
    for number, song in enumerate(songs):
        assert song.outbox_names() == {f"part_{number}.wav", f"part_{number}.wav.json"}
        assert (song.outbox / "report.json").is_file()


def test_a_re_bounce_under_watch_is_the_next_version(make_song: SongMaker, tmp_path: Path) -> None:
    """A stem that is recorded over while the watch runs is staged again as version 2; its old copy is replaced."""
    song, log = make_song(TOML), tmp_path / "log"
    song.put("a.wav", sine(440, -30.0, 0.5))
    better = wavefile.write(tmp_path / "better.wav", sine(440, -26.0, 1.0))
    with song.stager.started("watch", song.folder, "--until-idle", "2.5", log=log) as watch:
        _wait(lambda: "staged a.wav" in log.read_text(), watch)
        assert _recording("header", better, song.inbox / "a.wav").wait(HUNG_S) == 0
        assert watch.wait(HUNG_S) == 0
    assert song.sidecar("a.wav")["version"] == 2
    assert song.sidecar("a.wav")["source"]["sha256"] == sha256(better)
    _assert_whole(song)


def test_a_stem_that_goes_away_before_it_settles_is_forgotten(make_song: SongMaker, tmp_path: Path) -> None:
    """A file that is removed while it settles leaves no outcome and no trace; the watch goes on."""
    song, log = make_song(TOML.replace("0.4", "1.0")), tmp_path / "log"
    with song.stager.started("watch", song.folder, *IDLE, log=log) as watch:
        _wait(lambda: "watching" in log.read_text(), watch)
        song.put("gone.wav", sine(440, -30.0, 0.5))
        time.sleep(0.3)
        (song.inbox / "gone.wav").unlink()
        song.put("stays.wav", sine(440, -30.0, 0.5))
        assert watch.wait(HUNG_S) == 0
    assert song.outbox_names() == {"stays.wav", "stays.wav.json"}
    assert _told(log, "gone.wav") == 0


def test_an_original_is_only_read(make_song: SongMaker, tmp_path: Path) -> None:
    """Watching changes nothing about an original that lies there: bytes, times, inode, mode, links."""
    song, log = make_song(TOML), tmp_path / "log"
    song.put("a.wav", sine(440, -30.0, 0.5)).chmod(0o440)
    os.link(song.inbox / "a.wav", song.folder / "hard_link.wav")
    before = tree(song.inbox)
    with song.stager.started("watch", song.folder, *IDLE, log=log) as watch:
        assert watch.wait(HUNG_S) == 0
    assert tree(song.inbox) == before
    assert (song.inbox / "a.wav").stat().st_nlink == 2
    assert song.outbox_names() == {"a.wav", "a.wav.json"}
