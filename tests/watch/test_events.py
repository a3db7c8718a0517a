"""The door to the system's events: hints that something happened, none of our own reading; what the system refuses."""

import errno
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from watchdog.observers import inotify_c

from stager.watch.events import ChangeObserver, Events, Hints
from tests.support.folders import written

PATIENCE_S = 10.0
WATCHED_TWICE = """
import sys
from watchdog.observers.inotify_c import InotifyFD
instance = InotifyFD()
for _ in range(2):
    instance.add_callback(sys.argv[1].encode(), 2, None, "same")
"""


def comes_true(condition: Callable[[], bool]) -> bool:
    """Wait until something is true, for a long time at most."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        if condition():
            return True
        time.sleep(0.01)
    return False


@pytest.fixture
def reported() -> list[str]:
    """Return the list of what an observer reported."""
    return []


@pytest.fixture
def observer(reported: list[str]) -> Iterator[ChangeObserver]:
    """Yield an observer."""
    found = ChangeObserver(reported.append)
    yield found
    found.close()


def listening(observer: ChangeObserver, folder: Path, wake: Callable[[], None] = lambda: None) -> Events:
    events = observer.listen(folder, wake)
    assert events is not None
    return events


def test_a_new_file_is_told(observer: ChangeObserver, tmp_path: Path) -> None:
    """A file that appears, in a subfolder made since too, is told."""
    events = listening(observer, tmp_path)
    written(tmp_path / "drums" / "a.wav", b"abc")
    assert comes_true(lambda: bool(events.take()))


def test_our_own_reading_is_not_told(observer: ChangeObserver, tmp_path: Path) -> None:
    """A daemon that read a file does not hear itself, but hears what came after."""
    path = written(tmp_path / "a.wav", b"abc")
    events = listening(observer, tmp_path)
    path.read_bytes()
    written(tmp_path / "b.wav", b"abc")
    assert comes_true(lambda: "b.wav" in events.take().paths)
    paths: set[str] = set()
    path.read_bytes()
    (tmp_path / "c.wav").touch()

    def heard_c() -> bool:
        paths.update(events.take().paths)
        return "c.wav" in paths

    assert comes_true(heard_c)
    assert "a.wav" not in paths


def test_nothing_happened(observer: ChangeObserver, tmp_path: Path) -> None:
    """Asked without a cause, nothing happened."""
    assert not listening(observer, tmp_path).take()


def test_folder_without_events(observer: ChangeObserver, tmp_path: Path, reported: list[str]) -> None:
    """Where the system gives no events, that is known and reported."""
    assert observer.listen(tmp_path / "gone", lambda: None) is None
    assert reported == ["the system gives no events (No such file or directory): looking every second instead"]


def refusing(monkeypatch: pytest.MonkeyPatch, name: str, is_refused: Callable[[bytes], bool], number: int) -> None:
    """Make a function of inotify(7) fail, as the system does where a limit is reached."""
    real = getattr(inotify_c, name)

    def function(*given: object) -> int:
        if is_refused(given[1] if len(given) > 1 else b""):  # type: ignore[arg-type]
            inotify_c.ctypes.set_errno(number)
            return -1
        return int(real(*given))

    monkeypatch.setattr(inotify_c, name, function)


def test_no_watch_left(
    observer: ChangeObserver, tmp_path: Path, reported: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the system's watches are used up, that is reported, once for all folders."""
    refusing(monkeypatch, "inotify_add_watch", lambda _path: True, errno.ENOSPC)
    assert observer.listen(tmp_path, lambda: None) is None
    assert observer.listen(tmp_path.parent, lambda: None) is None
    (says,) = reported
    assert says.startswith("the system has no inotify watch left (fs.inotify.max_user_watches is ")


