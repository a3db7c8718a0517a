"""Names of temporary files (drafts), and how abandoned ones are recognised.

A draft names the process that writes it. Where processes of several machines write into one folder, that number says
nothing: there a draft carries the mark of the run that asked for it, with the number of the process that leads the run.
"""

import itertools
import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Final

from stager.system.processes import is_running

DRAFT_PREFIX: Final = ".stager-"
DRAFT_SUFFIX: Final = ".tmp"
_LEADER: Final = re.compile(r"(?:run)?(\d+)[-x]")
_NUMBERS = itertools.count()
_MARK: ContextVar[str] = ContextVar("mark", default="")


def new_mark() -> str:
    """Return a mark for one run that this process leads."""
    return f"run{os.getpid()}x{secrets.token_hex(6)}"


@contextmanager
def marked(mark: str) -> Iterator[None]:
    """Put a run's mark into the names of this thread's drafts, inside the context."""
    token = _MARK.set(mark)
    try:
        yield
    finally:
        _MARK.reset(token)


def draft_name() -> str:
    """Return a name that no other draft has, of this process or of another machine's in the same run."""
    mark = _MARK.get()
    told = f"{mark}-{secrets.token_hex(6)}" if mark else f"{os.getpid()}-{next(_NUMBERS)}"
    return f"{DRAFT_PREFIX}{told}{DRAFT_SUFFIX}"


def sign_name(mark: str) -> str:
    """Return the name of the file that is there while a run goes on."""
    return f"{DRAFT_PREFIX}{mark}-run{DRAFT_SUFFIX}"


def is_leftover(name: str) -> bool:
    """Return whether a file is an abandoned draft, as seen by whoever holds the project and has none in progress."""
    return _is_draft(name) and not _is_alive(name)


def is_of_run(name: str, mark: str) -> bool:
    """Return whether a file is a draft of this run."""
    return _is_draft(name) and name.startswith(f"{DRAFT_PREFIX}{mark}-")


def _is_draft(name: str) -> bool:
    return name.startswith(DRAFT_PREFIX) and name.endswith(DRAFT_SUFFIX)


def _is_alive(draft: str) -> bool:
    """Whether the process that began a draft or asked for it, another than this one, still runs."""
    leader = _LEADER.match(draft.removeprefix(DRAFT_PREFIX))
    return leader is not None and int(leader[1]) != os.getpid() and is_running(int(leader[1]))
