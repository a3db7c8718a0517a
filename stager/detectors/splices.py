"""Splices: places where a sustained sound goes on otherwise than it was, as where a buffer was lost, and clicks.

`README.md` in this folder says what the signal looks like, which features are computed, and what decides.
"""

from typing import Final

import numpy as np

from stager.detectors.repeat_loops import LONGEST, PLACES, SHORTEST, find_repeats
from stager.detectors.splice_loops import keep_largest, predict
from stager.meters.peak import Samples
from stager.model.damage import Gap

HOP: Final = 1024
WINDOW: Final = 2048
"""Samples from one predictor to the next, and samples it is fitted to, at 48 kHz: 43 ms."""
LOOK: Final = 1200
"""Samples on each side among which a prediction error must stand out: two periods of a low voice."""
USUAL_HZ: Final = 48_000.0
HISTORY: Final = 2 * LONGEST + 64
"""Frames before a block that a repetition may reach back to."""
LEAST_RATIO: Final = 2.2
"""Prediction error over any other within `LOOK`, at least (empirical: splices; sustained parts reach 1.9)."""
NEXT_RATIO: Final = 1.6
"""The same over the next smaller one of the channel, at least: attacks come in numbers (empirical: splices)."""
SAME_LEVEL: Final = 3.2
"""Power on one side over that on the other, at most: 5 dB; a note that begins is louder (empirical: splices)."""
SAME_ERROR: Final = 0.35
"""Largest error on one side over that on the other, at least (empirical: splices)."""
SAME_SIZE: Final = 1e-3
"""Errors that differ by no more, relative to their size, belong to one stored sound that is played again."""
MOST_SPLICES: Final = 8
"""More than this are the nature of the sound."""
SOUND_DELAY_S: Final = 0.02
"""Another channel's splice within this time, but not simultaneous, is sound that reached two microphones."""
AT_ONCE: Final = 2
"""Frames within which two channels have the same splice: each has its largest error at a place of its own."""
MOST_POSITIONS: Final = 20
"""Repetitions that a result lists."""
MOST_KEPT: Final = 32
"""Most outstanding errors kept, by channel."""


class SpliceMeter:
    """Finds prediction errors that stand out, in bounded memory; any cut into blocks gives the same."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        times = max(1, round(sample_rate_hz / USUAL_HZ))
        self._hop, self._look = times * HOP, times * LOOK
        self._taper = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(times * WINDOW) + 0.5) / (times * WINDOW))
        self._near = round(SOUND_DELAY_S * sample_rate_hz)
        self._beside = (len(self._taper) - self._hop) // 2
        self._kept, self._errors = np.zeros((0, channels)), np.zeros((0, channels))
        self._first = 0
        start = -(-self._beside // self._hop) * self._hop
        self._predicted = start
        self._judged = start + -(-self._look // self._hop) * self._hop
        self.found = np.zeros((channels, MOST_KEPT, 7))

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block))
        frames = len(window)
        errors = np.concatenate((self._errors, np.zeros((frames - len(self._errors), block.shape[1]))))
        predicted, judged = self._predicted, self._judged
        for channel in range(block.shape[1]):
            row, found = np.ascontiguousarray(window[:, channel]), np.ascontiguousarray(errors[:, channel])
            predicted, judged = self._run(row, found, channel)
            errors[:, channel] = found
        self._predicted, self._judged = predicted, judged
        cut = max(0, min(predicted - self._beside, judged - self._look) - self._first)
        self._kept, self._errors = window[cut:].copy(), errors[cut:].copy()
        self._first += cut

    def _run(self, row: Samples, errors: Samples, channel: int) -> tuple[int, int]:
        """Predict and judge what can be in one channel; return the frames from which both go on."""
        end, predicted, judged = self._first + len(row), self._predicted, self._judged
        while predicted + self._hop + self._beside <= end:
            start = predicted - self._first
            predict(row, errors, start, start + self._hop, self._taper)
            predicted += self._hop
        while judged + self._hop + self._look <= predicted:
            start = judged - self._first
            keep_largest(row, errors, start, start + self._hop, self._look, self._first, self.found[channel])
            judged += self._hop
        return predicted, judged

    def result(self) -> tuple[Gap, ...]:
        """Return the splices in order of time; the first and last 50 ms are never judged."""
        splices = [splice for channel, rows in enumerate(self.found) for splice in _splices(channel, rows)]
        kept = [splice for splice in splices if not self._is_delayed_sound(splice, splices)]
        return tuple(sorted(kept, key=lambda gap: (gap.start, gap.channel)))

    def _is_delayed_sound(self, splice: Gap, splices: list[Gap]) -> bool:
        """Return whether another channel has one a little earlier or later; lost data is lost in all at once."""
        apart = [abs(other.start - splice.start) for other in splices if other.channel != splice.channel]
        return any(AT_ONCE < frames <= self._near for frames in apart)


def _splices(channel: int, found: Samples) -> list[Gap]:
    """Return the errors that stand far above all others, if they are few, and lie in sound that goes on alike."""
    rows = found[np.argsort(-found[:, 0], kind="stable")].tolist()
    for count in range(MOST_SPLICES, 0, -1):
        if rows[count - 1][0] >= max(LEAST_RATIO, NEXT_RATIO * rows[count][0]):
            return [
                Gap(channel=channel, start=int(row[1]), frames=0, value_linear=row[2])
                for row in rows[:count]
                if _goes_on(row) and not _comes_again(row[2], rows)
            ]
    return []


def _goes_on(row: list[float]) -> bool:
    """Return whether the sound has one level and one kind on both sides."""
    _, _, _, before, behind, left, right = row
    is_level = max(left, right) <= SAME_LEVEL * min(left, right)
    return is_level and min(before, behind) >= SAME_ERROR * max(before, behind)


def _comes_again(size: float, rows: list[list[float]]) -> bool:
    """Return whether another place has an error of the same size."""
    return sum(abs(row[2] - size) <= SAME_SIZE * size for row in rows) > 1


class RepeatMeter:
    """Finds buffers that come twice, one right after the other; any cut into blocks gives the same."""

    def __init__(self, channels: int) -> None:
        self._kept = np.zeros((HISTORY, channels))
        self._first = -HISTORY
        self._states = np.zeros((channels, 4), np.int64)
        self._places = np.full((channels, PLACES), -HISTORY - 1, np.int64)
        self.found: list[tuple[int, int, int]] = []

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block))
        found = np.empty((len(block) // SHORTEST + 1, 2), np.int64)
        for channel in range(block.shape[1]):
            row = np.ascontiguousarray(window[:, channel])
            state, places = self._states[channel], self._places[channel]
            count = find_repeats(row, row.view(np.int64), HISTORY, self._first, state, places, found)
            self.found += [(start, frames, channel) for start, frames in found[:count].tolist()]
        self._kept = window[len(block) :].copy()
        self._first += len(block)

    def result(self) -> tuple[Gap, ...]:
        """Return where a buffer begins a second time, with its frames, in order of time: the first of many."""
        places = sorted(self.found)[:MOST_POSITIONS]
        return tuple(
            Gap(channel=channel, start=start, frames=frames, value_linear=0.0) for start, frames, channel in places
        )
