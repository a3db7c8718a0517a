"""Where a user's own data lies on each system."""

from pathlib import Path

import pytest

from stager.errors import PlaceGone
from stager.system.user_folder import user_folder


@pytest.mark.parametrize(
    ("platform", "environ", "expected"),
    [
        ("linux", {"HOME": "/home/a"}, "/home/a/.local/share/stager"),
        ("linux", {"HOME": "/home/a", "XDG_DATA_HOME": "/data/a"}, "/data/a/stager"),
        ("linux", {"HOME": "/home/a", "XDG_DATA_HOME": "data"}, "/home/a/.local/share/stager"),
        ("linux", {"HOME": "/home/a", "XDG_DATA_HOME": ""}, "/home/a/.local/share/stager"),
        ("darwin", {"HOME": "/Users/a"}, "/Users/a/Library/Application Support/stager"),
        ("win32", {"USERPROFILE": "/c/a"}, "/c/a/AppData/Local/stager"),
        ("win32", {"USERPROFILE": "/c/a", "LOCALAPPDATA": "/c/a/data"}, "/c/a/data/stager"),
    ],
)
def test_folder(platform: str, environ: dict[str, str], expected: str) -> None:
    """XDG Base Directory Specification 0.8: an empty or relative `XDG_DATA_HOME` counts as not set."""
    assert user_folder(environ, platform) == Path(expected)


def test_nobody_at_home() -> None:
    """Without a home the error says what is missing."""
    with pytest.raises(PlaceGone, match="HOME is not set"):
        user_folder({}, "linux")
