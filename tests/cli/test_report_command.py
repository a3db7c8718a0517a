"""`stager report` as a command: what it writes, prints and says, and that it needs neither lock nor inbox."""

from collections.abc import Iterator

import pytest

from stager.cli import report_command as room
from stager.cli import set_check
from stager.cli.exits import Exit
from stager.errors import PlaceGone
from stager.project import Project
from stager.project.inbox import stems_in
from stager.staging.batch import stage_all
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav

NAMES = ["report.html", "report.csv", "report.json", "notes.md"]


@pytest.fixture
def song() -> Iterator[Project]:
    """Return a project with one quiet stem, staged."""
    with in_memory() as folder:
        found = project(folder)
        written(found.inbox / "a.wav", wav(white_noise(24_000, rms=0.02)), age_s=100.0)
        with staging(found) as held:
            stage_all(held, stems_in(found), again=False, on_outcome=lambda _news: None, executor=ExecutorChoice(1))
        yield found


def test_it_writes_four_files_and_names_them(song: Project, capsys: pytest.CaptureFixture[str]) -> None:
    """Each report lies in the outbox, and its path is a line on stdout; the caution goes to stderr."""
    assert room.run(project=song.folder) is Exit.DONE
    out, err = capsys.readouterr()
    assert out.splitlines() == [f"{song.outbox}/{name}" for name in NAMES]
    assert err.startswith("Caution: one copy is more than 6 dB louder")
    assert all((song.outbox / name).is_file() for name in NAMES)


def test_everything_else_stays(song: Project) -> None:
    """All else is as it was, but for the examination of the set, and the record of what was written."""
    before = tree(song.folder)
    room.run(project=song.folder)
    after = tree(song.folder)
    written = (*NAMES, ".stager/check.json", ".stager/reports.json", ".stager/reports.lock")
    assert {name: content for name, content in after.items() if not name.endswith(written)} == before


def test_beside_a_running_stage(song: Project) -> None:
    """The project's lock is another's, and the report is written all the same."""
    with staging(song):
        assert room.run(project=song.folder) is Exit.DONE


def test_without_the_inbox(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the disk with the originals is away, the report is written from the logs."""

    def gone(_project: Project) -> str:
        raise PlaceGone("away")

    monkeypatch.setattr(set_check, "state_of", gone)
    assert room.run(project=song.folder) is Exit.DONE
    assert "a.wav" in (song.outbox / "report.html").read_text("utf-8")


def test_before_anything_was_staged(capsys: pytest.CaptureFixture[str]) -> None:
    """A new project gets reports without stems, and a sentence."""
    with in_memory() as folder:
        assert room.run(project=project(folder).folder) is Exit.DONE
    assert "No stem has been staged here yet." in capsys.readouterr().err
