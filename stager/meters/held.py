"""The loops that look for held stretches: where one value stands inside sound that moves on both sides of it."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.compiled import sample_loop
from stager.meters.peak import Samples

LEAST_FRAMES: Final = 16
"""Samples that must hold one value: 0.3 ms."""
LOOK: Final = 96
"""Samples on each side that the surroundings are judged by."""
NEAR: Final = 16
MOVING: Final = 28
"""Of 32 differences beside a gap, those that must not be 0."""
STIRRING: Final = 16
"""The same at the very least, where sound breaks off in steps: a quiet low tone of 16 bits rests on each code."""
LEAST_MOVE_LINEAR: Final = 1e-4
"""Movement from sample to sample under which nothing can be said: three codes of 16 bits."""
LEAST_HELD_LINEAR: Final = 1e-3
"""A held value under it may be the end of a fade."""
FADE_RATIO: Final = 0.3
"""Movement beside the gap over that further out, under which the sound was faded."""
QUICKEST_FRAMES: Final = 4.0
"""A sound that turns more often than this, as noise does, is seen to fade by its movement alone."""
QUICK_FRAMES: Final = 20.0
"""One that turns more often than this is seen to, where its last samples are no small ones either."""
LAST: Final = 8
"""Samples beside an edge that tell."""
QUICK_RATIO: Final = 0.2
"""How large the last samples of such a sound must be, over its largest: a fade of a millisecond leaves less
(arithmetic: 8 of 44)."""
STEP_MOVES: Final = 2.0
"""How many times the movement beside it the step at an edge must be, where a sound turns more slowly."""
JUMP_MOVES: Final = 4.0
"""How many times the movement beside it a step must be to be a jump."""
EXIT_MOVES: Final = 3.0
"""How many times the movement behind it the step out of a crest must be, so that the crest was not cut but held."""
EXIT_BENDS: Final = 3.0
"""The same where the waveform hardly bends: how many of its bends more than its movement. A cut crest is left in a part
of the next movement, never in more than it."""
LEAST_STEP_LINEAR: Final = 0.001
"""A step under it doesn't break sound off: 33 codes of 16 bits."""
PASSED_RATIO: Final = 1.002
"""How far sound beside a held crest must pass its level to show that nothing was cut there."""
MOST_NEXT: Final = 3
"""Stretches right behind one another that are looked at as one: packets are lost in groups (own figure)."""
SAME_SIZE_RATIO: Final = 12.0
"""Size on one side of zeros over that on the other, up to which sound is the same where it moves otherwise."""
EVEN_SIZE_RATIO: Final = 4.0
"""The same where one side may have been faded: it is as large as the other just before."""
LONG_TURNS: Final = 6.0
"""How many times longer than its surroundings go in one direction a crest can't be."""
LIKE_RATIO: Final = 12.0
"""Movement or size on one side of a gap over that on the other, up to which sound is the same sound: 22 dB."""
APART: Final = 8
"""Frames within which two bends are one."""


@sample_loop
def find_held(row: Samples, place: int, longest: int, found: NDArray[np.int64]) -> tuple[int, int]:
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
        place = stop + 1
        if stop - start >= LEAST_FRAMES and start >= LOOK and _stirs(row, start, -1):
            last = stop if _stirs(row, stop - 1, 1) else _last_of_group(row, stop, longest)
            if last + LOOK > frames:
                return count, start
            if _stirs(row, last - 1, 1) and _is_gap(row, start, last):
                count = _write(row, start, last, count, found)
                place = last + 1
    return count, frames


