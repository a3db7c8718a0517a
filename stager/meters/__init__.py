"""One file a published measure; each meter is an object that is fed block by block and then asked."""

from stager.meters.average import AverageMeter, AverageResult
from stager.meters.flat_tops import FlatTopMeter
from stager.meters.gaps import GapMeter
from stager.meters.hum import Hum, HumMeter
from stager.meters.loudness import LoudnessMeter, LoudnessResult
from stager.meters.overview import Overview, OverviewMeter
from stager.meters.panel import Figure, LevelFigures, LevelPanel, Measured, Panel, rms_dbfs
from stager.meters.peak import Peaks, SamplePeakMeter, Samples
from stager.meters.quiet import noise_floor_power
from stager.meters.runs import RunMeter, silence_meter
from stager.meters.stereo import StereoMeter, StereoResult
from stager.meters.true_peak import TruePeakMeter
from stager.meters.vu import VuMeter, VuResult

__all__ = [
    "AverageMeter",
    "AverageResult",
    "Figure",
    "FlatTopMeter",
    "GapMeter",
    "Hum",
    "HumMeter",
    "LevelFigures",
    "LevelPanel",
    "LoudnessMeter",
    "LoudnessResult",
    "Measured",
    "Overview",
    "OverviewMeter",
    "Panel",
    "Peaks",
    "RunMeter",
    "SamplePeakMeter",
    "Samples",
    "StereoMeter",
    "StereoResult",
    "TruePeakMeter",
    "VuMeter",
    "VuResult",
    "noise_floor_power",
    "rms_dbfs",
    "silence_meter",
]
