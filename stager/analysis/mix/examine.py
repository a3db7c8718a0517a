"""One finished mix, from its file to its record: measured, coded, held against targets, judged. Nothing is written."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from stager.analysis.analyse import analyse
from stager.analysis.mix.bands import BandMeter
from stager.analysis.mix.coded import coded_peaks
from stager.analysis.mix.ends import EndsMeter
from stager.analysis.mix.sides import SidesMeter
from stager.containers import open_audio
from stager.judge.mix import PUBLISHED, delivery, mix_advice, mix_findings
from stager.meters import Samples
from stager.model import Levels, StreamInfo, worst
from stager.model.mix import DeliveryTarget, Mix, MixFigures

SETTLE_S: Final = 1.0
"""How long a file with a wrong header must have rested before that counts as final."""
TRUE_PEAK_DBTP: Final = -1.0
"""The true peak that a mix and its coded versions may reach, where the project says nothing (AES TD1008, EBU R 128)."""


def examine_mix(
    path: Path,
    *,
    true_peak_dbtp: float = TRUE_PEAK_DBTP,
    more_targets: Sequence[DeliveryTarget] = (),
    with_coding: bool = True,
) -> Mix:
    """Return what is measured and judged of a finished mix.

    Raises:
        StemError: where the file can't be read as a whole.
    """
    analysis = analyse(path, str(path), settle_s=SETTLE_S, take_cut=True)
    levels = analysis.measured.levels("sine", "loudest")
    figures = _figures(path, analysis.measured.info, levels, true_peak_dbtp if with_coding else None)
    findings = mix_findings(figures, levels, analysis.findings(levels, part="the mix"), true_peak_dbtp)
    return Mix(
        source=analysis.source,
        levels=levels,
        figures=figures,
        delivery=delivery(levels, (*more_targets, *PUBLISHED)),
        findings=findings,
        verdict=worst(findings),
        advice=mix_advice(levels, figures.coded, true_peak_dbtp),
    )


def _figures(path: Path, info: StreamInfo, levels: Levels, true_peak_dbtp: float | None) -> MixFigures:
    bands, ends = BandMeter(info.channels, info.sample_rate_hz), EndsMeter(info.channels, info.sample_rate_hz)
    sides = SidesMeter(info.sample_rate_hz) if info.channels == 2 else None
    for block in _blocks(path):
        bands.update(block)
        ends.update(block)
        if sides:
            sides.update(block)
    is_coded = true_peak_dbtp is not None and levels.sample_peak_dbfs is not None
    coded, missing = coded_peaks(lambda: _blocks(path), info, true_peak_dbtp or 0.0) if is_coded else ((), ())
    peak, loudness = levels.true_peak_dbtp, levels.loudness_lufs
    return MixFigures(
        plr_db=None if peak is None or loudness is None else peak - loudness,
        bands=bands.result(),
        sides=sides.result() if sides else None,
        ends=ends.result(),
        coded=coded,
        missing_codecs=missing,
    )


def _blocks(path: Path) -> Iterator[Samples]:
    """Yield the samples; NaN and infinity count as 0, as in every meter here, and are a finding of their own."""
    with open_audio(path, settle_s=0.0, take_cut=True) as source:
        for block in source.blocks():
            yield block if source.info.encoding.is_integer else np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
