"""Places where sound is missing: one value held inside sound, and jumps between two samples.

A held stretch, of zeros or of any value, counts where sound moves right up to it and right behind it: nearly every
sample there differs from the next, and the movement does not die away towards the stretch as in a fade. Crests that are
cut flat are none: a held value that stands over both sides, is not passed nearby, and is left without a jump. A jump is
a step: two bends of the waveform (its second differences), one up and one down, that stand far above every other one of
the file, with sound on both sides; the attack of a note bends but once. Source: own definition; the figures are ours.
"""

from typing import Final

import numpy as np

from stager.compiled import sample_loop
from stager.meters.held import APART, LEAST_FRAMES, LOOK, are_alike, find_held, moves
from stager.meters.peak import Samples
from stager.model.damage import Gap, Gaps

LONGEST_S: Final = 0.08
"""A longer silence may be meant: a cut between phrases; buffers that are lost are shorter."""
MARGIN: Final = LOOK + LEAST_FRAMES
"""Frames kept before the place where the search goes on."""
LEAST_BESIDE_LINEAR: Final = 3e-6
"""The same beside a jump, which stands far above it: a low tone at its crest, in 24 bits, moves so slowly."""
BESIDE_BENDS: Final = 4.0
"""How many times any other bend beside it the bend of a jump must be; a slow tone moves far more than it bends."""
STEP_BENDS: Final = 0.5
"""The second bend of a step over its first, at the least; a bend by itself is the attack of a note."""
JUMP_RATIO: Final = 3.0
"""How many times the next smaller bend of the file the bends of jumps must be."""
LEAST_BEND_LINEAR: Final = 0.003
MOST_BENDS: Final = 32
"""Largest bends kept, by channel."""
MOST_JUMPS: Final = 8
MOST_PLACES: Final = 20
CHUNK: Final = 64


class GapMeter:
    """Finds held stretches and jumps in each channel, in bounded memory; any cut of the blocks gives the same."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._longest = round(LONGEST_S * sample_rate_hz)
        self._kept = np.zeros((MARGIN, channels))
        self._places = np.full((channels, 2), MARGIN, np.int64)
        self._first = -MARGIN
        self._held: list[Gap] = []
        self._counts = np.zeros(2, np.int64)
        self._worst: Gap | None = None
        self._bends = np.zeros((channels, MOST_BENDS, 2))

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block))
        for channel in range(block.shape[1]):
            self._find_held(channel, window[:, channel])
            place = int(self._places[channel, 1])
            self._places[channel, 1] = _find_bends(window[:, channel], place, self._first, self._bends[channel])
        cut = max(0, int(self._places.min()) - MARGIN)
        self._kept = window[cut:].copy()
        self._places -= cut
        self._first += cut

    def result(self) -> Gaps:
        """Give what was found in all that was fed; its last two milliseconds have no surroundings to be judged by."""
        jumps = [jump for channel, bends in enumerate(self._bends) for jump in _jumps(channel, bends)]
        return Gaps(
            held_count=int(self._counts[0]),
            held_frames=int(self._counts[1]),
            held=tuple(sorted(self._held, key=_by_time)[:MOST_PLACES]),
            longest=self._worst,
            jump_count=len(jumps),
            jumps=tuple(sorted(jumps, key=_by_time)[:MOST_PLACES]),
        )

    def _find_held(self, channel: int, row: Samples) -> None:
        found = np.empty((len(row) // LEAST_FRAMES + 1, 2), np.int64)
        count, place = find_held(row, int(self._places[channel, 0]), self._longest, found)
        self._places[channel, 0] = place
        for start, stop in found[:count].tolist():
            gap = Gap(channel=channel, start=self._first + start, frames=stop - start, value_linear=float(row[start]))
            self._add(gap)

    def _add(self, gap: Gap) -> None:
        self._counts += (1, gap.frames)
        self._held = sorted((*self._held, gap), key=_by_time)[:MOST_PLACES]
        if self._worst is None or (-gap.frames, *_by_time(gap)) < (-self._worst.frames, *_by_time(self._worst)):
            self._worst = gap


def _by_time(gap: Gap) -> tuple[int, int]:
    return gap.start, gap.channel


def _jumps(channel: int, bends: Samples) -> list[Gap]:
    """Those of the largest bends that stand far above all others, if they are few."""
    rows = sorted(bends.tolist(), key=lambda row: (-row[0], row[1]))
    for count in range(MOST_JUMPS, 0, -1):
        if rows[count - 1][0] >= JUMP_RATIO * max(rows[count][0], LEAST_BEND_LINEAR):
            return [
                Gap(channel=channel, start=abs(int(at)), frames=0, value_linear=size)
                for size, at in rows[:count]
                if at > 0
            ]
    return []


@sample_loop
def _find_bends(row: Samples, place: int, first: int, bends: Samples) -> int:
    """Keep the largest bends, (size, frame), the frame negative where no sound stands on both sides."""
    last = row.shape[0] - LOOK
    least = bends[:, 0].min()
    while place < last:
        end = min(last, place + CHUNK)
        if _largest_bend(row, place, end) > max(least, LEAST_BEND_LINEAR):
            for i in range(place, end):
                size = abs(row[i - 1] - 2.0 * row[i] + row[i + 1])
                if size > max(least, LEAST_BEND_LINEAR) and _stands_out(row, i, size):
                    slot = bends[:, 0].argmin()
                    sign = 1.0 if _inside_sound(row, i, size) else -1.0
                    bends[slot, 0], bends[slot, 1] = size, sign * (first + i)
                    least = bends[:, 0].min()
        place = end
    return place


@sample_loop
def _largest_bend(row: Samples, first: int, last: int) -> float:
    a = b = 0.0
    for i in range(first, last - 1, 2):
        a = max(a, abs(row[i - 1] - 2.0 * row[i] + row[i + 1]))
        b = max(b, abs(row[i] - 2.0 * row[i + 1] + row[i + 2]))
    return float(max(a, b, abs(row[last - 2] - 2.0 * row[last - 1] + row[last])))


@sample_loop
def _stands_out(row: Samples, at: int, size: float) -> bool:
    """Whether no bend within `APART` frames is larger, nor one before it as large: a step bends twice."""
    for i in range(at - APART, at + APART + 1):
        other = abs(row[i - 1] - 2.0 * row[i] + row[i + 1])
        if other > size or (other == size and i < at):
            return False
    return True


@sample_loop
def _inside_sound(row: Samples, at: int, size: float) -> bool:
    """Whether sound of like movement stands on both sides of a bend, and the bend far above every one beside it."""
    before, behind = moves(row, at - 1, -1, LEAST_BESIDE_LINEAR), moves(row, at + 1, 1, LEAST_BESIDE_LINEAR)
    if not are_alike(before, behind) or not _is_step(row, at):
        return False
    beside = max(_largest_bend(row, at - LOOK + 2, at - 1), _largest_bend(row, at + 2, at + LOOK - 2))
    return bool(size > BESIDE_BENDS * beside)


@sample_loop
def _is_step(row: Samples, at: int) -> bool:
    """Whether a bend the other way, of like size, stands right beside this one."""
    here = row[at - 1] - 2.0 * row[at] + row[at + 1]
    before = row[at - 2] - 2.0 * row[at - 1] + row[at]
    behind = row[at] - 2.0 * row[at + 1] + row[at + 2]
    return bool(min(before * here, behind * here) <= -STEP_BENDS * here * here)
