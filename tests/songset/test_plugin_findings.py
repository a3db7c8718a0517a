"""Checks that are plug-ins over a whole set, and what is said of steps beside the balance."""

from pathlib import Path

import numpy as np
import pytest

from stager.model import Verdict
from stager.model.bus import BalanceResidual
from stager.plugins.projects import load_project
from stager.project import Project
from stager.songset.gather import Gathered, gather
from stager.songset.plugin_findings import plugin_findings, with_stepped_stems
from tests.support import wavefile

RATE_HZ = 48_000
PLUGINS = Path(__file__).parent.parent / "support" / "own_plugins.py"
LEVELS = {"bass.wav": 0.1, "harp.wav": 0.1, "kick.wav": 0.4}
BALANCE = BalanceResidual(
    parts=2, residual_peak_dbfs=None, residual_rms_dbfs=None, expected_rms_dbfs=None, restored=True, says="All is well."
)


def gathered(folder: Path, toml: str) -> tuple[Project, list[Gathered]]:
    """A set of three tones, none of them staged."""
    (folder / "bounces").mkdir()
    (folder / "own.py").write_text(PLUGINS.read_text())
    (folder / "stager.toml").write_text(f"[project]\nsettle_s = 0.0\n{toml}")
    at = np.arange(RATE_HZ) / RATE_HZ
    for name, peak in LEVELS.items():
        wavefile.write(folder / "bounces" / name, (peak * np.sin(2 * np.pi * 440 * at)).reshape(-1, 1), RATE_HZ)
    project = load_project(folder)
    stems, refused = gather(project)
    assert refused == []
    return project, stems


def test_a_check_hears_the_whole_set(tmp_path: Path) -> None:
    """Though no stem has a copy, each is asked about with the levels of both others; alike sentences are one."""
    project, stems = gathered(tmp_path, '[[plugin]]\nfile = "own.py"\nuse = "crowd"\n')
    found = {finding.stems: finding.says for finding in plugin_findings(project, stems)}
    assert found == {
        ("bass.wav", "harp.wav"): "bass.wav and harp.wav: It stands beside 2, of which 1 are louder.",
        ("kick.wav",): "kick.wav: It stands beside 2, of which 0 are louder.",
    }


def test_a_check_is_asked_about_its_own_stems(tmp_path: Path) -> None:
    """Those that its table matches; the others are still told to it."""
    project, stems = gathered(tmp_path, '[[plugin]]\nfile = "own.py"\nuse = "crowd"\nmatch = ["kick*"]\n')
    (found,) = plugin_findings(project, stems)
    assert (found.code, found.verdict, found.stems) == ("crowded", Verdict.LISTEN, ("kick.wav",))
    assert "beside 2" in found.says


@pytest.mark.long
def test_a_check_that_fails_over_the_set_is_told(tmp_path: Path) -> None:
    """With its name, once, and no other finding is lost by it."""
    toml = '[[plugin]]\nfile = "own.py"\nuse = "broken"\n[[plugin]]\nfile = "own.py"\nuse = "crowd"\n'
    project, stems = gathered(tmp_path, toml)
    codes = [finding.code for finding in plugin_findings(project, stems)]
    assert codes == ["check_failed", "crowded", "crowded"]
    assert "check 'broken' of own.py: KeyError" in plugin_findings(project, stems)[0].says


def test_a_set_without_checks_has_nothing_of_this(tmp_path: Path) -> None:
    """No process is started for nobody."""
    assert plugin_findings(*gathered(tmp_path, "")) == []


def test_steps_are_said_beside_the_balance(tmp_path: Path) -> None:
    """The stem that a filter changed is named as left out, in the sentence too; a set without steps reads as before."""
    _, stems = gathered(tmp_path, '[[step]]\nuse = "high_pass"\nmatch = ["bass*"]\n')
    told = with_stepped_stems(BALANCE, stems)
    assert [(left.name, left.reason) for left in told.left_out] == [("bass.wav", "stepped")]
    assert told.says == "All is well. Steps changed the sound of bass.wav, which no fader takes back."
    assert with_stepped_stems(BALANCE, [stem for stem in stems if not stem.steps]) is BALANCE


def test_a_set_of_stems_with_steps_claims_no_balance(tmp_path: Path) -> None:
    """Where every stem went through steps, nothing is called restored in words."""
    _, stems = gathered(tmp_path, '[[step]]\nuse = "high_pass"\nmatch = ["*"]\n')
    told = with_stepped_stems(BALANCE.model_copy(update={"parts": 0}), stems)
    assert told.says == "Steps changed the sound of bass.wav, harp.wav and kick.wav, which no fader takes back."


def test_passing_files_go_with_the_stems(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What staging would make lies in the system's folder while the set is held, and no longer."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "preview"))
    (tmp_path / "preview").mkdir()
    (tmp_path / "song").mkdir()
    _, stems = gathered(tmp_path / "song", '[[step]]\nuse = "high_pass"\nmatch = ["*"]\n')
    assert [stem.made is not None and stem.made.is_file() for stem in stems] == [True, True, True]
    del stems
    assert list((tmp_path / "preview").iterdir()) == []
