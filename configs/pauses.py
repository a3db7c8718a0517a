"""A meter for spoken word: how much of a part is pause. A plug-in in one file, used by spoken_word.toml."""

import numpy as np

from stager.plugins import AnySettings, Meter


class PausesSettings(AnySettings):
    """The settings of `pauses`; they stand beside `use` in the project file."""

    quieter_than_dbfs: float = -50.0


class Pauses(Meter):
    """The share of tenths of a second whose RMS, over all channels, lies under a level."""

    name = "pauses"
    settings = PausesSettings

    def __init__(self, settings, stream):
        self.limit = 10 ** (settings.quieter_than_dbfs / 10) / 2  # mean square; a full-scale sine has 1/2
        self.size = max(1, stream.sample_rate_hz // 10)
        self.rest, self.quiet, self.count = np.zeros((0, stream.channels)), 0, 0

    def update(self, block):
        held = np.concatenate((self.rest, block))
        whole = len(held) // self.size
        pieces = held[: whole * self.size].reshape(whole, -1)
        self.quiet += int(np.count_nonzero((pieces**2).mean(axis=1) < self.limit)) if whole else 0
        self.count, self.rest = self.count + whole, held[whole * self.size :]

    def result(self):
        return {"share": self.quiet / self.count if self.count else None}
