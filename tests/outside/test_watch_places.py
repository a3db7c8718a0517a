"""Places that fail while a watch runs, and come back: each project pauses by itself, says so, and goes on by itself."""

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.support import wavefile
from tests.support.command import HUNG_S, Command
from tests.support.outbox import drafts
from tests.support.signals import sine
from tests.support.song import Song, SongMaker, sha256, tree

pytestmark = pytest.mark.long

SETTLE = "settle_s = 0.2\n"
SIGN_S = 1.5
"""Within this a watch that pauses has left a sign of it."""
MENDED_S = 40.0
"""Longer than the first pauses of a watch; one that has not gone on by then hangs."""
EARLY = wavefile.wave_bytes(sine(440, -30.0, 0.5))
LATE = wavefile.wave_bytes(sine(330, -27.0, 0.5))


def _until(what: Callable[[], Any], process: subprocess.Popen[bytes]) -> None:
    """Wait until something is so, while the process lives."""
    deadline = time.monotonic() + HUNG_S
    while not what():
        assert process.poll() is None, "the command ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.05)


@contextmanager
def _watching(line: list[str | bytes], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Start a command line in the background; whatever happens, it is gone at the end."""
    with log.open("ab") as out, subprocess.Popen(line, stdout=out, stderr=out, stdin=subprocess.DEVNULL) as process:
        try:
            yield process
        finally:
            process.kill()


def _song(stager: Command, folder: Path, name: str) -> Song:
    """A song whose outbox lies on another "disk" than its project file, so that nobody makes it anew."""
    song = Song.made(stager, folder / name)
    song.outbox.rename(folder / f"{name}_disk")
    song.file.write_text(f'version = 1\n[project]\nname = "{name}"\noutbox = "../{name}_disk"\n{SETTLE}')
    return song


def _outbox(song: Song) -> Path:
    return song.folder.with_name(f"{song.folder.name}_disk")


def _copy(song: Song, name: str) -> str | None:
    """Return the hash of a copy, once its sidecar is there."""
    place = _outbox(song) / name
    return sha256(place) if place.with_name(f"{name}.json").exists() else None


def _away(folder: Path) -> None:
    folder.rename(folder.with_name(f"{folder.name}.away"))


def _back(folder: Path) -> None:
    if folder.exists():  # somebody made it anew: the disk that comes back lies over that
        shutil.rmtree(folder)
    folder.with_name(f"{folder.name}.away").rename(folder)


def _elsewhere(song: Song) -> Path:
    """Where the inbox is now, wherever that is."""
    away = song.inbox.with_name(f"{song.inbox.name}.away")
    return away if away.exists() else song.inbox


FAULTS: dict[str, tuple[Callable[[Song], None], Callable[[Song], None]]] = {
    "outbox removed": (lambda song: _away(_outbox(song)), lambda song: _back(_outbox(song))),
    "outbox read only": (lambda song: _outbox(song).chmod(0o500), lambda song: _outbox(song).chmod(0o700)),
    "inbox removed": (lambda song: _away(song.inbox), lambda song: _back(song.inbox)),
    "inbox shut": (lambda song: song.inbox.chmod(0o000), lambda song: song.inbox.chmod(0o700)),
    "nothing": (lambda _song: None, lambda _song: None),
}


@dataclass(frozen=True)
class Recovered:
    """What was seen: while places failed, of every fault, what `status` said; and the end."""

    songs: dict[str, Song]
    status: dict[str, dict[str, Any]]
    calm_meanwhile: bool
    log: str


@pytest.fixture(scope="module")
def recovered(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Recovered:
    """One watch over a project for each fault: a stem, the fault, another stem, the mending."""
    folder = tmp_path_factory.mktemp("places")
    songs = {fault: _song(stager, folder, fault.replace(" ", "_")) for fault in FAULTS}
    log = folder / "log"
    line = stager.line("watch", *(song.folder for song in songs.values()), obey_permissions=True)
    with _watching(line, log) as watch:
        for song in songs.values():
            (song.inbox / "early.wav").write_bytes(EARLY)
        _until(lambda: all(_copy(song, "early.wav") for song in songs.values()), watch)
        for fault, song in songs.items():
            FAULTS[fault][0](song)
            (_elsewhere(song) / "late.wav").write_bytes(LATE)
        _until(lambda: all(_paused(log, song) or _copy(song, "late.wav") for song in songs.values()), watch)
        calm = not any(_copy(song, "late.wav") for song in songs.values() if _paused(log, song))
        time.sleep(SIGN_S)
        status = {fault: _status(song) for fault, song in songs.items()}
        for fault, song in songs.items():
            FAULTS[fault][1](song)
        deadline = time.monotonic() + MENDED_S
        while not _is_mended(log, songs) and time.monotonic() < deadline:
            assert watch.poll() is None, "the command ended too early"
            time.sleep(0.1)
        watch.terminate()
        assert watch.wait(HUNG_S) == 0
    return Recovered(songs, status, calm, log.read_text())


def _is_mended(log: Path, songs: dict[str, Song]) -> bool:
    said = log.read_text()
    return all(_copy(song, "late.wav") for song in songs.values()) and said.count(" goes on") >= said.count(" pauses: ")


def _paused(log: Path, song: Song) -> bool:
    return f"{song.folder.name} pauses: " in log.read_text()


def _status(song: Song) -> dict[str, Any]:
    return song.stager("status", song.folder, "--json").json()


@pytest.mark.parametrize("fault", FAULTS)
def test_a_place_that_comes_back_is_gone_on_with(recovered: Recovered, fault: str) -> None:
    """What came while the place failed is staged once it is back, and what was staged before is not staged again."""
    song, calm = recovered.songs[fault], recovered.songs["nothing"]
    assert {name: _copy(song, name) for name in ("early.wav", "late.wav")} == {
        name: _copy(calm, name) for name in ("early.wav", "late.wav")
    }
    versions = {json.loads(place.read_bytes())["version"] for place in _outbox(song).glob("*.wav.json")}
    assert versions == {1}
    assert (drafts(song), [path.name for path in _outbox(song).glob(".*")]) == ([], [])


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault != "nothing"])
def test_a_place_that_fails_pauses_its_own_project_and_says_so(recovered: Recovered, fault: str) -> None:
    """The log says once that the project pauses, with the place, and that it goes on; `status` says it meanwhile."""
    name = fault.replace(" ", "_")
    said = [line for line in recovered.log.splitlines() if name in line]
    assert len([line for line in said if f"{name} pauses: " in line]) == 1
    assert [line for line in said if f"{name} goes on" in line]
    assert recovered.status[fault]["state"] == "paused"
    assert recovered.status[fault]["schema"] == "stager/status/1"


def test_other_projects_are_not_held_up(recovered: Recovered) -> None:
    """While others pause, and stage nothing, the fifth project stages what comes, and its state is its own."""
    assert recovered.calm_meanwhile
    assert recovered.status["nothing"]["state"] in {"watching", "busy"}
    assert "nothing pauses" not in recovered.log
    assert "Traceback" not in recovered.log


def _bind(song: Song, disk: Path) -> str:
    return f"mount --bind '{disk}' '{song.inbox}'"


def _can_mount(folder: Path) -> bool:
    if shutil.which("unshare") is None or shutil.which("nsenter") is None:
        return False
    line = ["unshare", "-m", "mount", "--bind", folder, folder]
    return subprocess.run(line, capture_output=True, timeout=HUNG_S, check=False).returncode == 0


def test_a_disk_that_is_unplugged_and_plugged_in_again(make_song: SongMaker, tmp_path: Path) -> None:
    """An inbox that is unmounted and mounted again: what came is staged, what was there is not staged again."""
    if not _can_mount(tmp_path):
        pytest.skip("mounting in a name space of one's own is not permitted here")
    song, disk, log = make_song(f'[project]\nname = "Disk"\n{SETTLE}'), tmp_path / "disk", tmp_path / "log"
    disk.mkdir()
    (disk / "early.wav").write_bytes(EARLY)
    starts = f"{_bind(song, disk)} && exec '{song.stager.path}' watch '{song.folder}'"
    with _watching(["unshare", "-m", "sh", "-c", starts], log) as watch:
        inside = ["nsenter", "-t", str(watch.pid), "-m", "sh", "-c"]
        _until((song.outbox / "early.wav.json").exists, watch)
        before = tree(song.outbox)["early.wav"]
        subprocess.run([*inside, f"umount '{song.inbox}' || umount -l '{song.inbox}'"], check=True, timeout=HUNG_S)
        (disk / "late.wav").write_bytes(LATE)
        time.sleep(1.5)
        subprocess.run([*inside, _bind(song, disk)], check=True, timeout=HUNG_S)
        _until((song.outbox / "late.wav.json").exists, watch)
        watch.terminate()
        assert watch.wait(HUNG_S) == 0
    assert tree(song.outbox)["early.wav"] == before
    assert song.outbox_names() == {"early.wav", "early.wav.json", "late.wav", "late.wav.json"}
    assert log.read_text().count("staged early.wav") == 1


def test_what_a_watch_is_told_while_it_runs(make_song: SongMaker, tmp_path: Path) -> None:
    """A sound edit of the project file is taken up, a wrong one is not; a renamed stem is known, a removed one kept."""
    song, log = make_song(f'[project]\nname = "Told"\n{SETTLE}'), tmp_path / "log"
    song.put("part.wav", sine(440, -30.0, 0.5))
    with ExitStack() as stack:
        watch = stack.enter_context(song.stager.started("watch", song.folder, "--log", "json", log=log))
        _until((song.outbox / "part.wav.json").exists, watch)
        text = song.file.read_text()
        song.file.write_text(f"{text}[target]\nlevel = 3\n")
        _until(lambda: _says(log, "not taken up"), watch)
        song.put("second.wav", sine(330, -30.0, 0.5))
        _until((song.outbox / "second.wav.json").exists, watch)
        assert song.sidecar("second.wav")["trim"]["target"]["level_db"] == -18.0
        song.file.write_text(f"{text}[target]\nlevel_db = -20.0\n")
        _until(lambda: _says(log, "is taken up"), watch)
        _until(lambda: _level(song, "second.wav") == -20.0, watch)
        _until(lambda: _level(song, "part.wav") == -20.0, watch)
        copy = sha256(song.outbox / "part.wav")
        (song.inbox / "part.wav").rename(song.inbox / "voice.wav")
        (song.inbox / "second.wav").unlink()
        _until((song.outbox / "voice.wav.json").exists, watch)
        watch.terminate()
        assert watch.wait(HUNG_S) == 0
    assert sha256(song.outbox / "voice.wav") == copy
    assert (song.outbox / "second.wav").exists()
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert all({"at", "level", "project", "says"} <= line.keys() for line in lines)
    assert {line["project"] for line in lines if line["project"]} == {"Told"}


def _level(song: Song, name: str) -> float | None:
    try:
        level: float = song.sidecar(name)["trim"]["target"]["level_db"]
    except FileNotFoundError:
        return None
    return level


def _says(log: Path, words: str) -> bool:
    return any(words in line for line in log.read_text().splitlines())


def test_new_projects_are_discovered(stager: Command, tmp_path: Path) -> None:
    """With `--discover`, a project that appears below the folder is watched too, and one that is broken is said."""
    parent, log = tmp_path / "songs", tmp_path / "log"
    first = Song.made(stager, parent / "first", f'[project]\nname = "First"\n{SETTLE}')
    first.put("part.wav", sine(440, -30.0, 0.5))
    with stager.started("watch", parent, "--discover", log=log) as watch:
        _until((first.outbox / "part.wav.json").exists, watch)
        (parent / "broken").mkdir()
        (parent / "broken" / "stager.toml").write_text("version = 1\n[projct]\n")
        second = Song.made(stager, parent / "album" / "second", f'[project]\nname = "Second"\n{SETTLE}')
        second.put("part.wav", sine(440, -30.0, 0.5))
        _until((second.outbox / "part.wav.json").exists, watch)
        _until(lambda: "projct" in log.read_text(), watch)
        watch.terminate()
        assert watch.wait(HUNG_S) == 0
    assert "Traceback" not in log.read_text()


@pytest.mark.skipif(sys.platform != "linux", reason="needs a process that can be stopped and goes on")
def test_what_came_while_the_machine_slept(make_song: SongMaker, tmp_path: Path) -> None:
    """A watch that was halted for a while stages what came and went meanwhile."""
    song, log = make_song(f'[project]\nname = "Asleep"\n{SETTLE}'), tmp_path / "log"
    song.put("early.wav", sine(440, -30.0, 0.5))
    with song.stager.started("watch", song.folder, log=log) as watch:
        _until((song.outbox / "early.wav.json").exists, watch)
        os.kill(watch.pid, 19)
        (song.inbox / "gone.wav").write_bytes(LATE)
        (song.inbox / "late.wav").write_bytes(LATE)
        time.sleep(1.0)
        (song.inbox / "gone.wav").unlink()
        os.kill(watch.pid, 18)
        _until((song.outbox / "late.wav.json").exists, watch)
        watch.terminate()
        assert watch.wait(HUNG_S) == 0
    assert song.outbox_names() == {"early.wav", "early.wav.json", "late.wav", "late.wav.json"}
