"""The folder for a user's own data, which belongs to no song.

Sources: XDG Base Directory Specification 0.8, `XDG_DATA_HOME` (an absolute path, else `$HOME/.local/share`); on macOS
`Library/Application Support` and on Windows `%LOCALAPPDATA%` (common practice, no source; unproven: run on Linux only).
"""

import os
import sys
from collections.abc import Mapping
from pathlib import Path

from stager.errors import PlaceGone


def user_folder(environ: Mapping[str, str] = os.environ, platform: str = sys.platform) -> Path:
    """Return the folder of this package among a user's data; it need not be there yet.

    Raises:
        PlaceGone: where the system names no folder of the user's own.
    """
    given = environ.get("LOCALAPPDATA" if platform == "win32" else "XDG_DATA_HOME", "")
    if given and Path(given).is_absolute():
        return Path(given) / "stager"
    home = environ.get("USERPROFILE" if platform == "win32" else "HOME", "")
    if not home:
        raise PlaceGone("expected a home folder of the user's own, found none: HOME is not set")
    below = {"win32": "AppData/Local", "darwin": "Library/Application Support"}.get(platform, ".local/share")
    return Path(home) / below / "stager"
