"""Detectors: what is looked for in the samples, beside the published meters; each is fed block by block.

Any cut of a file into blocks gives the same result, in bounded memory. `README.md` has a page for each detector.
"""

from stager.detectors.clipping import FlatTopMeter
from stager.detectors.crest_heights import CrestHeightMeter
from stager.detectors.dc_offset import offset_of
from stager.detectors.dropouts import GapMeter
from stager.detectors.hum import Hum, HumMeter
from stager.detectors.level_step import LevelStepMeter
from stager.detectors.loudest_event import LoudestEventMeter
from stager.detectors.noise_floor import noise_floor_power, rounding_power, steady_pause
from stager.detectors.non_finite import FiniteMeter
from stager.detectors.repeats import RepeatMeter
from stager.detectors.runs import RunMeter, RunSummaryMeter, silence_meter
from stager.detectors.steady_noise import NoiseWindows, steady_noise
from stager.detectors.stereo_delay import MicrophoneMeter
from stager.detectors.unused_bits import UnusedBitsMeter

__all__ = [
    "CrestHeightMeter",
    "FiniteMeter",
    "FlatTopMeter",
    "GapMeter",
    "Hum",
    "HumMeter",
    "LevelStepMeter",
    "LoudestEventMeter",
    "MicrophoneMeter",
    "NoiseWindows",
    "RepeatMeter",
    "RunMeter",
    "RunSummaryMeter",
    "UnusedBitsMeter",
    "noise_floor_power",
    "offset_of",
    "rounding_power",
    "silence_meter",
    "steady_noise",
    "steady_pause",
]
