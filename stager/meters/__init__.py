"""One file a published measure; each meter is an object that is fed block by block and then asked."""

from stager.meters.average import AverageMeter, AverageResult
from stager.meters.equal_channels import EqualChannelsMeter
from stager.meters.loudness import LoudnessMeter, LoudnessResult
from stager.meters.overview import Overview, OverviewMeter
from stager.meters.peak import Peaks, SamplePeakMeter, Samples
from stager.meters.stereo import StereoMeter, StereoResult
from stager.meters.true_peak import TruePeakMeter
from stager.meters.vu import VuMeter, VuResult

__all__ = [
    "AverageMeter",
    "AverageResult",
    "EqualChannelsMeter",
    "LoudnessMeter",
    "LoudnessResult",
    "Overview",
    "OverviewMeter",
    "Peaks",
    "SamplePeakMeter",
    "Samples",
    "StereoMeter",
    "StereoResult",
    "TruePeakMeter",
    "VuMeter",
    "VuResult",
]
