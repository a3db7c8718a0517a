"""The commands: exit statuses as published, help without heavy rooms, errors as one sentence."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from stager import __version__
from stager.cli import app as room
from stager.cli.app import app
from stager.cli.exits import Exit
from stager.staging import staging
from tests.making import float_wav, in_memory, noise, project, sine, tree, wav, written

COMMANDS = ("demo", "new", "stage", "watch", "measure", "schema")


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Give a folder in memory: every stem syncs several times."""
    with in_memory() as folder:
        yield folder


def stager(*args: object) -> Result:
    return CliRunner().invoke(app, list(map(str, args)))


def test_published_statuses() -> None:
    """Scripts read these numbers."""
    assert {status.name: status.value for status in Exit} == {
        "DONE": 0,
        "SOME": 1,
        "NOTHING_RAN": 2,
        "INTERRUPTED": 130,
    }


def test_version() -> None:
    """The version is printed as the package states it."""
    assert (stager("--version").stdout, stager("--version").exit_code) == (f"stager {__version__}\n", 0)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_each_command(command: str) -> None:
    """Every command explains itself."""
    found = stager(command, "--help")
    assert found.exit_code == 0
    assert "--help" in found.stdout


def test_help_loads_no_heavy_room() -> None:
    """Asking for help waits for neither numpy nor numba, watchdog nor sqlite."""
    heavy = "numpy numba scipy watchdog sqlite3 soundfile pedalboard pydantic"
    code = f"import sys, stager.cli.app; print(*(set('{heavy}'.split()) & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "\n"


def test_stage(tmp_path: Path) -> None:
    """All stems staged is 0; results go to stdout, talk to stderr."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(noise(4800, rms=0.02)), age_s=100.0)
    found = stager("stage", tmp_path)
    assert found.exit_code == Exit.DONE
    assert "a.wav" in found.stdout
    assert "staged a.wav" in found.stderr
    assert {"a.wav", "a.wav.json", "report.csv", "report.json"} <= set(tree(song.outbox))


def test_stage_as_json(tmp_path: Path) -> None:
    """With --json stdout is the one document."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(noise(4800, rms=0.02)), age_s=100.0)
    document = json.loads(stager("stage", tmp_path, "--json").stdout)
    assert document["schema"] == "stager/stage/1"
    assert document["outcomes"] == [json.loads((song.outbox / "a.wav.json").read_bytes())]


def test_refused_stem_is_status_one(tmp_path: Path) -> None:
    """A refused stem beside good ones is 1."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(noise(4800, rms=0.02)), age_s=100.0)
    written(song.inbox / "b.wav", b"text", age_s=100.0)
    assert stager("stage", tmp_path).exit_code == Exit.SOME
    assert (song.outbox / "a.wav").exists()


@pytest.mark.parametrize(
    ("options", "status"), [([], 0), (["--fail-on", "listen"], 1), (["--fail-on", "play_again"], 1)]
)
def test_verdict_worse_than_allowed(tmp_path: Path, options: list[str], status: int) -> None:
    """A clipped stem is staged, and fails a run only where that is asked for."""
    samples = sine(997.0, 0.5, peak=0.3)
    samples[100:120] = 1.0
    written(project(tmp_path).inbox / "a.wav", wav(samples, 16), age_s=100.0)
    assert stager("stage", tmp_path, *options).exit_code == status


def test_empty_inbox_is_done(tmp_path: Path) -> None:
    """Nothing to do is 0, with a sentence and empty outcomes."""
    project(tmp_path)
    found = stager("stage", tmp_path, "--json")
    assert found.exit_code == Exit.DONE
    assert json.loads(found.stdout)["outcomes"] == []
    assert "Nothing to stage" in found.stderr


def test_only_what_matches(tmp_path: Path) -> None:
    """--only stages what matches and nothing else."""
    song = project(tmp_path)
    for name in ("a.wav", "b.wav"):
        written(song.inbox / name, wav(noise(4800, rms=0.02)), age_s=100.0)
    stager("stage", tmp_path, "--only", "b*")
    assert (song.outbox / "b.wav").exists()
    assert not (song.outbox / "a.wav").exists()


def test_dry_run_writes_nothing(tmp_path: Path) -> None:
    """A dry run shows the decision and leaves every file as it was."""
    written(project(tmp_path).inbox / "a.wav", wav(noise(4800, rms=0.02)), age_s=100.0)
    before = tree(tmp_path)
    found = stager("stage", tmp_path, "--dry-run", "--json")
    assert found.exit_code == Exit.DONE
    assert json.loads(found.stdout)["outcomes"][0]["copy"] is None
    assert tree(tmp_path) == before


def test_no_project_is_status_two(tmp_path: Path) -> None:
    """Without a project file nothing ran: one sentence, and what to do."""
    found = stager("stage", tmp_path)
    assert found.exit_code == Exit.NOTHING_RAN
    assert found.stdout == ""
    assert found.stderr.startswith("stager: no project file at")
    assert "stager new" in found.stderr


def test_bad_project_file_is_status_two(tmp_path: Path) -> None:
    """A mistake in the project file is told with its line."""
    (tmp_path / "stager.toml").write_text("[target]\nlevl_db = -18.0\n")
    found = stager("stage", tmp_path)
    assert found.exit_code == Exit.NOTHING_RAN
    assert "stager.toml:2:" in found.stderr


def test_locked_project_is_status_two(tmp_path: Path) -> None:
    """A project that another process stages is told with that process."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(noise(100)), age_s=100.0)
    with staging(song):
        found = stager("stage", tmp_path)
    assert found.exit_code == Exit.NOTHING_RAN
    assert "already watched or staged by process" in found.stderr


