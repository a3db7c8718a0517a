"""EBU Tech 3341 (V4, November 2023) by the installed command: cases 1 to 6, 9, 10, 12, 13, 15 to 23 at four rates.

Cases 11 and 14 are for live meters and ask for successive maxima: tests/meters/test_loudness.py has them. Cases 7 and 8
are programme files of the EBU's own: test_ebu_files.py.

Signals, expected values and tolerances: EBU Tech 3341 table 1, as several public test suites transcribe it. The 48 kHz
readings are those of a plain BS.1770 meter written with scipy (400 ms and 3 s windows every 10 ms): the maxima of cases
10 and 13 depend on that hop, and a hop of 25 ms fails case 13 at -23.104.

Why a perfect meter reads -22.993 in case 1: two channels of amplitude a = 10^(-23/20) have a summed mean square of
2 a^2 / 2 = a^2, which is -23.000 dB. The K-weighting of BS.1770 at 48 kHz has a gain of +0.698 dB at 1000 Hz, and the
formula takes 0.691 off, the gain at 997 Hz: -23.000 + 0.698 - 0.691 = -22.993.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import pytest

from tests.support import signals
from tests.support.command import Command
from tests.support.measured import Signal, measured
from tests.support.once import once
from tests.support.signals import Array, Parts, stepped_tone, stereo

RATES_HZ: Final = (44_100, 48_000, 96_000, 192_000)
READING_LU: Final = 0.005
INTEGRATED, MOMENTARY, SHORT_TERM, TRUE_PEAK = (
    "loudness_lufs",
    "loudness_momentary_max_lufs",
    "loudness_short_term_max_lufs",
    "true_peak_dbtp",
)
LOUDNESS_LU: Final = (-0.1, 0.1)
TRUE_PEAK_DB: Final = (-0.4, 0.2)


@dataclass(frozen=True)
class Case:
    """One case: a signal for each of its files, the figures that must read the expected value, and what they read.

    `reading` is that of a plain meter at 48 kHz; None for true peak, where the standard's tolerance is the bound.
    """

    number: int
    group: str
    make: Sequence[Callable[[int], Array]]
    figures: Sequence[str]
    expected: float
    tolerance: tuple[float, float]
    reading: float | None = None
    mask: int = 0


def _steps(parts: Parts, rate_hz: int) -> Array:
    return stereo(stepped_tone(rate_hz, parts))


def _surround(rate_hz: int) -> Array:
    return np.column_stack([stepped_tone(rate_hz, [(20.0, level)]) for level in (-28.0, -28.0, -24.0, -30.0, -30.0)])


def _loudness(
    number: int, group: str, parts: Sequence[Parts], figures: Sequence[str], expected: float, reading: float
) -> Case:
    make = [partial(_steps, part) for part in parts]
    return Case(number, group, make, figures, expected, LOUDNESS_LU, reading)


def _peak(number: int, make: Callable[[int], Array], expected: float) -> Case:
    return Case(number, "15 to 23", [make], [TRUE_PEAK], expected, TRUE_PEAK_DB)


def _peak_tone(per_period: float, amplitude: float, phase_deg: float, rate_hz: int) -> Array:
    return signals.tech_3341_peak(1 / per_period, amplitude, phase_deg, rate_hz)


def _tone(per_period: float, amplitude: float, phase_deg: float) -> Callable[[int], Array]:
    return partial(_peak_tone, per_period, amplitude, phase_deg)


ALL: Final = (INTEGRATED, MOMENTARY, SHORT_TERM)
TABLE: Final = (
    _loudness(1, "1 to 6", [[(20, -23)]], ALL, -23.0, -22.993),
    _loudness(2, "1 to 6", [[(20, -33)]], ALL, -33.0, -32.993),
    _loudness(3, "1 to 6", [[(10, -36), (60, -23), (10, -36)]], [INTEGRATED], -23.0, -23.014),
    _loudness(4, "1 to 6", [[(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)]], [INTEGRATED], -23.0, -23.014),
    _loudness(5, "1 to 6", [[(20, -26), (20.1, -20), (20, -26)]], [INTEGRATED], -23.0, -22.979),
    Case(6, "1 to 6", [_surround], [INTEGRATED], -23.0, LOUDNESS_LU, -23.016, signals.MASK_5_0),
    _loudness(9, "9 to 13", [[(1.34, -20), (1.66, -30)] * 5], [SHORT_TERM], -23.0, -22.986),
    _loudness(
        10, "9 to 13", [[(0.15 * i, None), (3, -23), (1, None)] for i in range(20)], [SHORT_TERM], -23.0, -22.993
    ),
    _loudness(12, "9 to 13", [[(0.18, -20), (0.22, -30)] * 25], [MOMENTARY], -23.0, -22.960),
    _loudness(
        13, "9 to 13", [[(0.02 * i, None), (0.4, -23), (1, None)] for i in range(20)], [MOMENTARY], -23.0, -22.994
    ),
    _peak(15, _tone(4, 0.50, 0.0), -6.0),
    _peak(16, _tone(4, 0.50, 45.0), -6.0),
    _peak(17, _tone(6, 0.50, 60.0), -6.0),
    _peak(18, _tone(8, 0.50, 67.5), -6.0),
    _peak(19, _tone(4, 1.41, 45.0), 3.0),
    *(_peak(20 + offset, partial(signals.burst, offset=offset), 0.0) for offset in range(4)),
)
CASES: Final = [
    pytest.param(
        case,
        rate_hz,
        id=f"EBU Tech 3341 case {case.number} at {rate_hz / 1000:g} kHz",
        marks=() if rate_hz == 48_000 else pytest.mark.long,
    )
    for rate_hz in RATES_HZ
    for case in TABLE
]


def _signals(group: str, rate_hz: int) -> Iterator[tuple[str, Signal]]:
    for case in TABLE:
        for file, make in enumerate(case.make):
            if case.group == group:
                yield f"{case.number}_{file}", (make(rate_hz), rate_hz, case.mask)


Readings = Callable[[Case, int], list[dict[str, Any]]]


@pytest.fixture(scope="module")
def readings(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Readings:
    """Return the levels of each file of a case at a rate; the cases of a group are measured together."""

    def give(case: Case, rate_hz: int) -> list[dict[str, Any]]:
        folder, name = tmp_path_factory.mktemp("ebu"), f"3341_{case.group}_{rate_hz}".replace(" ", "_")
        found = once(tmp_path_factory, name, lambda: measured(stager, folder, dict(_signals(case.group, rate_hz))))
        return [found[f"{case.number}_{file}"] for file in range(len(case.make))]

    return give


@pytest.mark.parametrize(("case", "rate_hz"), CASES)
def test_case_reads_what_the_standard_expects(readings: Readings, case: Case, rate_hz: int) -> None:
    """Every file lies inside the standard's tolerance and, at 48 kHz, within 0.005 LU of a plain meter's reading."""
    low, high = case.tolerance
    files = readings(case, rate_hz)
    found = [levels[figure] for levels in files for figure in case.figures]
    assert len(found) == len(case.make) * len(case.figures)
    assert all(low <= value - case.expected <= high for value in found), found
    if case.reading is not None and rate_hz == 48_000:
        assert all(abs(value - case.reading) <= READING_LU for value in found), found


SAMPLE_PEAKS_DBFS: Final = {
    15: -6.021,
    16: -9.031,
    17: -7.270,
    18: -6.708,
    19: -0.026,
    20: -0.13,
    21: -0.46,
    22: -2.50,
    23: -0.46,
}


@pytest.mark.parametrize("number", SAMPLE_PEAKS_DBFS, ids=lambda number: f"EBU Tech 3341 case {number}")
def test_peak_signal_is_the_one_meant(number: int) -> None:
    """Control: samples peak where the EBU's own files do (public meter logs: -0.1, -0.5, -2.5, -0.5 for 20 to 23)."""
    (case,) = (case for case in TABLE if case.number == number)
    samples = case.make[0](48_000)
    assert 20 * np.log10(np.abs(samples).max()) == pytest.approx(SAMPLE_PEAKS_DBFS[number], abs=0.01)


