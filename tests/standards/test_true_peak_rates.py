"""True peak of steady tones at every sample rate from 8 to 384 kHz, by the installed command."""

from typing import Any, Final

import numpy as np
import pytest

from tests.support.command import Command
from tests.support.measured import measured
from tests.support.once import once
from tests.support.signals import Array, faded

RATES_HZ: Final = (
    *(8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000),
    *(64_000, 88_200, 96_000, 176_400, 192_000, 352_800, 384_000),
)
TONES: Final = (1 / 8, 1 / 6, 1 / 4, 1 / 3, 2 / 5, 3 / 7, 4 / 9, 0.45)
"""Parts of the rate at which samples fall on few phases of the tone, so that all of them can miss its peak."""
PHASES: Final = 32
"""Over half a turn: the other half is the same upside down."""
FRAMES: Final = 2_960
FADE_FRAMES: Final = 480
UNDER_DB, OVER_DB = -0.05, 0.02
AMPLITUDE: Final = 0.5


def _tones(part: float) -> Array:
    turns = part * np.arange(FRAMES)[:, None] + np.arange(PHASES) / (2 * PHASES)
    return np.column_stack([faded(tone, FADE_FRAMES) for tone in (AMPLITUDE * np.sin(2 * np.pi * turns)).T])


@pytest.mark.parametrize("rate_hz", RATES_HZ, ids=lambda rate_hz: f"ITU-R BS.1770-5 Annex 2 at {rate_hz / 1000:g} kHz")
def test_steady_tone_reads_its_amplitude_at_every_phase(
    stager: Command, tmp_path_factory: pytest.TempPathFactory, rate_hz: int
) -> None:
    """Tones up to 0.45 of the rate read within -0.05 and +0.02 dB of their amplitude (own bound), 32 phases each."""
    folder = tmp_path_factory.mktemp("tones")

    def work_out() -> dict[str, Any]:
        tones = [_tones(part) for part in TONES]
        made = {f"{rate}_{i}": (tone, rate, 0) for rate in RATES_HZ for i, tone in enumerate(tones)}
        levels = measured(stager, folder, made)
        return {name: [channel["true_peak_dbtp"] for channel in found["per_channel"]] for name, found in levels.items()}

    found = once(tmp_path_factory, "tones_at_every_rate", work_out)
    errors = np.array([found[f"{rate_hz}_{i}"] for i in range(len(TONES))]) - 20 * np.log10(AMPLITUDE)
    assert errors.shape == (len(TONES), PHASES)
    assert errors.min() >= UNDER_DB
    assert errors.max() <= OVER_DB
