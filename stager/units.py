"""Decibels and linear factors: the only place where a logarithm is taken.

A level of nothing is None, never minus infinity and never a floor: JSON has no infinity, and a floor would make a
plausible level out of no signal.
"""

from math import log10
from typing import Final

SINE_CREST_DB: Final = 10.0 * log10(2.0)
"""Peak over mathematical RMS of a sine, 3.0103 dB: what separates the two RMS conventions.

Source: AES17 (full scale is the RMS of a 997 Hz sine that reaches full scale), against the square reference of
ITU-T G.100.1.
"""


def db_from_linear(factor: float) -> float | None:
    """Return the level in dB of a linear factor (its sign is ignored), or None for 0."""
    return 20.0 * log10(abs(factor)) if factor else None


def linear_from_db(gain_db: float) -> float:
    """Return the linear factor of a gain in dB; 0 dB is exactly 1.0."""
    return float(10.0 ** (gain_db / 20.0))


def db_from_power(power: float) -> float | None:
    """Return the level in dB of a power ratio (a mean square), or None for 0."""
    return 10.0 * log10(power) if power > 0.0 else None


def power_from_db(level_db: float) -> float:
    """Return the power ratio of a level in dB."""
    return float(10.0 ** (level_db / 10.0))


def dbfs_rms_from_power(power: float) -> float | None:
    """Return the RMS level in dBFS of a mean square where a full-scale sine reads 0 (AES17), or None for 0."""
    return 10.0 * log10(power) + SINE_CREST_DB if power > 0.0 else None


def power_from_dbfs_rms(level_dbfs: float) -> float:
    """Return the mean square of an AES17 level in dBFS."""
    return float(10.0 ** ((level_dbfs - SINE_CREST_DB) / 10.0))
