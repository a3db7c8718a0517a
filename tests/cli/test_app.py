"""The commands: exit statuses as published, help without heavy rooms, errors as one sentence."""

import json
import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from stager import __version__
from stager.cli import app as room
from stager.cli.app import app
from stager.cli.exits import Exit
from stager.errors import NoSpace, Stopped
from stager.staging.publish import staging
from stager.watch import daemon, project_watch, supervisor
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import sine_block, white_noise
from tests.support.wavefile import float_wav, wav

COMMANDS = ("demo", "new", "stage", "watch", "measure", "schema")


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Return a folder in memory: every stem syncs several times."""
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
        "PIPE_CLOSED": 141,
        "TERMINATED": 143,
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


LIGHT = (
    "new {new}",
    "status {song}",
    "status {song} --json",
    "schema",
    "steps",
    "explain",
    "explain clipped",
    "explain xyz",
)
HEAVY = ("numpy", "numba", "llvmlite", "scipy", "soundfile", "pedalboard", "watchdog", "distributed")
SHOW_LOADED = f"""
import atexit, sys
from stager.cli.app import main
atexit.register(lambda: print("loaded:", *sorted(set({HEAVY}) & set(sys.modules)), file=sys.stderr))
main()
"""


@pytest.mark.parametrize("line", LIGHT)
def test_commands_that_measure_nothing_load_no_arrays(line: str, tmp_path: Path) -> None:
    """What reads no audio starts at once: neither numpy nor numba is loaded, with a step in the project file too."""
    (tmp_path / "stager.toml").write_text('[[step]]\nuse = "high_pass"\nmatch = ["voice*"]\ncutoff_hz = 60\n')
    words = [word.format(new=tmp_path / "new", song=tmp_path) for word in line.split()]
    done = subprocess.run([sys.executable, "-c", SHOW_LOADED, *words], capture_output=True, text=True, check=False)
    assert done.returncode == (Exit.NOTHING_RAN if "xyz" in line else Exit.DONE), done.stderr
    assert done.stderr.splitlines()[-1].strip() == "loaded:"


def test_what_is_loaded_would_be_seen(tmp_path: Path) -> None:
    """Control: `measure` does load numpy, and the same look at its process shows that."""
    (tmp_path / "text.wav").write_text("no audio")
    words = [sys.executable, "-c", SHOW_LOADED, "measure", str(tmp_path / "text.wav")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert "numpy" in done.stderr.splitlines()[-1].split()


def test_stage(tmp_path: Path) -> None:
    """All stems staged is 0; results go to stdout, talk to stderr."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(white_noise(4800, rms=0.02)), age_s=100.0)
    found = stager("stage", tmp_path)
    assert found.exit_code == Exit.DONE
    assert "a.wav" in found.stdout
    assert "staged a.wav" in found.stderr
    assert {"a.wav", "a.wav.json", "report.csv", "report.json"} <= set(tree(song.outbox))


def test_stage_as_json(tmp_path: Path) -> None:
    """With --json stdout is the one document."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(white_noise(4800, rms=0.02)), age_s=100.0)
    document = json.loads(stager("stage", tmp_path, "--json").stdout)
    assert document["schema"] == "stager/stage/1"
    assert document["outcomes"] == [json.loads((song.outbox / "a.wav.json").read_bytes())]


def test_refused_stem_is_status_one(tmp_path: Path) -> None:
    """A refused stem beside good ones is 1."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(white_noise(4800, rms=0.02)), age_s=100.0)
    written(song.inbox / "b.wav", b"text", age_s=100.0)
    assert stager("stage", tmp_path).exit_code == Exit.SOME
    assert (song.outbox / "a.wav").exists()


@pytest.mark.parametrize(
    ("options", "status"), [([], 0), (["--fail-on", "listen"], 1), (["--fail-on", "play_again"], 1)]
)
def test_verdict_worse_than_allowed(tmp_path: Path, options: list[str], status: int) -> None:
    """A clipped stem is staged, and fails a run only where that is asked for."""
    samples = sine_block(997.0, 0.5, peak=0.3)
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
        written(song.inbox / name, wav(white_noise(4800, rms=0.02)), age_s=100.0)
    stager("stage", tmp_path, "--only", "b*")
    assert (song.outbox / "b.wav").exists()
    assert not (song.outbox / "a.wav").exists()


def test_dry_run_writes_nothing(tmp_path: Path) -> None:
    """A dry run shows the decision and leaves every file as it was."""
    written(project(tmp_path).inbox / "a.wav", wav(white_noise(4800, rms=0.02)), age_s=100.0)
    before = tree(tmp_path)
    found = stager("stage", tmp_path, "--dry-run", "--json")
    assert found.exit_code == Exit.DONE
    assert json.loads(found.stdout)["outcomes"][0]["copy"] is None
    assert tree(tmp_path) == before


