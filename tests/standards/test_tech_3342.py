"""EBU Tech 3342 (V4, November 2023) by the installed command: cases 1 to 4 of loudness range at four rates.

Segments of 20 s of a stereo 1 kHz tone; levels and tolerance as several public test suites transcribe them. A plain
meter (3 s windows every 100 ms, gates at -70 LUFS and 20 LU under the mean, 10th to 95th percentile) reads the
expected values to three places. Cases 5 and 6 are programme files of the EBU's own: test_ebu_files.py.
"""

from typing import Any, Final

import pytest

from tests.support.command import Command
from tests.support.measured import measured
from tests.support.once import once
from tests.support.signals import stepped_tone, stereo

RATES_HZ: Final = (44_100, 48_000, 96_000, 192_000)
TOLERANCE_LU: Final = 1.0
READING_LU: Final = 0.005
CASES: Final = {
    1: ((-20, -30), 10.0),
    2: ((-20, -15), 5.0),
    3: ((-40, -20), 20.0),
    4: ((-50, -35, -20, -35, -50), 15.0),
}
TABLE: Final = [
    pytest.param(
        case,
        rate_hz,
        id=f"EBU Tech 3342 case {case} at {rate_hz / 1000:g} kHz",
        marks=() if rate_hz == 48_000 else pytest.mark.long,
    )
    for rate_hz in RATES_HZ
    for case in CASES
]


def _levels(stager: Command, factory: pytest.TempPathFactory, rate_hz: int) -> dict[str, dict[str, Any]]:
    """Levels of all cases at a rate, by their number."""
    folder = factory.mktemp("ebu")

    def work_out() -> dict[str, Any]:
        made = {
            str(number): (stereo(stepped_tone(rate_hz, [(20, level) for level in levels])), rate_hz, 0)
            for number, (levels, _) in CASES.items()
        }
        return measured(stager, folder, made)

    found: dict[str, dict[str, Any]] = once(factory, f"3342_{rate_hz}", work_out)
    return found


@pytest.mark.parametrize(("case", "rate_hz"), TABLE)
def test_range_reads_what_the_standard_expects(
    stager: Command, tmp_path_factory: pytest.TempPathFactory, case: int, rate_hz: int
) -> None:
    """The range lies within the standard's 1 LU and, at 48 kHz, within 0.005 LU of the expected value itself."""
    found = _levels(stager, tmp_path_factory, rate_hz)[str(case)]["loudness_range_lu"]
    assert found == pytest.approx(CASES[case][1], abs=READING_LU if rate_hz == 48_000 else TOLERANCE_LU)
