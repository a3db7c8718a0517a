"""One file a published measure; each meter is an object that is fed block by block and then asked."""

from stager.meters.average import AverageMeter, AverageResult
from stager.meters.overview import Overview, OverviewMeter
from stager.meters.panel import LevelFigures, LevelPanel, Measured, Panel, rms_dbfs
from stager.meters.peak import Peaks, SamplePeakMeter
from stager.meters.runs import RunMeter
from stager.meters.true_peak import TruePeakMeter

__all__ = [
    "AverageMeter",
    "AverageResult",
    "LevelFigures",
    "LevelPanel",
    "Measured",
    "Overview",
    "OverviewMeter",
    "Panel",
    "Peaks",
    "RunMeter",
    "SamplePeakMeter",
    "TruePeakMeter",
    "rms_dbfs",
]
