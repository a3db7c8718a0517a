"""What one project, folder or limit of the system does, ends the watch of no other project."""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.prove.many_projects import made_projects
from tests.support import wavefile
from tests.support.command import HUNG_S, Command
from tests.support.signals import sine
from tests.support.song import SongMaker, tree

pytestmark = [pytest.mark.long, pytest.mark.skipif(sys.platform != "linux", reason="limits as Linux has them")]

SETTLE = "settle_s = 0.0\n"
STEM = wavefile.wave_bytes(sine(440, -30.0, 0.5))
PROJECTS = 150
"""More than the 128 inotify instances that a user may have where nothing was changed (Linux)."""


def _until(what: Callable[[], object], process: subprocess.Popen[bytes]) -> None:
    """Wait until something is so, while the process lives."""
    deadline = time.monotonic() + HUNG_S
    while not what():
        assert process.poll() is None, "the command ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.05)


@contextmanager
def _watching(stager: Command, *args: str | Path, log: Path, under: str = "") -> Iterator[subprocess.Popen[bytes]]:
    """Start a watch, under the limits that a line of shell sets; it ends by SIGTERM, without a traceback."""
    line = ["sh", "-c", f'{under} exec "$@"', "sh", *stager.line("watch", *args, obey_permissions=True)]
    before = ["unshare", "-Ur"] if "/proc/sys/user" in under else []
    with log.open("ab") as out, subprocess.Popen([*before, *line], stdout=out, stderr=out) as process:
        try:
            yield process
            process.terminate()
            assert process.wait(HUNG_S) == 0
        finally:
            process.kill()
    assert "Traceback" not in log.read_text()


def _staged(folder: Path, name: str) -> Callable[[], bool]:
    return (folder / "out" / f"{name}.json").exists


def _nested(folder: Path, names: list[str]) -> None:
    """Make folders in each other, deeper than a path can name."""
    descriptor = os.open(folder, os.O_RDONLY)
    for name in names:
        os.mkdir(name, dir_fd=descriptor)
        deeper = os.open(name, os.O_RDONLY, dir_fd=descriptor)
        os.close(descriptor)
        descriptor = deeper
    os.close(descriptor)


def _removed(folder: Path) -> None:
    subprocess.run(["rm", "-rf", folder], check=True)  # too deep for shutil


def test_more_projects_than_inotify_instances(stager: Command, tmp_path: Path) -> None:
    """150 songs below one folder are all watched by one process, and a stem in each of ten is staged."""
    folders = made_projects(tmp_path / "songs", PROJECTS)
    log = tmp_path / "log"
    with _watching(stager, tmp_path / "songs", "--discover", log=log) as watch:
        _until(lambda: log.read_text().count("watching ") == PROJECTS, watch)
        for folder in folders[::15]:
            (folder / "in" / "a.wav").write_bytes(STEM)
        _until(lambda: all(_staged(folder, "a.wav")() for folder in folders[::15]), watch)
    assert "instead" not in log.read_text()
    assert log.read_text().count("staged a.wav") == len(folders[::15])


LIMITS = {
    "no instance": ("echo 0 > /proc/sys/user/max_inotify_instances &&", "no inotify instance left"),
    "no watch for subfolders": ("echo 3 > /proc/sys/user/max_inotify_watches &&", "no inotify watch left"),
}


@pytest.mark.parametrize("limit", LIMITS)
def test_inotify_that_is_used_up(stager: Command, tmp_path: Path, limit: str) -> None:
    """Without inotify instances, or watches for subfolders, stems are found by looking every second, said once."""
    under, says = LIMITS[limit]
    if subprocess.run(["unshare", "-Ur", "sh", "-c", f"{under} true"], capture_output=True, check=False).returncode:
        pytest.skip("limits in a name space of one's own are not permitted here")
    folders, log = made_projects(tmp_path / "songs", 3), tmp_path / "log"
    for folder in folders:
        (folder / "in" / "drums" / "close").mkdir(parents=True)
    with _watching(stager, *folders, log=log, under=under) as watch:
        _until(lambda: log.read_text().count("watching ") == len(folders), watch)
        for folder in folders:
            (folder / "in" / "drums" / "close" / "a.wav").write_bytes(STEM)
        _until(lambda: all(_staged(folder, "drums/close/a.wav")() for folder in folders), watch)
    assert log.read_text().count(says) == 1
    assert "looking every second instead" in log.read_text()