def test_a_sample_peak_meter_fails(readings: Readings) -> None:
    """Control: the sample peaks of cases 16, 17, 18, 19, 21, 22 and 23 lie outside the tolerance for true peak."""
    failed = [
        case.number
        for case in TABLE
        if case.figures == [TRUE_PEAK] and readings(case, 48_000)[0]["sample_peak_dbfs"] - case.expected < -0.4
    ]
    assert failed == [16, 17, 18, 19, 21, 22, 23]


SURROUND_MASKS: Final = {
    "5.0 with surrounds at the back": (signals.MASK_5_0, None),
    "5.0 with surrounds at the sides": (signals.MASK_5_0_SIDES, None),
    "5.1 with a loud low-frequency channel": (signals.MASK_5_1, 3),
}


def test_surround_weights_follow_the_speakers(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Case 6 reads alike at the back, at the sides and beside a loud LFE channel (ITU-R BS.1770-5: it is left out)."""
    made = {}
    for name, (mask, low_frequency) in SURROUND_MASKS.items():
        samples = _surround(48_000)
        if low_frequency is not None:
            samples = np.insert(samples, low_frequency, stepped_tone(48_000, [(20.0, -6.0)], 60.0), axis=1)
        made[name.replace(" ", "_")] = (samples, 48_000, mask)
    made["no_speakers"] = (_surround(48_000), 48_000, 0)
    found = measured(stager, tmp_path_factory.mktemp("surround"), made)
    read = [levels[INTEGRATED] for levels in found.values()]
    assert read[:3] == pytest.approx([-23.016] * 3, abs=READING_LU)
    unweighted = 10 * np.log10(np.sum(10 ** (np.array([-28.0, -28.0, -24.0, -30.0, -30.0]) / 10)) / 2) + 0.007
    assert read[3] == pytest.approx(unweighted, abs=READING_LU)
