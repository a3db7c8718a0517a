"""Places where sound is missing: one value held inside sound, and jumps between two samples.

A held stretch, of zeros or of any value, counts where sound moves right up to it and right behind it: nearly every
sample there differs from the next, and the movement does not die away towards the stretch as in a fade. Crests that are
cut flat are none: a held value that stands over both sides, is not passed nearby, and is left without a jump. A jump is
a step: two bends of the waveform (its second differences), one up and one down, that stand far above every other one of
the file, with sound on both sides; the attack of a note bends but once. A single bend is one where it is the only one
of its file, sound goes on at the same level, and no other channel has it a little earlier or later. Stretches and jumps
that come again, the same to the sample, are of a stored sound that is played again, and none of them is missing.
Source: own definition; the figures are ours.
"""

from typing import Final

import numpy as np

from stager.compiled import sample_loop
from stager.meters.held import APART, LEAST_FRAMES, LOOK, are_alike, find_held, moves, sizes
from stager.meters.lanes import largest_bend
from stager.meters.peak import Samples
from stager.model.damage import Gap, Gaps

LONGEST_S: Final = 0.075
"""A longer silence may be meant: a cut between phrases, or a gate; buffers that are lost are mostly shorter
(own figure)."""
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
LEAST_BEND_LINEAR: Final = 0.001
"""A bend under it is no jump: -60 dBFS, as soft as the noise of a room."""
SAME_SIZE: Final = 1e-6
"""Bends whose sizes differ by no more of them are of one sound played again: no loss comes twice alike."""
STARK_BENDS: Final = 10.0
"""How many times any bend beside it the bend of a step must be to be no attack, whatever moves on its two sides."""
STARK_STEP: Final = 0.25
"""The second bend of such a step over its first, at the least."""
STARK_SHARE: Final = 0.05
"""Mean size of the sound on each side of such a step over the step: sound goes on there (own figure)."""
STARK_MOVES: Final = 4
"""Of the differences on each side of such a step, those that must not be 0; square waves rest."""
EVEN: Final = (1.15, 1.2)
LOOSE: Final = (1.4, 1.5)
"""Movement, and size, on one side of a bend alone over those on the other, up to which nothing begins there:
of the two, one must be even, and the other may be loosely so."""
TURN_SHARE: Final = 0.2
"""Movement before and behind such a bend over the bend, the two in opposite directions (own figure)."""
STEP, BEND, NEITHER = 1.0, 0.5, 0.0
"""What stands at a bend: a step inside sound, a bend alone inside sound that stays as it was, or none of them."""
HEARD_APART_S: Final = 0.02
"""A bend alone that another channel has within such a time, and not at once, is of a sound that two microphones heard,
up to 7 m further from one of them (arithmetic: 343 m/s, from memory)."""
MOST_BENDS: Final = 32
"""Largest bends kept, by channel."""
MOST_JUMPS: Final = 8
MOST_PLACES: Final = 20
MOST_HELD: Final = 1000
"""Held stretches of a channel that are kept; more are counted, and the longest is sought among these."""
EDGE: Final = 4
"""Samples on each side that tell whether a stretch comes again: then a stored sound is played once more."""
CHUNK: Final = 64


