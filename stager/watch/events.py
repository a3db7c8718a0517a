"""The only module that imports watchdog: events say that something changed below a folder, never what is there now.

One observer serves all folders of a watch. On Linux it uses one inotify instance, and the limits of the system are
noticed: no instance left, no watch left for a folder or for one below it.
"""

import errno
import logging
import os
import queue
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Final

from watchdog.events import (
    DirAttribEvent,
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileAttribEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers.api import BaseObserver, EventQueue, ObservedWatch

from stager.system.printable import shown

HEARD: Final[list[type[FileSystemEvent]]] = [
    *(DirAttribEvent, DirCreatedEvent, DirDeletedEvent, DirMovedEvent),
    *(FileAttribEvent, FileClosedEvent, FileCreatedEvent, FileDeletedEvent, FileModifiedEvent, FileMovedEvent),
]
"""The events that are asked for: none that our own reading causes."""
QUIET_LOGGER: Final = logging.getLogger("watchdog")
QUIET_LOGGER.addHandler(logging.NullHandler())
QUIET_LOGGER.propagate = False  # what it logs is for its developers
warnings.filterwarnings("ignore", "Callback with id ", RuntimeWarning)  # likewise; it would stand among our log lines
MOST_PATHS: Final = 20_000
"""The most paths that are kept; beyond it, one listing of everything is cheaper."""
INSTEAD: Final = "looking every second instead"


@dataclass(frozen=True)
class Hints:
    """What may have changed: files by their path below the folder, or, with `everything`, anything at all."""

    paths: frozenset[str] = frozenset()
    everything: bool = False

    def __bool__(self) -> bool:
        """Whether anything happened."""
        return self.everything or bool(self.paths)


class Events(FileSystemEventHandler):
    """The events below one folder; made by `ChangeObserver.listen`.

    `wake` is called, from another thread, whenever there is something to take. `is_complete` is False once a folder
    below it gives no events, so that everything must be listed every second.
    """

    def __init__(self, folder: Path, wake: Callable[[], None]) -> None:
        self.folder = folder
        self.is_complete = True
        self._prefix = f"{folder}{os.sep}"
        self._paths: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._wake = wake

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Queue the path of an event; a folder that came, went or moved stands for everything in it."""
        if event.is_directory:
            self._paths.put(None)
        else:
            for path in (event.src_path, event.dest_path):
                if path:
                    self._paths.put(os.fsdecode(path))
        self._wake()

    def on_loss(self, *, is_complete: bool) -> None:
        """Ask for a listing of everything: events were lost, or will be."""
        self.is_complete = self.is_complete and is_complete
        self._paths.put(None)
        self._wake()

    def holds(self, path: str) -> bool:
        """Return whether a path is this folder or lies below it."""
        return f"{path}{os.sep}".startswith(self._prefix)

    def take(self) -> Hints:
        """Return what happened since the last call."""
        paths: set[str] = set()
        everything = False
        while not self._paths.empty():
            path = self._paths.get_nowait()
            if path is None or len(paths) >= MOST_PATHS:
                everything = True
            elif path.startswith(self._prefix):
                paths.add(path[len(self._prefix) :].replace(os.sep, "/"))
        return Hints(frozenset() if everything else frozenset(paths), everything)


class ChangeObserver:
    """One observer for all folders of a watch; its first failure of each kind is passed to `report`, as a sentence."""

    def __init__(self, report: Callable[[str], None]) -> None:
        self._report = report
        self._reported: set[str] = set()
        self._observer: BaseObserver | None = None
        self._end: Callable[[], None] = lambda: None
        self._heard: dict[Events, ObservedWatch | None] = {}
        self._lock = Lock()

    def listen(self, folder: Path, wake: Callable[[], None]) -> Events | None:
        """Return the events below a folder, or None where the system gives none."""
        events = Events(folder, wake)
        with self._lock:
            try:
                if self._observer is None:
                    self._observer, self._end = _started(self._on_shortage, self._on_loss)
                self._heard[events] = None
                self._heard[events] = self._observer.schedule(events, str(folder), recursive=True, event_filter=HEARD)
            except (OSError, RecursionError) as error:
                self._heard.pop(events, None)
                self._report_once(_shortage(error))
                return None
        return events

    def stop_listening(self, events: Events) -> None:
        """Return up the events of a folder."""
        with self._lock:
            watch = self._heard.pop(events, None)
            if self._observer is None or watch is None:
                return
            if watch in self._heard.values():
                self._observer.remove_handler_for_watch(events, watch)
            else:
                self._observer.unschedule(watch)

    def close(self) -> None:
        """Stop the observer and its threads."""
        with self._lock:
            if self._observer:
                self._observer.stop()
                self._observer.join()
                self._end()
            self._observer = None

    def _on_shortage(self, path: bytes, error: OSError) -> None:
        """Record that a folder gives no events; called from any thread."""
        folder = os.fsdecode(path)
        below = [events for events in list(self._heard) if events.holds(folder) and str(events.folder) != folder]
        for events in below:
            events.on_loss(is_complete=False)
        if below:
            self._report_once(_shortage(error))

    def _on_loss(self, path: str | None, *, is_complete: bool) -> None:
        """Record that events of one folder, or of all, were lost; called from any thread."""
        for events in list(self._heard):
            if path is None or str(events.folder) == path:
                events.on_loss(is_complete=is_complete)

    def _report_once(self, says: str) -> None:
        if says not in self._reported:
            self._reported.add(says)
            self._report(says)


def _shortage(error: OSError | RecursionError) -> str:
    """Return the sentence for a limit of the system that was reached."""
    if not isinstance(error, OSError):
        return f"a folder is nested too deep for the system's events: {INSTEAD}"
    if error.errno == errno.ENOSPC:
        return f"the system has no inotify watch left{_limit('max_user_watches')}: {INSTEAD} where it gives no events"
    if error.errno == errno.EMFILE:
        return f"the system has no inotify instance left{_limit('max_user_instances')}: {INSTEAD}"
    return f"the system gives no events ({error.strerror or shown(str(error))}): {INSTEAD}"


def _limit(name: str) -> str:
    """Return the name and value of a limit, in brackets; nothing where it can't be read."""
    try:
        return f" (fs.inotify.{name} is {int(Path('/proc/sys/fs/inotify', name).read_text('ascii'))})"
    except (OSError, ValueError):
        return ""


Shortage = Callable[[bytes, OSError], None]
Loss = Callable[..., None]
Started = tuple[BaseObserver, Callable[[], None]]

if sys.platform == "linux":
    from watchdog.observers.inotify import InotifyEmitter
    from watchdog.observers.inotify_c import CallbackId, InotifyEvent, InotifyFD, Mask, WatchCallback, WatchDescriptor

    class _Instance(InotifyFD):
        """An inotify instance whose thread survives errors, and that passes on what watchdog swallows."""

        def __init__(self, on_shortage: Shortage, on_loss: Loss) -> None:
            self._on_shortage, self._on_loss = on_shortage, on_loss
            super().__init__()

        def add_callback(self, path: bytes, mask: Mask, callback: WatchCallback, id_: CallbackId) -> WatchDescriptor:
            """Add a watch; watchdog ignores a failure below the folder that was asked for."""
            try:
                return super().add_callback(path, mask, callback, id_)
            except OSError as error:
                if error.errno not in (errno.ENOENT, errno.ENOTDIR):
                    self._on_shortage(path, error)
                raise

        def handle_event(self, event: InotifyEvent) -> None:
            """Handle an event; an error, such as folders nested too deep, must not end the thread."""
            try:
                super().handle_event(event)
            except Exception:  # noqa: BLE001 - whatever it is, the other folders' events go on
                self._on_loss(None, is_complete=False)
            if event.is_queue_overflow:
                self._on_loss(None, is_complete=True)

    class _Emitter(InotifyEmitter):
        """The thread that emits the events of one folder; an error must not end it silently."""

        def __init__(
            self,
            event_queue: EventQueue,
            watch: ObservedWatch,
            *,
            timeout: float,
            event_filter: list[type[FileSystemEvent]] | None,
            inotify_fd: InotifyFD,
            on_loss: Loss,
        ) -> None:
            super().__init__(event_queue, watch, timeout=timeout, event_filter=event_filter, inotify_fd=inotify_fd)
            self._on_loss = on_loss

        def queue_events(self, timeout: float, *, full_events: bool = False) -> None:
            """Emit the next event."""
            try:
                super().queue_events(timeout, full_events=full_events)
            except Exception:  # noqa: BLE001 - whatever it is, the folder is listed instead
                self._on_loss(str(self.watch.path), is_complete=False)

    def _started(on_shortage: Shortage, on_loss: Loss) -> Started:
        """Return a running observer, and what ends its inotify instance. Raises OSError."""
        instance = _Instance(on_shortage, on_loss)
        instance.start()
        observer = BaseObserver(_Emitter, inotify_fd=instance, on_loss=on_loss)
        observer.start()

        def end() -> None:
            instance.stop()
            instance.join()

        return observer, end

else:
    from watchdog.observers import Observer

    def _started(on_shortage: Shortage, on_loss: Loss) -> Started:
        """Return a running observer, and what ends it beside. Raises OSError."""
        del on_shortage, on_loss
        observer = Observer()
        observer.start()
        return observer, lambda: None
