"""Places where sound is missing: one value held inside sound, and jumps between two samples.

A held stretch, of zeros or of any value, counts where sound moves right up to it and right behind it: nearly every
sample there differs from the next, and the movement does not die away towards the stretch as in a fade. Crests that are
cut flat are none: a held value that stands over both sides and is left without a jump. A jump is a bend of the waveform
(its second difference) that stands far above every other one of the file, with sound on both sides. Source: own
definition; the figures are ours.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.compiled import sample_loop
from stager.meters.peak import Samples
from stager.model.damage import Gap, Gaps

LEAST_FRAMES: Final = 16
"""Samples that must hold one value: 0.3 ms."""
LONGEST_S: Final = 0.08
"""A longer silence may be meant: a cut between phrases; buffers that are lost are shorter."""
LOOK: Final = 96
"""Samples on each side that the surroundings are judged by."""
MARGIN: Final = LOOK + LEAST_FRAMES
"""Frames kept before the place where the search goes on."""
NEAR: Final = 16
MOVING: Final = 28
"""Of 32 differences beside a gap, those that must not be 0."""
LEAST_MOVE_LINEAR: Final = 1e-4
"""Movement from sample to sample under which nothing can be said: three codes of 16 bits."""
LEAST_BESIDE_LINEAR: Final = 3e-5
"""The same beside a jump, which stands far above it: one code of 16 bits."""
LEAST_HELD_LINEAR: Final = 1e-3
"""A held value under it may be the end of a fade."""
FADE_RATIO: Final = 0.3
"""Movement beside the gap over that further out, under which the sound was faded."""
QUICK_FRAMES: Final = 8.0
"""A sound that turns more often than this is seen to fade by its movement alone."""
STEP_MOVES: Final = 2.0
"""How many times the movement beside it the step at an edge must be, where a sound turns more slowly."""
JUMP_MOVES: Final = 4.0
"""How many times the movement beside it a step must be to be a jump."""
EXIT_MOVES: Final = 3.0
"""How many times the movement behind it the step out of a crest must be, so that the crest was not cut but held."""
LONG_TURNS: Final = 6.0
"""How many times longer than its surroundings go in one direction a crest can't be."""
LIKE_RATIO: Final = 8.0
"""Movement or size on one side of a gap over that on the other, up to which sound is the same sound: 18 dB."""
JUMP_RATIO: Final = 3.0
"""How many times the next smaller bend of the file the bends of jumps must be."""
LEAST_BEND_LINEAR: Final = 0.003
MOST_BENDS: Final = 32
"""Largest bends kept, by channel."""
MOST_JUMPS: Final = 8
MOST_PLACES: Final = 20
APART: Final = 8
"""Frames within which two bends are one."""
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
        count, place = _find_held(row, int(self._places[channel, 0]), self._longest, found)
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
def _find_held(row: Samples, place: int, longest: int, found: NDArray[np.int64]) -> tuple[int, int]:
    """Write (start, stop) of each held stretch inside sound; give how many, and where to go on."""
    frames, count = row.shape[0], 0
    while place < frames:
        if row[place] != row[place - 1]:
            place += LEAST_FRAMES // 2
            continue
        start, stop = place - 1, place
        while start > 0 and place - start <= longest and row[start - 1] == row[place]:
            start -= 1
        while stop < frames and row[stop] == row[place]:
            stop += 1
        if stop - start > longest:
            place = max(stop, place + 1)
            continue
        if stop + LOOK > frames:
            return count, start
        if stop - start >= LEAST_FRAMES and start >= LOOK and _is_gap(row, start, stop):
            found[count, 0], found[count, 1] = start, stop
            count += 1
        place = stop + 1
    return count, frames