@sample_loop
def _last_of_group(row: Samples, stop: int, longest: int) -> int:
    """Where the last ends of the stretches that follow so soon that the sound between can't be judged.

    Where the row ends before that is known, its end.
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
    """Write each stretch of a group; give how many there are now."""
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
    """Whether sound moves right up to a held stretch and right behind it, and it is no crest that was cut flat."""
    if _breaks_off(row, start, stop):
        return True
    before, behind = moves(row, start, -1, LEAST_MOVE_LINEAR), moves(row, stop - 1, 1, LEAST_MOVE_LINEAR)
    held = row[start] != 0.0 and min(before, behind) > 0.0
    if not held and not _is_cut(row, start, stop):
        return False
    out = abs(row[stop] - row[stop - 1])
    turn = max(_turn(row, start, -1), _turn(row, stop - 1, 1))
    is_long = turn < LOOK / LONG_TURNS and stop - start > LONG_TURNS * turn
    is_even = are_alike(before, behind) or (held and are_alike(*sizes(row, start, stop)))
    if is_long and (is_even or (held and out > STEP_MOVES * behind and abs(row[start]) >= LEAST_HELD_LINEAR)):
        return True
    if not is_even:
        return False
    if not _is_crest(row, start, stop) or _is_passed(row, start, stop):
        return bool(out > LEAST_MOVE_LINEAR)
    return _leaves_at_once(row, stop, out)


@sample_loop
def _leaves_at_once(row: Samples, stop: int, out: float) -> bool:
    """Whether a crest is left in a step far above the movement behind it."""
    move, bend = _largest_move(row, stop), 0.0
    for i in range(stop + 1, stop + APART):
        bend = max(bend, abs(row[i - 1] - 2.0 * row[i] + row[i + 1]))
    return bool(out > min(EXIT_MOVES * move, move + max(EXIT_BENDS * bend, LEAST_STEP_LINEAR)))


@sample_loop
def _is_crest(row: Samples, start: int, stop: int) -> bool:
    """Whether a held value stands over both sides, as the top of a crest does that was cut flat."""
    value, left, right = row[start], row[start - 1], row[stop]
    return bool((left < value and right < value and value > 0.0) or (left > value and right > value and value < 0.0))


@sample_loop
def _is_passed(row: Samples, start: int, stop: int) -> bool:
    """Whether sound beside a stretch goes far over its level, so that nothing ended there."""
    most, value = PASSED_RATIO * abs(row[start]), row[start]
    for i in range(LOOK):
        if abs(row[start - 1 - i]) > most and row[start - 1 - i] * value > 0.0:
            return True
        if abs(row[stop + i]) > most and row[stop + i] * value > 0.0:
            return True
    return False


@sample_loop
def _breaks_off(row: Samples, start: int, stop: int) -> bool:
    """Whether sound that stirs, however slow, breaks off in a step far above its movement, or begins anew in one."""
    ends, begins = _steps(row, start, -1, JUMP_MOVES), _steps(row, stop - 1, 1, JUMP_MOVES)
    ends = ends and abs(row[start - 1] - row[start]) > LEAST_STEP_LINEAR
    begins = begins and abs(row[stop] - row[stop - 1]) > LEAST_STEP_LINEAR
    if row[start] == 0.0 and ends and begins:
        return True
    before, behind = moves(row, start, -1, 0.0), moves(row, stop - 1, 1, 0.0)
    if row[start] != 0.0:
        is_loud = abs(row[start]) >= LEAST_HELD_LINEAR or min(before, behind) > 0.0
        at_once = not _is_crest(row, start, stop) or _leaves_at_once(row, stop, abs(row[stop] - row[stop - 1]))
        return is_loud and begins and at_once
    left, right = sizes(row, start, stop)
    least, most = min(left, right), max(left, right)
    if min(before, behind) > LEAST_MOVE_LINEAR:
        return (ends or begins) and most <= SAME_SIZE_RATIO * least
    return (ends or begins) and least >= LEAST_HELD_LINEAR and most <= EVEN_SIZE_RATIO * least


@sample_loop
def _stirs(row: Samples, edge: int, step: int) -> bool:
    """Whether the waveform moves beside the edge of a stretch; beside the tops of square waves it rests."""
    moving = 0
    for i in range(1, 2 * NEAR + 1):
        moving += row[edge + step * i] != row[edge + step * (i + 1)]
    return moving >= STIRRING


@sample_loop
def are_alike(before: float, behind: float) -> bool:
    """Whether sound of like movement stands on both sides."""
    return min(before, behind) > 0.0 and max(before, behind) <= LIKE_RATIO * min(before, behind)


@sample_loop
def _is_cut(row: Samples, start: int, stop: int) -> bool:
    """Whether sound does not just run down to zero and up again: in a short fade low notes move as fast as else."""
    steps = _steps(row, start, -1, STEP_MOVES) or _steps(row, stop - 1, 1, STEP_MOVES)
    return steps or _is_quick(row, start, -1) or _is_quick(row, stop - 1, 1)


@sample_loop
def _is_quick(row: Samples, edge: int, step: int) -> bool:
    """Whether sound turns so often that its last turns show how large it is, and they are no small ones."""
    turn, near, far = _turn(row, edge, step), 0.0, 0.0
    for i in range(1, LOOK - 1):
        size = abs(row[edge + step * i])
        near = max(near, size) if i <= LAST else near
        far = max(far, size)
    return bool(turn <= QUICKEST_FRAMES or (turn <= QUICK_FRAMES and near >= QUICK_RATIO * far))


@sample_loop
def _steps(row: Samples, edge: int, step: int, times: float) -> bool:
    """Whether the step at an edge is so many times larger than the movement right beside it."""
    beside = abs(row[edge + 5 * step] - row[edge + 4 * step])
    for i in range(1, 4):
        beside += abs(row[edge + (i + 1) * step] - row[edge + i * step])
    return bool(abs(row[edge + step] - row[edge]) > times * beside / 4.0)


@sample_loop
def sizes(row: Samples, start: int, stop: int) -> tuple[float, float]:
    """The mean sizes of the samples before and behind a stretch."""
    before = behind = 0.0
    for i in range(LOOK):
        before += abs(row[start - 1 - i])
        behind += abs(row[stop + i])
    return before / LOOK, behind / LOOK


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
def moves(row: Samples, edge: int, step: int, least_linear: float) -> float:
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
