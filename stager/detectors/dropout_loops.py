"""The compiled loops that find held stretches: one value inside sound that moves on both sides of it.

`row` is one channel of a window. "Movement" is the size of a difference between two samples that follow each other, a
"turn" a change of its direction, "size" the absolute value of a sample.
"""

from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from stager.meters.peak import Samples
from stager.system.jit import sample_loop

LEAST_FRAMES: Final = 16
"""Samples that must hold one value: 0.3 ms."""
LOOK: Final = 96
"""Samples on each side that the surroundings are judged from."""
NEAR: Final = 16
"""Samples that count as right beside a stretch."""
MOVING: Final = 28
"""Of the 32 differences beside a stretch, those that must not be 0 for its movement to count."""
LEAST_MOVING: Final = 16
"""As `MOVING`, the least for any stretch: a quiet low tone of 16 bits rests on each code."""
LEAST_MOVE_LINEAR: Final = 1e-4
"""Movement under which nothing can be decided: three codes of 16 bits."""
LEAST_HELD_LINEAR: Final = 1e-3
"""A held value under it may be the end of a fade."""
FADE_RATIO: Final = 0.3
"""Movement right beside a stretch over that further out, under which the sound was faded (empirical: takes)."""
QUICKEST_FRAMES: Final = 4.0
"""A sound with fewer samples than this between turns, as noise has, shows a fade in its movement alone."""
QUICK_FRAMES: Final = 20.0
"""One with fewer than this shows that it was not faded by last samples that are not small."""
LAST: Final = 8
"""Samples beside an edge that are those last samples."""
QUICK_RATIO: Final = 0.2
"""Largest of the last samples over the largest of all, at least: a fade of 1 ms leaves less (arithmetic: 8 of 44)."""
STEP_MOVES: Final = 2.0
"""The step at an edge over the movement beside it, at least, where a sound turns more slowly (empirical: takes)."""
JUMP_MOVES: Final = 4.0
"""The same for sound that breaks off, whatever its movement (empirical: takes)."""
EXIT_MOVES: Final = 3.0
"""The step out of a crest over the movement after it, from which the crest was held, not cut (empirical: takes)."""
EXIT_CURVATURES: Final = 3.0
"""The same in smooth sound: the step less the next movement, over the curvature there. A clipped crest is left in part
of the next movement, never in more than it (geometry)."""
LEAST_STEP_LINEAR: Final = 0.001
"""Sound does not break off in a smaller step: 33 codes of 16 bits."""
PASSED_RATIO: Final = 1.002
"""Where sound nearby exceeds a held level by this ratio, the level is not where it was clipped."""
MOST_NEXT: Final = 3
"""Stretches that follow each other closely and are judged as one: packets are lost in groups (empirical: takes)."""
SAME_SIZE_RATIO: Final = 12.0
"""Ratio of the sizes on the two sides of zeros up to which it is the same sound, although movement differs."""
EVEN_SIZE_RATIO: Final = 4.0
"""The same where one side may have been faded."""
LONG_TURNS: Final = 6.0
"""A stretch that lasts longer than this many turns of its surroundings is no crest (empirical: takes)."""
LIKE_RATIO: Final = 12.0
"""Ratio of the movements or sizes on the two sides up to which it is the same sound: 22 dB (empirical: takes)."""
APART: Final = 8
"""Frames within which two curvatures are one event."""
BACK: Final = cast("int", np.int64(-1))
ON: Final = cast("int", np.int64(1))
"""Directions in which samples are looked at. As plain numbers, each would have every loop compiled once more."""


@sample_loop
def find_held(row: Samples, position: int, longest: int, found: NDArray[np.int64]) -> tuple[int, int]:
    """Write (start, stop) of each held stretch inside sound; return their number and the position to go on from."""
    frames, count = row.shape[0], 0
    while position < frames:
        if row[position] != row[position - 1]:
            position += LEAST_FRAMES // 2
            continue
        start, stop = position - 1, position
        while start > 0 and position - start <= longest and row[start - 1] == row[position]:
            start -= 1
        while stop < frames and row[stop] == row[position]:
            stop += 1
        if stop - start > longest:
            position = max(stop, position + 1)
            continue
        if stop + LOOK > frames:
            return count, start
        position = stop + 1
        if stop - start >= LEAST_FRAMES and start >= LOOK and _moves_beside(row, start, BACK):
            last = stop if _moves_beside(row, stop - 1, ON) else _last_of_group(row, stop, longest)
            if last + LOOK > frames:
                return count, start
            if _moves_beside(row, last - 1, ON) and _is_gap(row, start, last):
                count = _write(row, start, last, count, found)
                position = last + 1
    return count, frames