def test_descriptors_that_are_used_up(stager: Command, tmp_path: Path) -> None:
    """With 64 file descriptors for forty projects, those that can't be opened say so; the others are staged."""
    folders, log = made_projects(tmp_path / "songs", 40), tmp_path / "log"
    for folder in folders:
        (folder / "in" / "a.wav").write_bytes(STEM)
    with _watching(stager, tmp_path / "songs", "--discover", log=log, under="ulimit -n 64;") as watch:
        _until(lambda: any(_staged(folder, "a.wav")() for folder in folders), watch)
        _until(lambda: "as many files are open as the system allows the process (64)" in log.read_text(), watch)


def test_soft_limit_of_descriptors_is_raised(stager: Command, tmp_path: Path) -> None:
    """A soft limit of 64 under a higher hard one is raised: forty projects are watched without a word."""
    made_projects(tmp_path / "songs", 40)
    log = tmp_path / "log"
    with _watching(stager, tmp_path / "songs", "--discover", log=log, under="ulimit -S -n 64;") as watch:
        _until(lambda: log.read_text().count("watching ") == 40, watch)
    assert len(log.read_text().splitlines()) == 40


@pytest.mark.parametrize("when", ["before", "later"])
@pytest.mark.parametrize("names", [["L" * 200] * 30, ["n"] * 1200], ids=["beyond 4,096 bytes", "1,200 nested"])
def test_folders_beyond_what_can_be_opened(stager: Command, tmp_path: Path, when: str, names: list[str]) -> None:
    """Such folders in one inbox end no watch, of that project or another; `stage` says what it can't look into."""
    (one, other), log = made_projects(tmp_path / "songs", 2), tmp_path / "log"
    if when == "before":
        _nested(one / "in", names)
    try:
        with _watching(stager, one, other, log=log) as watch:
            _until(lambda: log.read_text().count("watching ") == 2, watch)
            if when == "later":
                _nested(one / "in", names)
            for folder in (one, other):
                (folder / "in" / "a.wav").write_bytes(STEM)
            _until(lambda: all(_staged(folder, "a.wav")() for folder in (one, other)), watch)
        found = stager("stage", one)
        is_too_long = sum(map(len, names)) > 4096
        assert found.code == int(is_too_long)
        assert ("its path is longer than the system can open" in found.stderr) is is_too_long
        assert len(found.stderr) < 1000
    finally:
        _removed(one / "in")


def test_subfolder_without_permission(make_song: SongMaker) -> None:
    """A folder that can't be looked into, a disk's own for example, is said and the rest staged; excluded, not said."""
    song = make_song(f"[project]\n{SETTLE}")
    song.put("a.wav", sine(440, -30.0, 0.5))
    (song.inbox / "lost+found").mkdir(mode=0)
    found = song.stager("stage", song.folder, obey_permissions=True)
    assert (found.code, song.outbox_names()) == (1, {"a.wav", "a.wav.json"})
    assert "lost+found/: expected to look into this folder, found: Permission denied" in found.stderr
    song.file.write_text(song.file.read_text() + 'exclude = ["lost+found/*"]\n')
    found = song.stager("stage", song.folder, obey_permissions=True)
    assert (found.code, "lost+found" in found.stderr) == (0, False)


def test_inbox_that_becomes_a_link_to_the_outbox(stager: Command, make_song: SongMaker, tmp_path: Path) -> None:
    """While a watch runs the inbox is replaced by a link to the outbox: no copy is staged, and it goes on later."""
    song, log = make_song(f"[project]\n{SETTLE}"), tmp_path / "log"
    song.put("a.wav", sine(440, -30.0, 0.5))
    with _watching(stager, song.folder, log=log) as watch:
        _until((song.outbox / "report.csv").exists, watch)
        _until((song.outbox / "a.wav.json").exists, watch)
        copies = {name: content for name, content in tree(song.outbox).items() if name.startswith("a.wav")}
        song.inbox.rename(tmp_path / "kept")
        song.inbox.symlink_to(song.outbox)
        _until(lambda: "expected a folder apart from the inbox" in log.read_text(), watch)
        song.inbox.unlink()
        shutil.move(tmp_path / "kept", song.inbox)
        song.put("b.wav", sine(440, -27.0, 0.5))
        _until((song.outbox / "b.wav.json").exists, watch)
    assert song.outbox_names() == {"a.wav", "a.wav.json", "b.wav", "b.wav.json"}
    assert {name: content for name, content in tree(song.outbox).items() if name.startswith("a.wav")} == copies
