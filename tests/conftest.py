"""What every test folder shares: the repository on the path, and the installed command."""

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from tests.support.command import Command  # noqa: E402 - the line above makes it importable
from tests.support.song import Song, SongMaker  # noqa: E402


@pytest.fixture(scope="session")
def stager() -> Command:
    """Return the installed `stager` command; every call is a process of its own."""
    return Command()


@pytest.fixture
def make_song(stager: Command, tmp_path: Path) -> SongMaker:
    """Return a maker of project folders; the originals in them are hashed before and after every staging."""

    def make(toml: str = "", name: str = "song") -> Song:
        return Song.made(stager, tmp_path / name, toml)

    return make


@pytest.fixture
def song(make_song: SongMaker) -> Song:
    """Return a project with default settings and an empty inbox."""
    return make_song()
