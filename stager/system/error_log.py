"""The file of tracebacks of unexpected errors, beside the ledger; its last part can be copied into a fault report."""

import platform
import sys
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from stager.errors import PlaceError
from stager.system.files import is_folder, read_whole, write_passing

ERROR_LOG: Final = "errors.log"
MOST_BYTES: Final = 256 << 10
"""The length of the file; older tracebacks are dropped."""


def log_traceback(folder: Path, name: str, traceback: str, version: str) -> Path:
    """Add a traceback to the file in this folder and return its place; that it can't be written stops nothing."""
    place = folder / ERROR_LOG
    at = datetime.now(UTC).isoformat(timespec="seconds")
    head = f"{at} {name}: stager {version}, Python {platform.python_version()}, {sys.platform}"
    with suppress(PlaceError):
        if is_folder(folder):
            write_passing(
                place, ((read_whole(place) or b"") + f"{head}\n{traceback}\n".encode("utf-8", "replace"))[-MOST_BYTES:]
            )
    return place
