"""What each target rule works on, as it will read once a gain is applied."""

from collections.abc import Mapping
from typing import Final

from stager.judge import FigureAfter
from stager.meters import Measured, rms_dbfs
from stager.model import Target
from stager.units import SINE_CREST_DB, db_from_linear

MONO_ON_TWO_SPEAKERS_DB: Final = SINE_CREST_DB
"""A mono stem is heard from both speakers: twice the power, so that it gets the trim of its dual-mono file."""


def figures_after(measured: Measured, target: Target) -> Mapping[str, FigureAfter]:
    """Give the figure of each rule as a function of the gain in dB; it gives None where there is no such figure."""

    def average(gain_db: float) -> float | None:
        figure = rms_dbfs(measured.average.stem(target.channels, gain_db).power, target.reference)
        return None if figure is None else figure + gain_db

    def peak(gain_db: float) -> float | None:
        figure = db_from_linear(max(measured.sample_peaks.linear))
        return None if figure is None else figure + gain_db

    def loudness(gain_db: float) -> float | None:
        speakers_db = MONO_ON_TWO_SPEAKERS_DB if measured.info.channels == 1 else 0.0
        return measured.loudness.integrated_lufs(gain_db + speakers_db) if measured.loudness else None

    def vu(gain_db: float) -> float | None:
        deflection = measured.vu.stem_linear(measured.average, target.channels, gain_db) if measured.vu else 0.0
        figure = db_from_linear(deflection)
        return None if figure is None else figure + gain_db

    return {"average": average, "loudness": loudness, "vu": vu, "peak": peak, "leave": average}
