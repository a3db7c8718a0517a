"""The door to the system's events: hints that something happened, deaf to our own reading."""

import logging
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from stager.watch import events as room
from stager.watch.events import Events, Hints
from tests.making import written

PATIENCE_S = 10.0


def comes_true(condition: Callable[[], bool]) -> bool:
    """Wait until something is true, for a long time at most."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        if condition():
            return True
        time.sleep(0.01)
    return False


def test_a_new_file_is_told(tmp_path: Path) -> None:
    """A file that appears, in a subfolder made since too, is told once, and then it is quiet."""
    events = Events(tmp_path)
    try:
        assert events.works
        written(tmp_path / "drums" / "a.wav", b"abc")
        assert comes_true(lambda: bool(events.take()))
    finally:
        events.close()


def test_our_own_reading_is_not_told(tmp_path: Path) -> None:
    """A daemon that read a file does not hear itself, but hears what came after."""
    path = written(tmp_path / "a.wav", b"abc")
    events = Events(tmp_path)
    try:
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
    finally:
        events.close()


def test_nothing_happened(tmp_path: Path) -> None:
    """Asked without a cause, nothing happened."""
    events = Events(tmp_path)
    assert not events.take()
    events.close()


def test_folder_without_events(tmp_path: Path) -> None:
    """Where the system gives no events, that is known, and closing is no error."""
    events = Events(tmp_path / "gone")
    assert not events.works
    assert not events.take()
    events.close()


class Unable:
    """A system that has no more watches to give."""

    def schedule(self, *_args: object, **_keys: object) -> None:
        raise OSError(28, "inotify watch limit reached")


def test_system_without_watches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system's watches are used up, that is known as well."""
    monkeypatch.setattr(room, "Observer", Unable)
    assert not Events(tmp_path).works


def test_lost_events_ask_for_a_look_at_everything(tmp_path: Path) -> None:
    """Where the system's queue ran over, which watchdog only logs, everything is looked at; nothing is printed."""
    woken: list[bool] = []
    events = Events(tmp_path, lambda: woken.append(True))
    try:
        logging.getLogger(room.LOSS_LOGGER).warning("Inotify queue overflowed; filesystem events were lost")
        assert events.take() == Hints(everything=True)
        assert woken
    finally:
        events.close()
    logging.getLogger(room.LOSS_LOGGER).warning("Inotify queue overflowed; filesystem events were lost")
    assert not events.take()


def test_folder_that_is_moved_in_stands_for_all_in_it(tmp_path: Path) -> None:
    """A folder that appears, whose files may have come before anybody listened, brings a look at everything."""
    outside = tmp_path / "outside"
    written(outside / "a.wav", b"abc")
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    events = Events(inbox)
    try:
        outside.rename(inbox / "drums")
        assert comes_true(lambda: events.take().everything)
    finally:
        events.close()


def test_both_names_of_a_moved_file_are_told(tmp_path: Path) -> None:
    """A file that is renamed is a hint for its old name and its new one."""
    written(tmp_path / "a.wav", b"abc")
    events = Events(tmp_path)
    told: set[str] = set()

    def heard_both() -> bool:
        told.update(events.take().paths)
        return {"a.wav", "b.wav"} <= told

    try:
        (tmp_path / "a.wav").rename(tmp_path / "b.wav")
        assert comes_true(heard_both)
    finally:
        events.close()
