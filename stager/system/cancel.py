"""Whether this process was told to stop: long reads ask between blocks, so that stopping does not wait for them."""

from threading import Event
from typing import Final

from stager.errors import Stopped

_TOLD: Final = Event()


def request_stop() -> None:
    """Request that every read in progress stops at its next block."""
    _TOLD.set()


def allow_work() -> None:
    """Take the request back, at the beginning of new work."""
    _TOLD.clear()


def is_stopping() -> bool:
    """Return whether a stop was requested."""
    return _TOLD.is_set()


def check_stop() -> None:
    """End here where a stop was requested.

    Raises:
        Stopped: where it was.
    """
    if _TOLD.is_set():
        raise Stopped("told to stop")