def test_dry_run_refuses_as_the_run_does(tmp_path: Path) -> None:
    """What the run would refuse is status 1 in a dry run, with the same outcome."""
    song = project(tmp_path, '[target]\nrule = "leave"\n[copy]\nencoding = "PCM_24"\n')
    written(song.inbox / "a.wav", float_wav(sine_block(997.0, 0.5, peak=1.5)), age_s=100.0)
    dry, real = stager("stage", tmp_path, "--dry-run", "--json"), stager("stage", tmp_path, "--json")
    assert (dry.exit_code, dry.stdout) == (Exit.SOME, real.stdout)
    assert real.exit_code == Exit.SOME
    assert json.loads(dry.stdout)["outcomes"][0]["refused"] == "would_clip"


def test_copy_edited_by_hand_stays(tmp_path: Path) -> None:
    """A copy that a person edited stays, and the next run says that its own lies beside it."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(white_noise(4800, rms=0.02)), age_s=100.0)
    assert stager("stage", tmp_path).exit_code == Exit.DONE
    later = (song.outbox / "a.wav.json").stat().st_mtime + 1.0
    (song.outbox / "a.wav").write_bytes(b"edited")
    os.utime(song.outbox / "a.wav", (later, later))
    found = stager("stage", tmp_path)
    assert found.exit_code == Exit.DONE
    assert "a.wav, which is yours, another project's or altered since, stays; the copy lies beside it" in found.stderr
    assert (song.outbox / "a.wav").read_bytes() == b"edited"
    assert (song.outbox / "a.v2.wav.json").exists()


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
    written(song.inbox / "a.wav", wav(white_noise(100)), age_s=100.0)
    with staging(song):
        found = stager("stage", tmp_path)
    assert found.exit_code == Exit.NOTHING_RAN
    assert "already watched or staged by process" in found.stderr


def test_outbox_that_is_a_file(tmp_path: Path) -> None:
    """A file where the outbox should be is told as one sentence."""
    song = project(tmp_path)
    song.outbox.rmdir()
    song.outbox.touch()
    written(song.inbox / "a.wav", wav(white_noise(100)), age_s=100.0)
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


def test_stopped_work_is_130(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work that ended because the process was told to stop has the status of the stop, and no traceback."""

    class Ended:
        @staticmethod
        def run(**_options: object) -> Exit:
            raise Stopped("told to stop")

    monkeypatch.setattr(room.importlib, "import_module", lambda _name: Ended)
    found = stager("schema")
    assert (found.exit_code, found.output) == (Exit.INTERRUPTED, "")


def command(*args: object, **options: Any) -> "subprocess.Popen[str]":
    """Start the command as a process of its own."""
    given = [sys.executable, "-m", "stager", *map(str, args)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    return subprocess.Popen(given, **{**pipes, **options})


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGTERM, Exit.TERMINATED), (signal.SIGINT, Exit.INTERRUPTED)], ids=["term", "int"]
)
def test_signal_ends_a_run(tmp_path: Path, number: signal.Signals, status: Exit) -> None:
    """A run that is told to stop ends at once with the signal's status, without a traceback, and leaves no draft."""
    song = project(tmp_path, "[project]\nsettle_s = 3.0\n")
    written(song.inbox / "a.wav", wav(white_noise(4800, rms=0.02)), age_s=100.0)
    written(song.inbox / "b.wav", wav(white_noise(4800, rms=0.02)))
    begun_s = time.monotonic()
    with command("stage", tmp_path) as process:
        while not (song.state / "lock").exists() and process.poll() is None:
            time.sleep(0.01)
        time.sleep(0.3)
        process.send_signal(number)
        out, err = process.communicate(timeout=30.0)
    assert (process.returncode, out) == (status, "")
    assert "Traceback" not in err
    assert time.monotonic() - begun_s < 30.0
    assert not list(tmp_path.rglob("*.tmp"))


PRINTED = pytest.mark.parametrize("args", [("--version",), ("--help",), ("schema",)], ids=["version", "help", "schema"])
BUFFERED = pytest.mark.parametrize("unbuffered", ["", "1"], ids=["at the end", "line by line"])


@PRINTED
@BUFFERED
def test_closed_pipe_is_141(args: tuple[str, ...], unbuffered: str) -> None:
    """Where the reader went away, whether little or much was left to print, it ends with one status and no word."""
    with command(*args, env={**os.environ, "PYTHONUNBUFFERED": unbuffered}) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        says = process.stderr.read()
    assert (process.returncode, says) == (Exit.PIPE_CLOSED, "")


@PRINTED
@BUFFERED
def test_result_that_can_not_be_printed(args: tuple[str, ...], unbuffered: str) -> None:
    """Where the disk that takes the result is full, that is one sentence, and no success."""
    environment = {**os.environ, "PYTHONUNBUFFERED": unbuffered}
    with Path("/dev/full").open("w") as full, command(*args, stdout=full, env=environment) as process:
        assert process.stderr is not None
        says = process.stderr.read()
    assert (process.returncode, says) == (
        Exit.NOTHING_RAN,
        "stager: expected to print the result, found: No space left on device\n",
    )