def test_outbox_that_is_a_file(tmp_path: Path) -> None:
    """A file where the outbox should be is told as one sentence."""
    song = project(tmp_path)
    song.outbox.rmdir()
    song.outbox.touch()
    written(song.inbox / "a.wav", wav(noise(100)), age_s=100.0)
    found = stager("stage", tmp_path)
    assert found.exit_code == Exit.NOTHING_RAN
    assert "staged" in found.stderr


@pytest.mark.parametrize(
    "args", [("stage", "--jobs", "0"), ("nothing",), ("measure",), ("stage", "--fail-on", "usable")]
)
def test_wrong_call_is_status_two(args: tuple[str, ...]) -> None:
    """A call that can't be understood ran nothing."""
    assert stager(*args).exit_code == Exit.NOTHING_RAN


def test_interrupted_is_130(monkeypatch: pytest.MonkeyPatch) -> None:
    """SIGINT has its own status, and no traceback."""

    class Interrupted:
        @staticmethod
        def run(**_options: object) -> Exit:
            raise KeyboardInterrupt

    monkeypatch.setattr(room.importlib, "import_module", lambda _name: Interrupted)
    assert stager("schema").exit_code == Exit.INTERRUPTED


def test_mistakes_of_our_own_are_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is no error of ours on purpose comes through with its traceback."""

    class Broken:
        @staticmethod
        def run(**_options: object) -> Exit:
            raise ZeroDivisionError

    monkeypatch.setattr(room.importlib, "import_module", lambda _name: Broken)
    assert isinstance(stager("schema").exception, ZeroDivisionError)


def test_new(tmp_path: Path) -> None:
    """A new project has its file and folders, and can be staged as it is."""
    found = stager("new", tmp_path / "song")
    assert found.exit_code == Exit.DONE
    assert sorted(path.name for path in (tmp_path / "song").iterdir()) == ["bounces", "staged", "stager.toml"]
    assert stager("stage", tmp_path / "song").exit_code == Exit.DONE


def test_new_where_there_is_one(tmp_path: Path) -> None:
    """A project that is there stays as it is."""
    written(tmp_path / "stager.toml", b"# mine\n")
    found = stager("new", tmp_path)
    assert found.exit_code == Exit.NOTHING_RAN
    assert tree(tmp_path) == {"stager.toml": b"# mine\n"}
    assert "expected no project yet" in found.stderr


def test_schema() -> None:
    """The schema of the project file is one JSON document."""
    assert json.loads(stager("schema").stdout)["type"] == "object"


def test_measure_as_json(tmp_path: Path) -> None:
    """Each file has its source, levels in the convention asked for, findings and a verdict."""
    path = written(tmp_path / "a.wav", wav(sine(997.0, 1.0)))
    found = stager("measure", path, "--json", "--reference", "square")
    document = json.loads(found.stdout)
    assert (document["schema"], found.exit_code) == ("stager/measure/1", 0)
    (stem,) = document["stems"]
    assert list(stem) == ["source", "levels", "findings", "verdict", "advice"]
    assert stem["levels"]["average_reference"] == "square"
    assert stem["levels"]["average_dbfs"] == pytest.approx(-3.01, abs=0.01)


def test_measure_for_people(tmp_path: Path) -> None:
    """The table names the file and says what its levels mean."""
    path = written(tmp_path / "a.wav", wav(sine(997.0, 1.0, peak=0.5)))
    found = stager("measure", path)
    assert "a.wav" in found.stdout
    assert "-6.02" in found.stdout
    assert "full-scale sine reads 0" in found.stdout


BAD = {
    "text": (b"text", "unreadable", None),
    "not finite": (float_wav(noise(100) * float("inf")), None, "corrupt"),
    "cut short": (wav(noise(4800))[:-999], None, "corrupt"),
}


@pytest.mark.parametrize(("content", "refused", "code"), BAD.values(), ids=BAD.keys())
def test_measure_of_a_bad_file(tmp_path: Path, content: bytes, refused: str | None, code: str | None) -> None:
    """What is no audio is refused, what is damaged is measured and called corrupt; both are 1."""
    found = stager("measure", written(tmp_path / "a.wav", content, age_s=100.0), "--json")
    (stem,) = json.loads(found.stdout)["stems"]
    assert found.exit_code == Exit.SOME
    assert stem.get("refused") == refused
    assert (stem["findings"][0]["code"] if "findings" in stem else None) == code


def test_measure_writes_nothing(tmp_path: Path) -> None:
    """Measuring leaves every file as it was, and needs no project."""
    path = written(tmp_path / "a.wav", wav(noise(4800)), age_s=100.0)
    before = tree(tmp_path), path.stat().st_mtime_ns
    stager("measure", path)
    assert (tree(tmp_path), path.stat().st_mtime_ns) == before


def test_watch_until_idle(tmp_path: Path) -> None:
    """A watch that ends by itself is 0, and has staged what was there."""
    song = project(tmp_path, "[project]\nsettle_s = 0.0\n")
    written(song.inbox / "a.wav", wav(noise(4800, rms=0.02)))
    found = stager("watch", tmp_path, "--poll", "--until-idle", "0.1")
    assert found.exit_code == Exit.DONE
    assert "staged a.wav" in found.stderr
    assert (song.outbox / "a.wav.json").exists()


def test_watch_of_a_project_that_is_missing(tmp_path: Path) -> None:
    """A watch of a missing project ran nothing."""
    assert stager("watch", tmp_path / "gone", "--until-idle", "0").exit_code == Exit.NOTHING_RAN