class GapMeter:
    """Finds held stretches and jumps in each channel, in bounded memory; any cut of the blocks gives the same."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._longest, self._near = round(LONGEST_S * sample_rate_hz), round(HEARD_APART_S * sample_rate_hz)
        self._kept = np.zeros((MARGIN, channels))
        self._places = np.full((channels, 2), MARGIN, np.int64)
        self._first = -MARGIN
        self._held = tuple(_Once(channel) for channel in range(channels))
        self._bends = np.zeros((channels, MOST_BENDS, 3))

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
        found = [jump for channel, bends in enumerate(self._bends) for jump in _jumps(channel, bends)]
        jumps = [jump for jump, kind in found if kind == STEP or not self._is_heard_apart(jump, found)]
        held = [gap for channel in self._held for gap in channel.gaps()]
        return Gaps(
            held_count=len(held) + sum(channel.more_count for channel in self._held),
            held_frames=sum(gap.frames for gap in held) + sum(channel.more_frames for channel in self._held),
            held=tuple(sorted(held, key=_by_time)[:MOST_PLACES]),
            longest=min(held, key=lambda gap: (-gap.frames, *_by_time(gap)), default=None),
            jump_count=len(jumps),
            jumps=tuple(sorted(jumps, key=_by_time)[:MOST_PLACES]),
        )

    def _is_heard_apart(self, bend: Gap, found: list[tuple[Gap, float]]) -> bool:
        """Whether another channel bends a little earlier or later: what is lost on the way is lost in all at once."""
        apart = [abs(other.start - bend.start) for other, _ in found if other.channel != bend.channel]
        return any(0 < frames <= self._near for frames in apart)

    def _find_held(self, channel: int, row: Samples) -> None:
        found = np.empty((len(row) // LEAST_FRAMES + 1, 2), np.int64)
        count, place = find_held(row, int(self._places[channel, 0]), self._longest, found)
        self._places[channel, 0] = place
        for start, stop in found[:count].tolist():
            self._held[channel].add(self._first + start, row, start, stop)


class _Once:
    """Held stretches of one channel, without those that come again with the same samples on both sides."""

    def __init__(self, channel: int) -> None:
        self._channel = channel
        self._seen: dict[tuple[float, ...], Gap | None] = {}
        self.more_count = 0
        self.more_frames = 0

    def add(self, at: int, row: Samples, start: int, stop: int) -> None:
        """Take in one at frame `at`; what comes when there are very many already is only counted."""
        frames = stop - start
        key = (frames, *row[start - EDGE : start].tolist(), *row[stop : stop + EDGE].tolist())
        if key in self._seen:
            self._seen[key] = None
        elif len(self._seen) < MOST_HELD:
            self._seen[key] = Gap(channel=self._channel, start=at, frames=frames, value_linear=float(row[start]))
        else:
            self.more_count += 1
            self.more_frames += frames

    def gaps(self) -> list[Gap]:
        """Give those that came once, in order of time."""
        return [gap for gap in self._seen.values() if gap is not None]


def _by_time(gap: Gap) -> tuple[int, int]:
    return gap.start, gap.channel


def _jumps(channel: int, bends: Samples) -> list[tuple[Gap, float]]:
    """Those of the largest bends that stand far above all others, if they are few, each with what stands there."""
    rows = sorted(bends.tolist(), key=lambda row: (-row[0], row[1]))
    for count in range(MOST_JUMPS, 0, -1):
        if rows[count - 1][0] >= max(JUMP_RATIO * rows[count][0], LEAST_BEND_LINEAR):
            return [
                (Gap(channel=channel, start=int(at), frames=0, value_linear=size), kind)
                for place, (size, at, kind) in enumerate(rows[:count])
                if kind >= (STEP if count > 1 else BEND) and not _comes_again(rows, place)
            ]
    return []


def _comes_again(rows: list[list[float]], place: int) -> bool:
    """Whether another bend has the same size; the rows go down in size."""
    size, near = rows[place][0], rows[max(0, place - 1) : place] + rows[place + 1 : place + 2]
    return any(abs(other - size) <= SAME_SIZE * size for other, _, _ in near)


@sample_loop
def _find_bends(row: Samples, place: int, first: int, bends: Samples) -> int:
    """Keep the largest bends: size, frame, and what stands there."""
    last = row.shape[0] - LOOK
    slot = _smallest(bends)
    while place < last:
        end = min(last, place + CHUNK)
        if largest_bend(row[place - 1 : end + 1]) > max(bends[slot, 0], LEAST_BEND_LINEAR):
            for i in range(place, end):
                size = abs(row[i - 1] - 2.0 * row[i] + row[i + 1])
                if size > max(bends[slot, 0], LEAST_BEND_LINEAR) and _stands_out(row, i, size):
                    bends[slot, 0], bends[slot, 1], bends[slot, 2] = size, first + i, _kind(row, i, size)
                    slot = _smallest(bends)
        place = end
    return place


@sample_loop
def _smallest(bends: Samples) -> int:
    """Which row has the smallest bend."""
    slot = 0
    for i in range(1, bends.shape[0]):
        if bends[i, 0] < bends[slot, 0]:
            slot = i
    return slot


@sample_loop
def _stands_out(row: Samples, at: int, size: float) -> bool:
    """Whether no bend within `APART` frames is larger, nor one before it as large: a step bends twice."""
    for i in range(at - APART, at + APART + 1):
        other = abs(row[i - 1] - 2.0 * row[i] + row[i + 1])
        if other > size or (other == size and i < at):
            return False
    return True


@sample_loop
def _kind(row: Samples, at: int, size: float) -> float:
    """Say whether a step, or a bend alone, stands far above every bend beside it in sound that goes on behind it.

    A note that begins bends the waveform far above all else only where it makes it louder.
    """
    beside = max(largest_bend(row[at - LOOK + 1 : at]), largest_bend(row[at + 1 : at + LOOK - 1]))
    if size <= BESIDE_BENDS * beside:
        return NEITHER
    step = _is_step(row, at, STEP_BENDS)
    if size > STARK_BENDS * beside and _is_step(row, at, STARK_STEP) and _sounds(row, at, size):
        return STEP
    before, behind = moves(row, at - 1, -1, LEAST_BESIDE_LINEAR), moves(row, at + 1, 1, LEAST_BESIDE_LINEAR)
    if not are_alike(before, behind):
        return NEITHER
    left, right = sizes(row, at, at + 1)
    moved, sized = max(before, behind) / min(before, behind), max(left, right) / max(1e-9, min(left, right))
    even = (moved <= EVEN[0] and sized <= LOOSE[1]) or (moved <= LOOSE[0] and sized <= EVEN[1])
    return STEP if step else BEND if even and _turns_round(row, at, size) else NEITHER


@sample_loop
def _turns_round(row: Samples, at: int, size: float) -> bool:
    """Whether a large bend turns the waveform round, as where a crest is lost; a knock rather adds to its movement."""
    before, behind = row[at - 1] - row[at - 2], row[at + 2] - row[at + 1]
    return bool(before * behind < 0.0 and min(abs(before), abs(behind)) >= TURN_SHARE * size)


@sample_loop
def _sounds(row: Samples, at: int, size: float) -> bool:
    """Whether sound that is not small against a step moves on both of its sides."""
    before = behind = 0
    for i in range(1, LOOK - 2):
        before += row[at - 1 - i] != row[at - 2 - i]
        behind += row[at + 1 + i] != row[at + 2 + i]
    left, right = sizes(row, at, at + 1)
    return bool(min(before, behind) >= STARK_MOVES and min(left, right) >= STARK_SHARE * size)


@sample_loop
def _is_step(row: Samples, at: int, share: float) -> bool:
    """Whether a bend the other way, of such a share of it, stands right beside this one."""
    here = row[at - 1] - 2.0 * row[at] + row[at + 1]
    before = row[at - 2] - 2.0 * row[at - 1] + row[at]
    behind = row[at] - 2.0 * row[at + 1] + row[at + 2]
    return bool(min(before * here, behind * here) <= -share * here * here)