@sample_loop
def _last_of_group(row: Samples, stop: int, longest: int) -> int:
    """Return the end of the last of the stretches that follow so soon that the sound between can't be judged.

    Where the row ends before that is known, it is the end of the row.
    """
    last = stop
    for _ in range(1, MOST_NEXT):
        at, run = last, 1
        while at < last + 2 * NEAR + run and run <= longest and at + 1 < row.shape[0]:
            at += 1
            if row[at] == row[at - 1]:
                run += 1
            elif run >= LEAST_FRAMES:
                break
            else:
                run = 1
        if at + 1 >= row.shape[0]:
            return int(row.shape[0])
        if run < LEAST_FRAMES or run > longest:
            return last
        last = at
    return last


@sample_loop
def _write(row: Samples, start: int, last: int, count: int, found: NDArray[np.int64]) -> int:
    """Write each stretch of a group; return how many are written in all."""
    first = start
    for at in range(start + 1, last + 1):
        if row[at] != row[at - 1] or at == last:
            if at - first >= LEAST_FRAMES:
                found[count, 0], found[count, 1] = first, at
                count += 1
            first = at
    return count


@sample_loop
def _is_gap(row: Samples, start: int, stop: int) -> bool:
    """Return whether the waveform moves directly before and after a held stretch that is no clipped crest."""
    if _breaks_off(row, start, stop):
        return True
    before, behind = moves(row, start, BACK, LEAST_MOVE_LINEAR), moves(row, stop - 1, ON, LEAST_MOVE_LINEAR)
    held = row[start] != 0.0 and min(before, behind) > 0.0
    if not held and not _stops_abruptly(row, start, stop):
        return False
    out = abs(row[stop] - row[stop - 1])
    turn = max(_frames_between_turns(row, start, BACK), _frames_between_turns(row, stop - 1, ON))
    is_long = turn < LOOK / LONG_TURNS and stop - start > LONG_TURNS * turn
    is_even = are_alike(before, behind) or (held and are_alike(*sizes(row, start, stop)))
    if is_long and (is_even or (held and out > STEP_MOVES * behind and abs(row[start]) >= LEAST_HELD_LINEAR)):
        return True
    if not is_even:
        return False
    if not _is_crest(row, start, stop) or _is_exceeded_nearby(row, start, stop):
        return bool(out > LEAST_MOVE_LINEAR)
    return _is_left_in_a_step(row, stop, out)


@sample_loop
def _is_left_in_a_step(row: Samples, stop: int, out: float) -> bool:
    """Return whether a crest is left in a step far above the movement after it, as no clipped crest is."""
    move, curvature = _largest_move(row, stop), 0.0
    for i in range(stop + 1, stop + APART):
        curvature = max(curvature, abs(row[i - 1] - 2.0 * row[i] + row[i + 1]))
    return bool(out > min(EXIT_MOVES * move, move + max(EXIT_CURVATURES * curvature, LEAST_STEP_LINEAR)))


@sample_loop
def _is_crest(row: Samples, start: int, stop: int) -> bool:
    """Return whether a held value exceeds both its neighbours, as the top of a clipped crest does."""
    value, left, right = row[start], row[start - 1], row[stop]
    return bool((left < value and right < value and value > 0.0) or (left > value and right > value and value < 0.0))


@sample_loop
def _is_exceeded_nearby(row: Samples, start: int, stop: int) -> bool:
    """Return whether sound nearby exceeds the level of a stretch, so that it was not clipped there."""
    most, value = PASSED_RATIO * abs(row[start]), row[start]
    for i in range(LOOK):
        if abs(row[start - 1 - i]) > most and row[start - 1 - i] * value > 0.0:
            return True
        if abs(row[stop + i]) > most and row[stop + i] * value > 0.0:
            return True
    return False


