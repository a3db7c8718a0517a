"""What every test folder shares: the repository on the path, and the installed command."""

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

LONG = (
    "tests/browser",
    "tests/bus",
    "tests/outside/test_bus_apply.py",
    "tests/outside/test_check_",
    "tests/outside/test_cluster.py",
    "tests/outside/test_faults.py",
    "tests/outside/test_handover.py",
    "tests/outside/test_hosted_effect.py",
    "tests/outside/test_links.py",
    "tests/outside/test_many_short.py",
    "tests/outside/test_own_words.py",
    "tests/outside/test_page.py",
    "tests/outside/test_pairs_truth.py",
    "tests/outside/test_plugin_package.py",
    "tests/outside/test_progress.py",
    "tests/outside/test_report.py",
    "tests/outside/test_restored_balance.py",
    "tests/outside/test_steps.py",
    "tests/outside/test_takes",
    "tests/outside/test_two_watchers.py",
    "tests/outside/test_watch.py",
    "tests/outside/test_watch_places.py",
    "tests/outside/test_writers.py",
    "tests/page/test_server.py",
    "tests/steps/test_running.py",
    "tests/test_cluster.py",
    "tests/test_errands.py",
)
"""What starts many processes, or waits for limits of seconds; `make test-long` runs it, and so does CI."""

from tests.outside.command import Command  # noqa: E402 - the line above makes it importable
from tests.outside.song import Song, SongMaker  # noqa: E402


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what takes long, so that `make test` stays short."""
    for item in items:
        if item.path.relative_to(ROOT).as_posix().startswith(LONG):
            item.add_marker(pytest.mark.long)


@pytest.fixture(scope="session")
def stager() -> Command:
    """Give the installed `stager` command; every call is a process of its own."""
    return Command()


@pytest.fixture
def make_song(stager: Command, tmp_path: Path) -> SongMaker:
    """Give a maker of project folders; the originals in them are hashed before and after every staging."""

    def make(toml: str = "", name: str = "song") -> Song:
        return Song.made(stager, tmp_path / name, toml)

    return make


@pytest.fixture
def song(make_song: SongMaker) -> Song:
    """Give a project with default settings and an empty inbox."""
    return make_song()
