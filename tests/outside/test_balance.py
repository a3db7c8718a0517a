"""Every stereo stem and take says how its sides compare, by the installed command."""

from pathlib import Path

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.command import Command
from tests.support.reference_levels import linear
from tests.support.signals import RATE, sine
from tests.support.wavefile import PCM_24

pytestmark = pytest.mark.long

TOML = 'version = 1\n[project]\nname = "Salt Road"\nsettle_s = 0.1\ntakes = "audio"\n'
LEFT_DB = 2.1


def stereo(path: Path) -> None:
    """Write two tones of their own, the left one 2.1 dB louder."""
    sides = sine(220.0, -18.0 + LEFT_DB, 3.0), sine(331.0, -18.0, 3.0)
    wavefile.write(path, np.stack(sides, axis=1), RATE, PCM_24)


def test_the_balance_is_said(tmp_path: Path) -> None:
    """The level of the left side over the right one, in `measure`, `stage` and the line of a take; by construction."""
    assert linear(LEFT_DB) > 1.0
    for name in ("bounces", "audio"):
        (tmp_path / name).mkdir()
    (tmp_path / "stager.toml").write_text(TOML, "utf-8")
    stager = Command()
    assert stager("watch", tmp_path, "--until-idle", "0.3").code == 0
    stereo(tmp_path / "bounces" / "pad.wav")
    stereo(tmp_path / "audio" / "pad 1.wav")
    watched = stager("watch", tmp_path, "--until-idle", "0.3")
    assert "Balance: left +2.1 dB." in watched.stderr
    assert "balance: left +2.1 dB" in stager("stage", tmp_path, "--again").stdout
    assert "balance: left +2.1 dB" in stager("measure", tmp_path / "bounces").stdout