@sample_loop
def _breaks_off(row: Samples, start: int, stop: int) -> bool:
    """Return whether moving sound, however slow, ends or begins again in a step far above its movement."""
    ends, begins = _steps(row, start, BACK, JUMP_MOVES), _steps(row, stop - 1, ON, JUMP_MOVES)
    ends = ends and abs(row[start - 1] - row[start]) > LEAST_STEP_LINEAR
    begins = begins and abs(row[stop] - row[stop - 1]) > LEAST_STEP_LINEAR
    if row[start] == 0.0 and ends and begins:
        return True
    before, behind = moves(row, start, BACK, 0.0), moves(row, stop - 1, ON, 0.0)
    if row[start] != 0.0:
        is_loud = abs(row[start]) >= LEAST_HELD_LINEAR or min(before, behind) > 0.0
        at_once = not _is_crest(row, start, stop) or _is_left_in_a_step(row, stop, abs(row[stop] - row[stop - 1]))
        return is_loud and begins and at_once
    left, right = sizes(row, start, stop)
    least, most = min(left, right), max(left, right)
    if min(before, behind) > LEAST_MOVE_LINEAR:
        return (ends or begins) and most <= SAME_SIZE_RATIO * least
    return (ends or begins) and least >= LEAST_HELD_LINEAR and most <= EVEN_SIZE_RATIO * least


@sample_loop
def _moves_beside(row: Samples, edge: int, step: int) -> bool:
    """Return whether the waveform moves beside an edge; beside the tops of square waves it stays flat."""
    moving = 0
    for i in range(1, 2 * NEAR + 1):
        moving += row[edge + step * i] != row[edge + step * (i + 1)]
    return moving >= LEAST_MOVING


@sample_loop
def are_alike(before: float, behind: float) -> bool:
    """Return whether movements, or sizes, of two sides are those of the same sound."""
    return min(before, behind) > 0.0 and max(before, behind) <= LIKE_RATIO * min(before, behind)


@sample_loop
def _stops_abruptly(row: Samples, start: int, stop: int) -> bool:
    """Return whether the waveform stops abruptly instead of fading out; in a short fade a low note is just as steep."""
    steps = _steps(row, start, BACK, STEP_MOVES) or _steps(row, stop - 1, ON, STEP_MOVES)
    return steps or _is_quick(row, start, BACK) or _is_quick(row, stop - 1, ON)


@sample_loop
def _is_quick(row: Samples, edge: int, step: int) -> bool:
    """Return whether sound turns so often that its last samples show its size, and they are not small."""
    turn, near, far = _frames_between_turns(row, edge, step), 0.0, 0.0
    for i in range(1, LOOK - 1):
        size = abs(row[edge + step * i])
        near = max(near, size) if i <= LAST else near
        far = max(far, size)
    return bool(turn <= QUICKEST_FRAMES or (turn <= QUICK_FRAMES and near >= QUICK_RATIO * far))


@sample_loop
def _steps(row: Samples, edge: int, step: int, times: float) -> bool:
    """Return whether the step at an edge is this many times larger than the movement right beside it."""
    beside = abs(row[edge + 5 * step] - row[edge + 4 * step])
    for i in range(1, 4):
        beside += abs(row[edge + (i + 1) * step] - row[edge + i * step])
    return bool(abs(row[edge + step] - row[edge]) > times * beside / 4.0)


@sample_loop
def sizes(row: Samples, start: int, stop: int) -> tuple[float, float]:
    """Return the mean absolute values of the samples before and after a stretch."""
    before = behind = 0.0
    for i in range(LOOK):
        before += abs(row[start - 1 - i])
        behind += abs(row[stop + i])
    return before / LOOK, behind / LOOK


@sample_loop
def _frames_between_turns(row: Samples, edge: int, step: int) -> float:
    """Return the mean number of samples between turns of the waveform beside an edge."""
    turns = 0
    for i in range(1, LOOK - 2):
        move = row[edge + step * (i + 1)] - row[edge + step * i]
        turns += move * (row[edge + step * (i + 2)] - row[edge + step * (i + 1)]) < 0.0
    return (LOOK - 1.0) / (turns + 1.0)


@sample_loop
def _largest_move(row: Samples, at: int) -> float:
    """Return the largest movement just after a position."""
    largest = 0.0
    for i in range(at, at + APART):
        largest = max(largest, abs(row[i + 1] - row[i]))
    return largest


@sample_loop
def moves(row: Samples, edge: int, step: int, least_linear: float) -> float:
    """Return the mean movement beside an edge; 0 where there is too little, or the sound was faded."""
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
