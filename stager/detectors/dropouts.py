"""Dropouts: one value held inside sound, and jumps between two samples, in each channel while a file passes.

`README.md` in this folder says what the signal looks like, which features are computed, and what decides. Curvature is
the size of the second difference of three samples.
"""

from typing import Final

import numpy as np

from stager.detectors.dropout_loops import APART, BACK, LEAST_FRAMES, LOOK, ON, are_alike, find_held, moves, sizes
from stager.meters.lanes import largest_curvature
from stager.meters.peak import Samples
from stager.model.damage import Gap, Gaps
from stager.system.jit import sample_loop

LONGEST_S: Final = 0.075
"""A longer rest may be deliberate: a cut between phrases, or a gate (empirical: takes, gated sounds)."""
MARGIN: Final = LOOK + LEAST_FRAMES
"""Frames kept before the position from which the search goes on."""
LEAST_BESIDE_LINEAR: Final = 3e-6
"""Least mean movement from sample to sample beside a jump: a low tone in 24 bits moves so slowly at its crest."""
BESIDE_RATIO: Final = 4.0
"""The curvature of a jump over any other within `LOOK` frames, at least (empirical: takes)."""
STEP_SHARE: Final = 0.5
"""The opposite curvature beside that of a step over it, at least; a note's attack has none (empirical: takes)."""
JUMP_RATIO: Final = 3.0
"""The curvatures of all jumps over the next smaller one of the channel, at least (empirical: takes)."""
LEAST_CURVATURE_LINEAR: Final = 0.001
"""A smaller curvature is no jump: -60 dBFS, as soft as the noise of a room."""
SAME_SIZE: Final = 1e-6
"""Curvatures that differ by no more, relative to their size, belong to one stored sound that is played again."""
STARK_RATIO: Final = 10.0
"""As `BESIDE_RATIO`, for a step that counts whatever moves on its two sides (empirical: takes)."""
STARK_STEP: Final = 0.25
"""As `STEP_SHARE`, for such a step."""
STARK_SHARE: Final = 0.05
"""Mean size of the sound on each side of such a step over the step, at least (empirical: takes)."""
STARK_MOVES: Final = 4
"""Of the differences on each side of such a step, those that must not be 0; square waves rest there."""
EVEN: Final = (1.15, 1.2)
LOOSE: Final = (1.4, 1.5)
"""Ratios of movement and of size between the two sides of a lone curvature up to which no note begins there: one of the
two must be within `EVEN`, the other within `LOOSE` (empirical: takes)."""
TURN_SHARE: Final = 0.2
"""Movement before and after a lone curvature over it, in opposite directions, at least (empirical: takes)."""
STEP, LONE, NEITHER = 1.0, 0.5, 0.0
"""What a large curvature is: a step inside sound; a lone one inside sound that goes on unchanged; or neither."""
SOUND_DELAY_S: Final = 0.02
"""A lone curvature that another channel shows within this time, but not simultaneously, is sound that reached two
microphones up to 7 m apart, not lost data (arithmetic: 343 m/s, from memory)."""
MOST_CURVATURES: Final = 32
"""Largest curvatures kept, by channel."""
MOST_JUMPS: Final = 8
"""More large curvatures than this are the nature of the sound."""
MOST_POSITIONS: Final = 20
"""Positions that a result lists; all are counted."""
MOST_HELD: Final = 1000
"""Held stretches of a channel that are kept; further ones are only counted, and are never the longest."""
EDGE: Final = 4
"""Samples on each side by which a stretch that comes again is recognised: a stored sound that is played once more."""
CHUNK: Final = 64
"""Samples that are skipped at once where their largest curvature is too small."""


