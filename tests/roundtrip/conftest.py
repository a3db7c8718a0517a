"""Every original staged once, by the installed command."""

from pathlib import Path

import pytest

from tests.roundtrip.originals import TOML, originals
from tests.support.command import Command
from tests.support.once import once
from tests.support.song import Song


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
        return str(staged(stager, tmp_path_factory.mktemp("roundtrip") / "song").folder)

    return Song(stager, Path(once(tmp_path_factory, "roundtrip-copies", work_out)))