@sample_loop
def _is_gap(row: Samples, start: int, stop: int) -> bool:
    """Whether sound moves right up to a held stretch and right behind it, and it is no crest that was cut flat."""
    before, behind = _moves(row, start, -1, LEAST_MOVE_LINEAR), _moves(row, stop - 1, 1, LEAST_MOVE_LINEAR)
    held = row[start] != 0.0 and min(before, behind) > 0.0
    if not held and not _is_cut(row, start, stop):
        return False
    if not (_are_alike(before, behind) or (held and _are_alike(*_sizes(row, start, stop)))):
        return False
    turn = max(_turn(row, start, -1), _turn(row, stop - 1, 1))
    if turn < LOOK / LONG_TURNS and stop - start > LONG_TURNS * turn:
        return True
    value, left, right = row[start], row[start - 1], row[stop]
    crest = (left < value and right < value and value > 0.0) or (left > value and right > value and value < 0.0)
    if not crest:
        return bool(abs(right - value) > LEAST_MOVE_LINEAR)
    return bool(abs(right - value) > EXIT_MOVES * _largest_move(row, stop))


@sample_loop
def _are_alike(before: float, behind: float) -> bool:
    """Whether sound of like movement stands on both sides."""
    return min(before, behind) > 0.0 and max(before, behind) <= LIKE_RATIO * min(before, behind)


@sample_loop
def _is_cut(row: Samples, start: int, stop: int) -> bool:
    """Whether sound does not just run down to zero and up again: in a short fade low notes move as fast as else."""
    quick = min(_turn(row, start, -1), _turn(row, stop - 1, 1)) <= QUICK_FRAMES
    return quick or _steps(row, start, -1) or _steps(row, stop - 1, 1)


@sample_loop
def _steps(row: Samples, edge: int, step: int) -> bool:
    """Whether the step at an edge is larger than the movement right beside it."""
    beside = abs(row[edge + 5 * step] - row[edge + 4 * step])
    for i in range(1, 4):
        beside += abs(row[edge + (i + 1) * step] - row[edge + i * step])
    return bool(abs(row[edge + step] - row[edge]) > STEP_MOVES * beside / 4.0)


@sample_loop
def _sizes(row: Samples, start: int, stop: int) -> tuple[float, float]:
    """The mean size of the samples before and behind a stretch."""
    before = behind = 0.0
    for i in range(LOOK):
        before += abs(row[start - 1 - i])
        behind += abs(row[stop + i])
    return before, behind


@sample_loop
def _turn(row: Samples, edge: int, step: int) -> float:
    """How many samples the waveform beside an edge goes on in one direction, on average."""
    turns = 0
    for i in range(1, LOOK - 2):
        move = row[edge + step * (i + 1)] - row[edge + step * i]
        turns += move * (row[edge + step * (i + 2)] - row[edge + step * (i + 1)]) < 0.0
    return (LOOK - 1.0) / (turns + 1.0)


@sample_loop
def _largest_move(row: Samples, at: int) -> float:
    """The largest movement from sample to sample just behind a place."""
    largest = 0.0
    for i in range(at, at + APART):
        largest = max(largest, abs(row[i + 1] - row[i]))
    return largest


@sample_loop
def _moves(row: Samples, edge: int, step: int, least_linear: float) -> float:
    """The mean movement from sample to sample beside an edge; 0 where there is too little, or it was faded."""
    moving, near, far = 0, 0.0, 0.0
    for i in range(1, LOOK - 1):
        move = abs(row[edge + step * (i + 1)] - row[edge + step * i])
        moving += i <= 2 * NEAR and move > 0.0
        near += move if i <= NEAR else 0.0
        far += move if i > NEAR else 0.0
    near, far = near / NEAR, far / (LOOK - 2 - NEAR)
    if moving < MOVING or far < least_linear:
        return 0.0
    jumps = abs(row[edge + step] - row[edge]) > JUMP_MOVES * near
    faded = abs(row[edge]) < LEAST_HELD_LINEAR and near < FADE_RATIO * far and not jumps
    return 0.0 if faded else max(near, far)


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
    """Whether sound of like movement stands on both sides of a bend, and the bend far above that movement."""
    before, behind = _moves(row, at - 1, -1, LEAST_BESIDE_LINEAR), _moves(row, at + 1, 1, LEAST_BESIDE_LINEAR)
    return _are_alike(before, behind) and size > JUMP_MOVES * max(before, behind)