class GapMeter:
    """Finds held stretches and jumps in bounded memory; any cut into blocks gives the same."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._longest, self._near = round(LONGEST_S * sample_rate_hz), round(SOUND_DELAY_S * sample_rate_hz)
        self._kept = np.zeros((MARGIN, channels))
        self._positions = np.full((channels, 2), MARGIN, np.int64)
        self._first = -MARGIN
        self._held = tuple(_HeldStretches(channel) for channel in range(channels))
        self._curvatures = np.zeros((channels, MOST_CURVATURES, 3))

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block))
        for channel in range(block.shape[1]):
            self._find_held(channel, window[:, channel])
            position = int(self._positions[channel, 1])
            self._positions[channel, 1] = _find_curvatures(
                window[:, channel], position, self._first, self._curvatures[channel]
            )
        cut = max(0, int(self._positions.min()) - MARGIN)
        self._kept = window[cut:].copy()
        self._positions -= cut
        self._first += cut

    def result(self) -> Gaps:
        """Return what was found; the last 2 ms are never judged, for want of samples after them."""
        found = [jump for channel, curvatures in enumerate(self._curvatures) for jump in _jumps(channel, curvatures)]
        jumps = [jump for jump, kind in found if kind == STEP or not self._is_delayed_sound(jump, found)]
        held = [gap for channel in self._held for gap in channel.gaps()]
        return Gaps(
            held_count=len(held) + sum(channel.more_count for channel in self._held),
            held_frames=sum(gap.frames for gap in held) + sum(channel.more_frames for channel in self._held),
            held=tuple(sorted(held, key=_by_time)[:MOST_POSITIONS]),
            longest=min(held, key=lambda gap: (-gap.frames, *_by_time(gap)), default=None),
            jump_count=len(jumps),
            jumps=tuple(sorted(jumps, key=_by_time)[:MOST_POSITIONS]),
        )

    def _is_delayed_sound(self, curvature: Gap, found: list[tuple[Gap, float]]) -> bool:
        """Return whether another channel has one a little earlier or later; lost data is lost in all at once."""
        apart = [abs(other.start - curvature.start) for other, _ in found if other.channel != curvature.channel]
        return any(0 < frames <= self._near for frames in apart)

    def _find_held(self, channel: int, row: Samples) -> None:
        found = np.empty((len(row) // LEAST_FRAMES + 1, 2), np.int64)
        count, position = find_held(row, int(self._positions[channel, 0]), self._longest, found)
        self._positions[channel, 0] = position
        for start, stop in found[:count].tolist():
            self._held[channel].add(self._first + start, row, start, stop)


class _HeldStretches:
    """Held stretches of one channel, except those that come again with the same samples on both sides."""

    def __init__(self, channel: int) -> None:
        self._channel = channel
        self._seen: dict[tuple[float, ...], Gap | None] = {}
        self.more_count = 0
        self.more_frames = 0

    def add(self, at: int, row: Samples, start: int, stop: int) -> None:
        """Add the stretch at frame `at`; once `MOST_HELD` are kept, it is only counted."""
        frames = stop - start
        key = (frames, *row[start - EDGE : start].tolist(), *row[stop : stop + EDGE].tolist())
        if key in self._seen:
            self._seen[key] = None
        elif len(self._seen) < MOST_HELD:
            edge = max(abs(row[start] - row[start - 1]), abs(row[stop] - row[stop - 1]))
            self._seen[key] = Gap(
                channel=self._channel,
                start=at,
                frames=frames,
                value_linear=float(row[start]),
                edge_linear=float(edge),
            )
        else:
            self.more_count += 1
            self.more_frames += frames

    def gaps(self) -> list[Gap]:
        """Return those that came once, in order of time."""
        return [gap for gap in self._seen.values() if gap is not None]


def _by_time(gap: Gap) -> tuple[int, int]:
    return gap.start, gap.channel


def _jumps(channel: int, curvatures: Samples) -> list[tuple[Gap, float]]:
    """Return the curvatures that stand far above all others, if they are few, each with what it is."""
    rows = sorted(curvatures.tolist(), key=lambda row: (-row[0], row[1]))
    for count in range(MOST_JUMPS, 0, -1):
        if rows[count - 1][0] >= max(JUMP_RATIO * rows[count][0], LEAST_CURVATURE_LINEAR):
            return [
                (Gap(channel=channel, start=int(at), frames=0, value_linear=size), kind)
                for position, (size, at, kind) in enumerate(rows[:count])
                if kind >= (STEP if count > 1 else LONE) and not _comes_again(rows, position)
            ]
    return []


def _comes_again(rows: list[list[float]], position: int) -> bool:
    """Return whether another curvature has the same size; the rows are in descending order of size."""
    size, near = rows[position][0], rows[max(0, position - 1) : position] + rows[position + 1 : position + 2]
    return any(abs(other - size) <= SAME_SIZE * size for other, _, _ in near)


@sample_loop
def _find_curvatures(row: Samples, position: int, first: int, curvatures: Samples) -> int:
    """Keep the largest curvatures as (size, frame, what it is); return the position to go on from."""
    last = row.shape[0] - LOOK
    slot = _smallest(curvatures)
    while position < last:
        end = min(last, position + CHUNK)
        if largest_curvature(row[position - 1 : end + 1]) > max(curvatures[slot, 0], LEAST_CURVATURE_LINEAR):
            for i in range(position, end):
                size = abs(row[i - 1] - 2.0 * row[i] + row[i + 1])
                if size > max(curvatures[slot, 0], LEAST_CURVATURE_LINEAR) and _stands_out(row, i, size):
                    curvatures[slot, 0], curvatures[slot, 1], curvatures[slot, 2] = (
                        size,
                        first + i,
                        _classify(row, i, size),
                    )
                    slot = _smallest(curvatures)
        position = end
    return position


@sample_loop
def _smallest(curvatures: Samples) -> int:
    """Return the row with the smallest curvature."""
    slot = 0
    for i in range(1, curvatures.shape[0]):
        if curvatures[i, 0] < curvatures[slot, 0]:
            slot = i
    return slot


@sample_loop
def _stands_out(row: Samples, at: int, size: float) -> bool:
    """Return whether no curvature within `APART` frames is larger, nor an earlier one as large: a step has two."""
    for i in range(at - APART, at + APART + 1):
        other = abs(row[i - 1] - 2.0 * row[i] + row[i + 1])
        if other > size or (other == size and i < at):
            return False
    return True


@sample_loop
def _classify(row: Samples, at: int, size: float) -> float:
    """Return what a large curvature is: `STEP`, `LONE`, or `NEITHER`, as where a note begins.

    A note that begins has a curvature far above all others only where the sound becomes louder with it.
    """
    beside = max(largest_curvature(row[at - LOOK + 1 : at]), largest_curvature(row[at + 1 : at + LOOK - 1]))
    if size <= BESIDE_RATIO * beside:
        return NEITHER
    step = _is_step(row, at, STEP_SHARE)
    if size > STARK_RATIO * beside and _is_step(row, at, STARK_STEP) and _has_sound_around(row, at, size):
        return STEP
    before, behind = moves(row, at - 1, BACK, LEAST_BESIDE_LINEAR), moves(row, at + 1, ON, LEAST_BESIDE_LINEAR)
    if not are_alike(before, behind):
        return NEITHER
    left, right = sizes(row, at, at + 1)
    moved, sized = max(before, behind) / min(before, behind), max(left, right) / max(1e-9, min(left, right))
    even = (moved <= EVEN[0] and sized <= LOOSE[1]) or (moved <= LOOSE[0] and sized <= EVEN[1])
    return STEP if step else LONE if even and _reverses(row, at, size) else NEITHER


@sample_loop
def _reverses(row: Samples, at: int, size: float) -> bool:
    """Return whether the waveform reverses direction here, as where a crest is lost; a knock adds to its movement."""
    before, behind = row[at - 1] - row[at - 2], row[at + 2] - row[at + 1]
    return bool(before * behind < 0.0 and min(abs(before), abs(behind)) >= TURN_SHARE * size)


@sample_loop
def _has_sound_around(row: Samples, at: int, size: float) -> bool:
    """Return whether sound that is not small against a step moves on both sides of it."""
    before = behind = 0
    for i in range(1, LOOK - 2):
        before += row[at - 1 - i] != row[at - 2 - i]
        behind += row[at + 1 + i] != row[at + 2 + i]
    left, right = sizes(row, at, at + 1)
    return bool(min(before, behind) >= STARK_MOVES and min(left, right) >= STARK_SHARE * size)


@sample_loop
def _is_step(row: Samples, at: int, share: float) -> bool:
    """Return whether an opposite curvature of at least this share stands right beside this one."""
    here = row[at - 1] - 2.0 * row[at] + row[at + 1]
    before = row[at - 2] - 2.0 * row[at - 1] + row[at]
    behind = row[at] - 2.0 * row[at + 1] + row[at + 2]
    return bool(min(before * here, behind * here) <= -share * here * here)
