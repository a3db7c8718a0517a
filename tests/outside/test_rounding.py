"""Trims on the grid of their step: every tenth of a dB from -30 to +30, and just beside it."""

from typing import Any

import numpy as np
import pytest

from tests.support import reference_levels
from tests.support.command import Command
from tests.support.signals import sine
from tests.support.song import Song
from tests.support.wavefile import DOUBLE

pytestmark = pytest.mark.long

RATE = 8_000
LEVEL = -36.0
STEPS = range(-300, 301)
TOML = f"""
[target]
level_db = {LEVEL}
tolerance_db = 0.0
ceiling_dbtp = 0.0
max_boost_db = 60.0
i_mean_it = true
"""


def _at(level_dbfs: float) -> np.ndarray:
    """A tone of one block whose average is this level, to the last digits of a double."""
    tone = sine(440, -20.0, 0.45, RATE)
    return tone * reference_levels.linear(level_dbfs - reference_levels.average_dbfs(tone, RATE))


def _trims(stager: Command, folder: Any, off_db: float) -> dict[int, dict[str, Any]]:
    """Decide a stem for each step whose wanted gain lies so far off it, all in one run."""
    song = Song.made(stager, folder / "song", TOML)
    for k in STEPS:
        song.put(f"{k}.wav", _at(LEVEL - k * 0.1 - off_db), RATE, DOUBLE)
    outcomes = song.outcomes("--dry-run")
    return {k: outcomes[f"{k}.wav"]["trim"] for k in STEPS}


def test_every_step_is_hit_exactly(stager: Command, tmp_path: Any) -> None:
    """A wanted gain of k tenths is k tenths, to 1e-9, not the tenth below it (worked arithmetic: grace 1e-6 step)."""
    trims = _trims(stager, tmp_path, 0.0)
    wrong = {k: trim["gain_db"] for k, trim in trims.items() if abs(trim["gain_db"] - k * 0.1) > 1e-9}
    assert wrong == {}
    assert {k: trim["decided_by"] for k, trim in trims.items()} == {k: "target" if k else "tolerance" for k in STEPS}


@pytest.mark.parametrize("off_db", [0.099, -0.001], ids=["just under the next step", "just under this step"])
def test_between_steps_the_lower_one_is_taken(stager: Command, tmp_path: Any, off_db: float) -> None:
    """A wanted gain between two steps gets the lower one, above and below 0 dB alike (worked arithmetic)."""
    trims = _trims(stager, tmp_path, off_db)
    below = 0 if off_db > 0 else 1
    wrong = {k: trim["gain_db"] for k, trim in trims.items() if abs(trim["gain_db"] - (k - below) * 0.1) > 1e-9}
    assert wrong == {}
