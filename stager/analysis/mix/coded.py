"""What lossy coding does to the peaks of a mix, and how much lower the mix must be so that they stay under a target.

A codec takes the waveform apart by frequency and throws some of it away, so that peaks change by a dB or two. The mix
is encoded, decoded and measured; where its true peak passes the target, it is lowered by the excess and coded again,
until what comes back stays under. Source of the practice: AES TD1008 (true peak of the coded signal).
"""

from collections.abc import Callable, Iterator
from math import ceil
from typing import Final

import numpy as np

from stager.containers.lossy import CODECS, LossyCodec, coded_bytes, decoded
from stager.meters import Samples, TruePeakMeter
from stager.model import StreamInfo
from stager.model.mix import CodedPeak, MissingCodec
from stager.plugins import Stream
from stager.plugins.effects.resample import Resample
from stager.plugins.effects.settings import ResampleSettings
from stager.units import db_from_linear, linear_from_db

STEP_DB: Final = 0.1
"""Advice is given in steps of this size."""
MOST_ROUNDS: Final = 4
OpensBlocks = Callable[[], Iterator[Samples]]


def coded_peaks(
    blocks: OpensBlocks, info: StreamInfo, true_peak_dbtp: float
) -> tuple[tuple[CodedPeak, ...], tuple[MissingCodec, ...]]:
    """Return the peaks after each codec that is there, and the codecs that are not.

    `blocks` begins to read the mix anew at each call, (frames, channels) float64.
    """
    found: list[CodedPeak] = []
    missing: list[MissingCodec] = []
    for codec in CODECS:
        if not codec.is_available:
            missing.append(MissingCodec(codec=codec.name, says=f"{codec.name}: not in the audio library here"))
        elif info.channels > 2:
            missing.append(MissingCodec(codec=codec.name, says=f"{codec.name}: measured for one or two channels only"))
        else:
            found.append(_coded_peak(codec, blocks, info, true_peak_dbtp))
    return tuple(found), tuple(missing)


def _coded_peak(codec: LossyCodec, blocks: OpensBlocks, info: StreamInfo, true_peak_dbtp: float) -> CodedPeak:
    kbit_s, peak, overs = _once(codec, blocks, info, 0.0)
    lower_db, found = 0.0, peak
    for _ in range(MOST_ROUNDS):
        if found is None or found <= true_peak_dbtp:
            break
        lower_db = STEP_DB * ceil((lower_db + found - true_peak_dbtp) / STEP_DB - 1e-6)
        _, found, _ = _once(codec, blocks, info, -lower_db)
    return CodedPeak(codec=codec.name, kbit_s=kbit_s, true_peak_dbtp=peak, overs=overs, lower_db=round(lower_db, 1))


def _once(codec: LossyCodec, blocks: OpensBlocks, info: StreamInfo, gain_db: float) -> tuple[float, float | None, int]:
    """Encode and decode once; return kbit/s, true peak in dBTP and the number of samples beyond full scale."""
    rate_hz = info.sample_rate_hz if info.sample_rate_hz in codec.rates_hz else max(codec.rates_hz)
    factor = linear_from_db(gain_db)
    scaled = (block * factor for block in blocks())
    coded = coded_bytes(codec, _at_rate(scaled, info, rate_hz), rate_hz, info.channels)
    meter, overs = TruePeakMeter(info.channels), 0
    for block in decoded(coded):
        overs += int(np.count_nonzero(np.abs(block) > 1.0))
        meter.update(block)
    kbit_s = 8e-3 * coded.getbuffer().nbytes / max(info.duration_s, 1e-3)
    return kbit_s, db_from_linear(max(meter.result().linear)), overs


def _at_rate(blocks: Iterator[Samples], info: StreamInfo, rate_hz: int) -> Iterator[Samples]:
    """Yield the blocks at the rate that the codec takes."""
    step = Resample(
        ResampleSettings(rate_hz=rate_hz),
        Stream(info.sample_rate_hz, info.channels, info.frames),
    )
    for block in blocks:
        yield step.process(block)
    yield step.finish()
