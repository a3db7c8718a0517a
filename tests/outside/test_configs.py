"""The example project files, each staged on small stems made for it."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.conftest import ROOT
from tests.outside import levels, wavefile
from tests.outside.command import Command
from tests.outside.signals import faded, sine

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
        "percussion/shaker.wav": "hand percussion",
        "bass/bass_di.wav": "bass",
        "guitars/rhythm_L.wav": "left guitar",
        "guitars/rhythm_R.wav": "right guitar",
        "keys/organ.wav": "keys",
        "voices/lead.wav": "voices",
    },
    "spoken_word.toml": {
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
    return faded(sine(220 + 50 * number, -27.5 - 2.7 * number, 1.5), 2000)


@pytest.fixture(scope="module", params=STEMS)
def staged(request: pytest.FixtureRequest, stager: Command, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """One example project staged: its file, its settings, its folder, and the outcomes by stem."""
    folder = tmp_path_factory.mktemp(request.param)
    (folder / "stager.toml").write_bytes((ROOT / "configs" / request.param).read_bytes())
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
        found = levels.sample_peak_dbfs(copy)
        if target["rule"] != "peak":
            found = levels.average(copy, 48_000, target["channels"], target["reference"]).level_db or 0.0
        if trim["decided_by"] == "target":
            assert target["level_db"] - target["step_db"] - 0.02 <= found <= target["level_db"] + 0.02
        assert levels.true_peak_dbtp(copy) <= target["ceiling_dbtp"] + 0.02 or target["rule"] == "leave"


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
