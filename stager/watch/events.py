"""The only door to watchdog: tells that something happened below a folder, never what is true there."""

import logging
import os
import queue
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from watchdog.events import (
    EVENT_TYPE_CLOSED_NO_WRITE,
    EVENT_TYPE_MODIFIED,
    EVENT_TYPE_OPENED,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer

OWN_READS: Final = (EVENT_TYPE_OPENED, EVENT_TYPE_CLOSED_NO_WRITE)
"""What our own reading causes; a daemon that listens to it sees itself."""
LOSS_LOGGER: Final = "watchdog.observers.inotify_c"
"""Where watchdog 7.1.0 says that the system's queue ran over; it tells no handler."""
QUIET_LOGGER: Final = logging.getLogger("watchdog")
QUIET_LOGGER.addHandler(logging.NullHandler())
QUIET_LOGGER.propagate = False  # its other words are for its makers, and would stand between our lines
MOST_PATHS: Final = 20_000
"""Hints that are kept apart; beyond it, one look at everything is cheaper."""


@dataclass(frozen=True)
class Hints:
    """What may have changed: files by their path below the folder, or, with `everything`, anything at all."""

    paths: frozenset[str] = frozenset()
    everything: bool = False

    def __bool__(self) -> bool:
        """Whether anything happened."""
        return self.everything or bool(self.paths)


class _Enqueue(FileSystemEventHandler):
    """Puts paths on a queue, no more: an exception here would end watchdog's thread without a word."""

    def __init__(self, paths: "queue.SimpleQueue[str | None]", wake: Callable[[], None]) -> None:
        self._paths, self._wake = paths, wake

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Take a hint; a folder that came, went or moved stands for everything in it."""
        if event.event_type in OWN_READS or (event.is_directory and event.event_type == EVENT_TYPE_MODIFIED):
            return
        if event.is_directory:
            self._paths.put(None)
        else:
            for path in (event.src_path, event.dest_path):
                if path:
                    self._paths.put(os.fsdecode(path))
        self._wake()


class _Loss(logging.Handler):
    """Hears that the system's queue ran over."""

    def __init__(self, paths: "queue.SimpleQueue[str | None]", wake: Callable[[], None]) -> None:
        super().__init__(logging.WARNING)
        self._paths, self._wake = paths, wake

    def emit(self, record: logging.LogRecord) -> None:
        """Ask for a look at everything."""
        del record
        self._paths.put(None)
        self._wake()


class Events:
    """Listens below a folder until it is closed; `works` is False where the system gives no events there.

    `wake` is called, from another thread, whenever there is something to take.
    """

    def __init__(self, folder: Path, wake: Callable[[], None] = lambda: None) -> None:
        self._folder = f"{folder}{os.sep}"
        self._paths: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._loss = _Loss(self._paths, wake)
        self._observer = Observer()
        self.works = True
        try:
            self._observer.schedule(_Enqueue(self._paths, wake), str(folder), recursive=True)
            self._observer.start()
        except OSError:
            self.works = False
            return
        logging.getLogger(LOSS_LOGGER).addHandler(self._loss)

    def take(self) -> Hints:
        """Give what happened since the last call."""
        paths: set[str] = set()
        everything = False
        while not self._paths.empty():
            path = self._paths.get_nowait()
            if path is None or len(paths) >= MOST_PATHS:
                everything = True
            elif path.startswith(self._folder):
                paths.add(path[len(self._folder) :].replace(os.sep, "/"))
        return Hints(frozenset() if everything else frozenset(paths), everything)

    def close(self) -> None:
        """Stop listening."""
        if self.works:
            logging.getLogger(LOSS_LOGGER).removeHandler(self._loss)
            self._observer.stop()
            self._observer.join()
            self.works = False
