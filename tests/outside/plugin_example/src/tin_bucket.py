"""An example of plug-ins: a meter, a check, a rule and a step, each in a few lines."""

import numpy as np

from stager.model import Finding, Verdict
from stager.plugins import AnySettings, Check, Meter, Rule, Step, Wanted


class ZeroCrossings(Meter):
    """How often the first channel crosses zero, a second."""

    name = "zero_crossings"

    def __init__(self, settings, stream):
        self.rate_hz, self.frames, self.count, self.last = stream.sample_rate_hz, 0, 0, None

    def update(self, block):
        signs = np.sign(block[:, 0]) if self.last is None else np.sign(np.append(self.last, block[:, 0]))
        self.count += int(np.count_nonzero(signs[1:] != signs[:-1]))
        self.frames, self.last = self.frames + len(block), block[-1, 0]

    def result(self):
        return {"per_s": self.count * self.rate_hz / self.frames if self.frames else None}


class ThinSettings(AnySettings):
    most_per_s: float = 3_000.0


class Thin(Check):
    """Says so where a stem crosses zero more often than it should; needs the meter beside it."""

    name = "thin"
    settings = ThinSettings

    def __init__(self, settings):
        self.most_per_s = settings.most_per_s

    def findings(self, stem, levels, others):
        found = levels.extra.get("zero_crossings.per_s") or 0.0
        says = f"Thin: it crosses zero {found:.0f} times a second; {len(others)} other stems have a copy."
        return [Finding(code="thin", verdict=Verdict.LISTEN, says=says)] if found > self.most_per_s else []


class HalfWay(Rule):
    """Goes half of the way to -20 dBFS."""

    name = "half_way"

    def wanted(self, levels):
        return Wanted((-20.0 - (levels.average_dbfs or -20.0)) / 2, "half of the way to -20 dBFS.")


class BucketSettings(AnySettings):
    drive: float = 2.0


class SoftBucket(Step):
    """Rounds the peaks off: tanh(drive x) / drive."""

    name = "soft_bucket"
    settings = BucketSettings

    def __init__(self, settings, stream):
        super().__init__(settings, stream)
        self.drive = settings.drive

    def process(self, block):
        return np.tanh(self.drive * block) / self.drive