def test_terminal_without_the_letters(tmp_path: Path) -> None:
    """What the terminal can't show is escaped, and the run is done."""
    song = project(tmp_path)
    written(song.inbox / "caf\u00e9.wav", wav(white_noise(4800, rms=0.02)), age_s=100.0)
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    with command("stage", tmp_path, env=environment) as process:
        out, err = process.communicate(timeout=60.0)
    assert process.returncode == Exit.DONE
    assert r"caf\xe9.wav" in out
    assert r"staged caf\xe9.wav" in err


def test_mistakes_of_our_own_are_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is no error of ours on purpose is a sentence with its traceback, and without terminal escapes; exit 2."""

    class Broken:
        @staticmethod
        def run(**_options: object) -> Exit:
            raise ZeroDivisionError("\x1b[31mred")

    monkeypatch.setattr(room.importlib, "import_module", lambda _name: Broken)
    found = stager("schema")
    assert found.exit_code == Exit.NOTHING_RAN
    assert found.stderr.startswith(
        r"stager: schema: expected no error inside stager, found ZeroDivisionError: \x1b[31mred"
    )
    assert "\nTraceback (most recent call last):\n" in found.stderr
    assert "\x1b" not in found.stderr


def test_new(tmp_path: Path) -> None:
    """A new project has its file and folders, and can be staged as it is."""
    found = stager("new", tmp_path / "song")
    assert found.exit_code == Exit.DONE
    assert sorted(path.name for path in (tmp_path / "song").iterdir()) == [
        ".stager",
        "bounces",
        "staged",
        "stager.toml",
    ]
    assert stager("stage", tmp_path / "song").exit_code == Exit.DONE


def test_new_says_what_can_be_pasted(tmp_path: Path) -> None:
    """What to run next can be pasted into a shell, whatever the folder is called."""
    folder = tmp_path / "it's a song"
    (line,) = [line for line in stager("new", folder).stderr.splitlines() if "stager stage" in line]
    assert shlex.split(line.split("then: ")[1]) == ["stager", "stage", str(folder)]


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
    path = written(tmp_path / "a.wav", wav(sine_block(997.0, 1.0)))
    found = stager("measure", path, "--json", "--reference", "square")
    document = json.loads(found.stdout)
    assert (document["schema"], found.exit_code) == ("stager/measure/1", 0)
    (stem,) = document["stems"]
    assert list(stem) == ["source", "levels", "findings", "verdict", "advice"]
    assert stem["levels"]["average_reference"] == "square"
    assert stem["levels"]["average_dbfs"] == pytest.approx(-3.01, abs=0.01)


def test_measure_for_people(tmp_path: Path) -> None:
    """The table names the file and says what its levels mean."""
    path = written(tmp_path / "a.wav", wav(sine_block(997.0, 1.0, peak=0.5)))
    found = stager("measure", path)
    assert "a.wav" in found.stdout
    assert "-6.02" in found.stdout
    assert "full-scale sine reads 0" in found.stdout


BAD = {
    "text": (b"text", "unreadable", None),
    "not finite": (float_wav(white_noise(100) * float("inf")), None, "corrupt"),
    "cut short": (wav(white_noise(4800))[:-999], None, "corrupt"),
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
    path = written(tmp_path / "a.wav", wav(white_noise(4800)), age_s=100.0)
    before = tree(tmp_path), path.stat().st_mtime_ns
    stager("measure", path)
    assert (tree(tmp_path), path.stat().st_mtime_ns) == before


def test_watch_until_idle(tmp_path: Path) -> None:
    """A watch that ends by itself is 0, and has staged what was there."""
    song = project(tmp_path, "[project]\nsettle_s = 0.0\n")
    written(song.inbox / "a.wav", wav(white_noise(4800, rms=0.02)))
    found = stager("watch", tmp_path, "--poll", "--until-idle", "0.1")
    assert found.exit_code == Exit.DONE
    assert "staged a.wav" in found.stderr
    assert (song.outbox / "a.wav.json").exists()


def test_watch_of_a_project_named_twice(tmp_path: Path) -> None:
    """The same project by two names is told, before anything is begun."""
    song = project(tmp_path)
    found = stager("watch", tmp_path, tmp_path / "stager.toml", "--until-idle", "0")
    assert found.exit_code == Exit.NOTHING_RAN
    assert found.stderr == "stager: expected different projects to watch, found one of them named twice\n"
    assert not song.state.exists()


def test_watch_of_a_place_that_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A watch that is to end by itself, and whose outbox keeps failing, is no success."""
    project(tmp_path)

    def failing(*_given: object) -> None:
        raise NoSpace("the disk is full")

    monkeypatch.setattr(project_watch, "write_tables", failing)
    for where in (daemon, supervisor):
        monkeypatch.setattr(where, "PAUSE_S", 0.1)
    found = stager("watch", tmp_path, "--poll", "--until-idle", "0")
    assert found.exit_code == Exit.NOTHING_RAN
    assert found.stderr.endswith("stager: the disk is full\n")


def test_watch_of_a_project_that_is_missing(tmp_path: Path) -> None:
    """A watch of a missing project ran nothing."""
    assert stager("watch", tmp_path / "gone", "--until-idle", "0").exit_code == Exit.NOTHING_RAN