def test_no_instance_left(
    observer: ChangeObserver, tmp_path: Path, reported: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the system's instances are used up, that is reported; once one is free, it is used."""
    with monkeypatch.context() as patch:
        refusing(patch, "inotify_init", lambda _path: True, errno.EMFILE)
        assert observer.listen(tmp_path, lambda: None) is None
    (says,) = reported
    assert says.startswith("the system has no inotify instance left (fs.inotify.max_user_instances is ")
    assert observer.listen(tmp_path, lambda: None) is not None


@pytest.mark.parametrize("when", ["before", "later"])
def test_no_watch_left_for_a_folder_below(
    observer: ChangeObserver, tmp_path: Path, reported: list[str], monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    """Where a folder below gives no events, that is reported, and everything is listed instead."""
    refusing(monkeypatch, "inotify_add_watch", lambda path: path.endswith(b"/drums"), errno.ENOSPC)
    if when == "before":
        (tmp_path / "drums").mkdir()
    events = listening(observer, tmp_path)
    if when == "later":
        assert events.is_complete
        (tmp_path / "drums").mkdir()
    assert comes_true(lambda: not events.is_complete and events.take().everything)
    (says,) = reported
    assert "no inotify watch left" in says


def test_lost_events_ask_for_a_listing(
    observer: ChangeObserver, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the system's queue overflowed, everything is listed, and events go on."""
    lost = [inotify_c.InotifyEvent(-1, inotify_c.InotifyConstants.IN_Q_OVERFLOW, 0, b"")]  # type: ignore[arg-type]
    real = inotify_c.InotifyFD.read_events
    monkeypatch.setattr(inotify_c.InotifyFD, "read_events", lambda fd: [*real(fd), lost.pop()] if lost else real(fd))
    woken: list[bool] = []
    events = listening(observer, tmp_path, lambda: woken.append(True))
    written(tmp_path / "a.wav", b"abc")
    assert comes_true(lambda: events.take() == Hints(everything=True))
    assert woken
    assert events.is_complete


def test_folders_nested_too_deep(observer: ChangeObserver, tmp_path: Path) -> None:
    """A tree that is deeper than watchdog can walk ends the events of no other folder."""
    one, other = tmp_path / "one", tmp_path / "other"
    for folder in (one, other):
        folder.mkdir()
    events, others = listening(observer, one), listening(observer, other)
    subprocess.run(["mkdir", "-p", "/".join(["n"] * 1500)], cwd=tmp_path, check=True)
    try:
        (tmp_path / "n").rename(one / "n")
        assert comes_true(lambda: events.take().everything)
        observer.listen(tmp_path, lambda: None)  # raises nothing, whether the walk ends or not
        written(other / "a.wav", b"abc")
        assert comes_true(lambda: bool(others.take()))
    finally:
        subprocess.run(["rm", "-rf", "one"], cwd=tmp_path, check=True)


def test_two_listen_to_one_folder(observer: ChangeObserver, tmp_path: Path) -> None:
    """Two projects may share a folder: the events of one go on when the other stops."""
    one, two = listening(observer, tmp_path), listening(observer, tmp_path)
    observer.stop_listening(one)
    observer.stop_listening(one)
    written(tmp_path / "a.wav", b"abc")
    assert comes_true(lambda: "a.wav" in two.take().paths)
    assert not one.take()


def test_folder_that_is_moved_in_stands_for_all_in_it(observer: ChangeObserver, tmp_path: Path) -> None:
    """A folder that appears, whose files may have come before anybody listened, brings a listing of everything."""
    outside = tmp_path / "outside"
    written(outside / "a.wav", b"abc")
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    events = listening(observer, inbox)
    outside.rename(inbox / "drums")
    assert comes_true(lambda: events.take().everything)


def test_both_names_of_a_moved_file_are_told(observer: ChangeObserver, tmp_path: Path) -> None:
    """A file that is renamed is a hint for its old name and its new one."""
    written(tmp_path / "a.wav", b"abc")
    events = listening(observer, tmp_path)
    told: set[str] = set()

    def heard_both() -> bool:
        told.update(events.take().paths)
        return {"a.wav", "b.wav"} <= told

    (tmp_path / "a.wav").rename(tmp_path / "b.wav")
    assert comes_true(heard_both)


def test_one_inotify_instance(observer: ChangeObserver, tmp_path: Path) -> None:
    """However many folders are listened to, one inotify instance serves them all."""

    def instances() -> int:
        targets = [path.readlink() for path in Path("/proc/self/fd").iterdir() if path.is_symlink()]
        return sum("inotify" in str(target) for target in targets)

    before = instances()
    for number in range(20):
        (tmp_path / str(number)).mkdir()
        listening(observer, tmp_path / str(number))
    assert instances() == before + 1


@pytest.mark.parametrize(("before", "is_quiet"), [("import stager.watch.events", True), ("", False)])
def test_a_folder_that_is_watched_twice_prints_nothing(tmp_path: Path, before: str, is_quiet: bool) -> None:
    """No warning of the library, which names the folder as it is, stands among the lines of a log; else it would."""
    line = [sys.executable, "-c", f"{before}\n{WATCHED_TWICE}", str(tmp_path)]
    done = subprocess.run(line, capture_output=True, text=True, check=True)
    assert (done.stderr == "") is is_quiet
