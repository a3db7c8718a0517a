"""The example project files, each staged on small stems made for it."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.conftest import ROOT
from tests.support import reference_levels, wavefile
from tests.support.command import Command
from tests.support.signals import faded, sine

STEMS: dict[str, dict[str, str | None]] = {
    "songwriter.toml": {
        "voice_lead.wav": "voice",
        "fiddle.wav": "bowed strings",
        "guitar_nylon.wav": "plucked strings",
        "frame drum 1.wav": "hand percussion",
        "click.wav": "guide",
        "piano.wav": None,
    },
    "five_piece_band.toml": {
        "drums/kick_in.wav": "close drums",
        "drums/overhead_L.wav": "cymbals and room",
        "drums/overhead_R.wav": "cymbals and room",
        "percussion/shaker.wav": "hand percussion",
        "bass/bass_di.wav": "bass",
        "guitars/rhythm_L.wav": "left guitar",
        "guitars/rhythm_R.wav": "right guitar",
        "keys/organ.wav": "keys",
        "voices/lead.wav": "voices",
    },
    "spoken_word.toml": {
        "narrator_2.wav": "narrator",
        "chapter1/voice_take2.wav": "narrator",
        "guest_by_phone.wav": "guest",
        "claps.wav": "hand percussion",
        "low_drone.wav": "bed",
        "harbour noise.wav": "found sound",
    },
}
UNSTAGED = {
    "songwriter.toml": "rough mix 3.wav",
    "five_piece_band.toml": "reference/demo.wav",
    "spoken_word.toml": "unused/take1.wav",
}


def _part(number: int) -> np.ndarray:
    return faded(sine(220 + 50 * number, -20.0 - 2.7 * number, 1.5), 2000)


@pytest.fixture(scope="module", params=STEMS)
def staged(request: pytest.FixtureRequest, stager: Command, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """One example project staged: its file, its settings, its folder, and the outcomes by stem."""
    folder = tmp_path_factory.mktemp(request.param)
    (folder / "stager.toml").write_bytes((ROOT / "configs" / request.param).read_bytes())
    (folder / "pauses.py").write_bytes((ROOT / "configs" / "pauses.py").read_bytes())
    settings = tomllib.loads((folder / "stager.toml").read_text("utf-8"))
    inbox = folder / settings["project"]["inbox"]
    for number, name in enumerate([*STEMS[request.param], UNSTAGED[request.param]]):
        wavefile.write(inbox / name, _part(number))
    result = stager("stage", folder, "--json")
    assert result.code == 0, result.stderr
    outcomes = {outcome["stem"]: outcome for outcome in result.json()["outcomes"]}
    return {"name": request.param, "settings": settings, "folder": folder, "outcomes": outcomes}


def test_roles_of_the_example_take_their_stems(staged: dict[str, Any]) -> None:
    """Every stem gets the role that its name is meant for, and what the example excludes is no stem."""
    roles = {stem: outcome["trim"]["role"] for stem, outcome in staged["outcomes"].items()}
    assert roles == STEMS[staged["name"]]


def test_copies_of_the_example_meet_their_targets(staged: dict[str, Any]) -> None:
    """Each copy, re-measured by numpy, stands at its role's level, or under it by a limit that is named."""
    for outcome in staged["outcomes"].values():
        trim, copy = outcome["trim"], wavefile.read(staged["folder"] / outcome["copy"]["path"]).samples()
        target = trim["target"]
        found = reference_levels.sample_peak_dbfs(copy)
        if target["rule"] != "peak":
            found = reference_levels.average(copy, 48_000, target["channels"], target["reference"]).level_db or 0.0
        if trim["decided_by"] == "target":
            assert target["level_db"] - target["step_db"] - 0.02 <= found <= target["level_db"] + 0.02
        assert reference_levels.true_peak_dbtp(copy) <= target["ceiling_dbtp"] + 0.02 or target["rule"] == "leave"


def test_copies_of_the_example_are_named_as_it_says(staged: dict[str, Any]) -> None:
    """The copy's name follows the example's own pattern, in the stem's subfolder."""
    pattern, outbox = (
        staged["settings"]["copy"]["name"] if "copy" in staged["settings"] else "{stem}{suffix}",
        Path(staged["settings"]["project"]["outbox"]),
    )
    for stem, outcome in staged["outcomes"].items():
        path = Path(stem)
        name = pattern.format(stem=path.stem, suffix=path.suffix, role=outcome["trim"]["role"] or "none")
        assert outcome["copy"]["path"] == (outbox / path.parent / name).as_posix()
        assert (staged["folder"] / f"{outcome['copy']['path']}.json").is_file()


@pytest.mark.parametrize("name", STEMS)
def test_the_example_is_explained(name: str) -> None:
    """Each example begins with what it is for, warns of raised copies, before its first key."""
    head = (ROOT / "configs" / name).read_text("utf-8").partition("\nversion")[0]
    assert head.startswith("# ")
    assert "CAUTION" in head


def test_overheads_go_by_their_peak(staged: dict[str, Any]) -> None:
    """A link has a target of its own: drum overheads are brought to a peak, as their role is, not to an average."""
    linked = [outcome for outcome in staged["outcomes"].values() if outcome["trim"]["link"] == "overheads"]
    assert len(linked) == (2 if staged["name"] == "five_piece_band.toml" else 0)
    for outcome in linked:
        target = outcome["trim"]["target"]
        assert (target["rule"], target["level_db"]) == ("peak", -10.0)
        assert outcome["trim"]["decided_by"] == "link"
    if linked:  # the louder member's peak stands at the level, to within a step, measured here on the copies
        peaks = [reference_levels.sample_peak_dbfs(_copy(staged, outcome)) for outcome in linked]
        assert -10.0 - 0.12 <= max(peaks) <= -10.0 + 0.02


def test_plugin_file_of_the_example_measures(staged: dict[str, Any]) -> None:
    """The meter in the example's own file says of a stem without pauses that its share is 0."""
    if staged["name"] == "spoken_word.toml":
        figures = {stem: outcome["levels"]["extra"] for stem, outcome in staged["outcomes"].items()}
        assert figures["chapter1/voice_take2.wav"]["pauses.share"] == 0.0
        assert "pauses.share" not in figures["low_drone.wav"]


def test_step_of_the_example_is_run(staged: dict[str, Any]) -> None:
    """The stems that the example names went through its high-pass filter, the others did not."""
    if staged["name"] == "spoken_word.toml":
        stepped = {stem for stem, outcome in staged["outcomes"].items() if outcome["steps"]}
        assert stepped == {"narrator_2.wav", "guest_by_phone.wav"}


def _copy(staged: dict[str, Any], outcome: dict[str, Any]) -> np.ndarray:
    return wavefile.read(staged["folder"] / outcome["copy"]["path"]).samples()


def test_every_table_stands_in_an_example(stager: Command) -> None:
    """Whoever looks for a table of the project file finds it in one of the examples, in force."""
    tables = set(stager("schema").json()["properties"])
    used = {key for name in STEMS for key in tomllib.loads((ROOT / "configs" / name).read_text("utf-8"))}
    assert used == tables, f"use these tables in a file of configs/, and add them to STEMS above: {tables - used}"
