"""Every original staged once, by the installed command."""

from pathlib import Path

import pytest

from tests.faithful.originals import TOML, originals
from tests.outside.command import Command
from tests.outside.song import Song
from tests.standards.once import once


def staged(stager: Command, folder: Path) -> Song:
    """Put every original into a fresh project and stage it."""
    song = Song.made(stager, folder, TOML)
    for name, original in originals().items():
        (song.inbox / name).write_bytes(original.content)
    result = song.stage()
    assert result.code == 0, result.stderr
    (song.folder / "stderr").write_text(result.stderr, "utf-8")
    return song


@pytest.fixture(scope="session")
def copies(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Every original and its copy; tests only read here."""

    def work_out() -> str:
        return str(staged(stager, tmp_path_factory.mktemp("faithful") / "song").folder)

    return Song(stager, Path(once(tmp_path_factory, "faithful-copies", work_out)))
