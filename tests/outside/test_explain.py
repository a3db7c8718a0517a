"""`stager explain` as people call it, and the package as Python people import it, each a process of its own."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

import stager as package
from tests.conftest import ROOT
from tests.support import wavefile
from tests.support.command import Command
from tests.support.signals import sine

pytestmark = pytest.mark.long

WORDS = [
    "clipped",
    "would_clip",
    "restore_fader_db",
    "pack",
    "ceiling_dbtp",
    "clip_frames",
    "true peak",
    "speed",
    "mix",
    "watch",
    "stager.stage",
]


def python(code: str) -> str:
    """Run a line of Python in a process of its own."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return done.stdout


@pytest.mark.parametrize("word", WORDS)
def test_word_is_explained_within_80_columns(stager: Command, word: str) -> None:
    """A code, a key, a column, a threshold, a measure: text on stdout, status 0, no line broken by the terminal."""
    found = stager("explain", word)
    assert found.code == 0, found.stderr
    assert len(found.stdout.splitlines()) >= 2
    assert max(map(len, found.stdout.splitlines())) <= 80


def test_unknown_word_names_the_nearest(stager: Command) -> None:
    """A slip is status 2, with what may have been meant."""
    found = stager("explain", "xyz")
    assert (found.code, found.stdout) == (2, "")
    assert "nearest: " in found.stderr
    assert "clipped" in stager("explain", "cliped").stderr


@pytest.mark.parametrize(("word", "named"), [("loud", "loudness"), ("clip", "would_clip"), ("gate", "average")])
def test_part_of_a_word_names_the_words_that_hold_it(stager: Command, word: str, named: str) -> None:
    """A part of a known word leads to it, and a word that only stands in a text leads to that entry."""
    found = stager("explain", word)
    assert found.code == 2
    assert named in found.stderr


def test_without_a_word_all_are_listed(stager: Command) -> None:
    """Whoever doesn't know the word sees which there are."""
    found = stager("explain")
    assert found.code == 0
    assert {"clipped,", "unreadable,", "tolerance_db,"} <= set(found.stdout.split())


def test_importing_loads_nothing_heavy() -> None:
    """`import stager` is at once there: neither arrays nor records are loaded before they are used."""
    heavy = "numpy numba scipy pydantic soundfile pedalboard watchdog sqlite3 typer"
    assert python(f"import sys, stager; print(*(set('{heavy}'.split()) & set(sys.modules)))") == "\n"


def test_every_public_name_is_there() -> None:
    """`__all__` is sorted and complete: each name leads somewhere, and what stands in the types stands in it."""
    assert package.__all__ == sorted(package.__all__)
    code = "import json, stager; print(json.dumps([type(getattr(stager, name)).__name__ for name in stager.__all__]))"
    assert len(json.loads(python(code))) == len(package.__all__)
    typed = (ROOT / "stager" / "__init__.py").read_text("utf-8").partition("if TYPE_CHECKING:")[2].partition("\n\n")[0]
    imported = {word.strip(" ,()") for line in typed.splitlines() for word in line.rpartition("import ")[2].split(",")}
    assert imported - {""} == set(package.__all__) - {"__version__"}


def test_verify_is_the_function_whatever_is_imported_first() -> None:
    """A room of the package has the name of a function; importing it does not take the function's place."""
    assert python("import stager.verify, stager; print(callable(stager.verify))") == "True\n"
    assert python("import stager; stager.measure; print(callable(stager.verify))") == "True\n"


def test_unknown_name_is_an_attribute_error() -> None:
    """A slip is told as Python tells it."""
    assert python("import stager; print(hasattr(stager, 'mesure'))") == "False\n"


def test_help_is_a_page() -> None:
    """`help(stager)` begins with what the package is for, and names every function with what it returns."""
    page = python("import pydoc, stager; print(pydoc.plain(pydoc.render_doc(stager)))")
    for name in ("measure(path", "load_project(path)", "stage(project", "check(project)", "verify(project)", "CAUTION"):
        assert name in page
    assert len(page.splitlines()) < 150


def test_level_of_a_file(tmp_path: Path) -> None:
    """A full-scale sine less 20 dB has an average of -20 dBFS (AES17: a full-scale sine reads 0)."""
    wavefile.write(tmp_path / "tone.wav", sine(997, -20.0, 2.0))
    code = f"import stager; print(stager.measure({str(tmp_path / 'tone.wav')!r}).levels.average_dbfs)"
    assert float(python(code)) == pytest.approx(-20.0, abs=0.01)


def test_a_song_by_python(stager: Command, tmp_path: Path) -> None:
    """The functions do what the commands do: stage, check and verify a song, refusals beside copies."""
    stager("new", tmp_path / "song")
    wavefile.write(tmp_path / "song" / "bounces" / "tone.wav", sine(440, -30.0, 1.0))
    (tmp_path / "song" / "bounces" / "text.wav").write_text("no audio")
    code = f"""
import json, stager
song = stager.load_project({str(tmp_path / "song")!r})
heard = []
outcomes = stager.stage(song, on_outcome=heard.append)
print(json.dumps({{
    "outcomes": [(o.stem, o.refused if isinstance(o, stager.Refused) else o.sidecar.trim.gain_db) for o in outcomes],
    "heard": len(heard), "stems": stager.check(song).stems, "ok": [one.ok for one in stager.verify(song)],
    "read": stager.read_sidecar((song.outbox / "tone.wav.json").read_text()).trim.gain_db}}))
"""
    found = json.loads(python(code))
    assert dict(found["outcomes"]) == {"text.wav": "unreadable", "tone.wav": pytest.approx(12.0, abs=0.11)}
    assert (found["heard"], found["stems"], found["ok"]) == (2, 1, [True])
    assert found["read"] == dict(found["outcomes"])["tone.wav"]
