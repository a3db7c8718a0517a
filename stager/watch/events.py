"""The only door to watchdog: tells that something happened below a folder, never what is true there."""

import queue
from pathlib import Path
from typing import Final

from watchdog.events import EVENT_TYPE_CLOSED_NO_WRITE, EVENT_TYPE_OPENED, FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

OWN_READS: Final = (EVENT_TYPE_OPENED, EVENT_TYPE_CLOSED_NO_WRITE)
"""What our own reading causes; a daemon that listens to it sees itself."""


class _Enqueue(FileSystemEventHandler):
    """Puts a path on a queue, no more: an exception here would end watchdog's thread without a word."""

    def __init__(self, paths: queue.SimpleQueue[str | bytes]) -> None:
        self._paths = paths

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Take a hint."""
        if event.event_type not in OWN_READS:
            self._paths.put(event.src_path)


class Events:
    """Listens below a folder until it is closed; `works` is False where the system gives no events there."""

    def __init__(self, folder: Path) -> None:
        self._paths: queue.SimpleQueue[str | bytes] = queue.SimpleQueue()
        self._observer = Observer()
        self.works = True
        try:
            self._observer.schedule(_Enqueue(self._paths), str(folder), recursive=True)
            self._observer.start()
        except OSError:
            self.works = False

    def happened(self) -> bool:
        """Say whether anything happened since the last call."""
        any_path = not self._paths.empty()
        while not self._paths.empty():
            self._paths.get_nowait()
        return any_path

    def close(self) -> None:
        """Stop listening."""
        if self.works:
            self._observer.stop()
            self._observer.join()
