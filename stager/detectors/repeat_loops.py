"""The compiled loop that finds stretches which come twice, one right after the other, equal to the sample."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.meters.peak import Samples
from stager.system.jit import sample_loop

SHORTEST: Final = 64
LONGEST: Final = 2048
"""Frames of a buffer, from the shortest to the longest that recorders use (common practice, no source)."""
WINDOW: Final = 16
"""Samples by which a stretch that comes again is recognised, before it is compared sample by sample."""
PLACES: Final = 8192
"""Positions that are remembered, by the hash of the samples before them."""
BITS: Final = 13
MULTIPLIER: Final = np.int64(6364136223846793005)
"""Of a linear congruential generator with good low bits (D. Knuth, The Art of Computer Programming 2, 3.3.4)."""
BY_CHANCE: Final = 4
"""Samples by which a repeated stretch may seem longer than it is: quiet neighbours are equal by chance."""
MOST_TIMES: Final = 3
"""Repetitions up to which it is a buffer; a stored wave is played more often."""
MOVING_SHARE: Final = 0.5
"""Of the differences in a stretch, those that must not be 0: zeros and held values come again without end."""
LAG, RUN, FRAME, HASH = 0, 1, 2, 3
"""Elements of the state: the lag that is followed (0 for none), samples that were equal, the next frame, the hash."""


@sample_loop
def find_repeats(
    row: Samples,
    bits: NDArray[np.int64],
    position: int,
    first: int,
    state: NDArray[np.int64],
    places: NDArray[np.int64],
    found: NDArray[np.int64],
) -> int:
    """Write (start, frames) of each repetition that ends in `row`; return their number.

    `bits` is the same memory as integers, `position` is where to go on, `first` the frame of `row[0]`.
    """
    count, power = 0, _power()
    lag, run, hashed = state[LAG], state[RUN], state[HASH]
    for i in range(position, row.shape[0]):
        leaving = bits[i - WINDOW] ^ (bits[i - WINDOW] >> 29)
        hashed = (hashed - leaving * power) * MULTIPLIER + (bits[i] ^ (bits[i] >> 29))
        place = (hashed >> 40) & (PLACES - 1)
        apart = first + i - places[place]
        places[place] = first + i
        if lag:
            if row[i] == row[i - lag]:
                run += 1
                continue
            if _is_repetition(row, i, lag, run) and count < found.shape[0]:
                found[count, 0], found[count, 1] = first + i - run, lag
                count += 1
            lag = 0
        elif SHORTEST <= apart <= LONGEST:
            equal = _equal_before(row, i, apart)
            if equal >= WINDOW:
                lag, run = apart, equal
    state[LAG], state[RUN], state[HASH] = lag, run, hashed
    return count


@sample_loop
def _power() -> np.int64:
    """Return what the oldest sample of a window is multiplied by."""
    power = np.int64(1)
    for _ in range(WINDOW - 1):
        power *= MULTIPLIER
    return power


@sample_loop
def _equal_before(row: Samples, at: int, lag: int) -> int:
    """Return the number of samples up to this one that equal those `lag` frames before."""
    run = 0
    while run <= lag and at - lag - run >= 0 and row[at - run] == row[at - lag - run]:
        run += 1
    return run


@sample_loop
def _is_repetition(row: Samples, stop: int, lag: int, run: int) -> bool:
    """Return whether a run of equal samples is one buffer, or a few, played again, and moves."""
    times = run // lag
    if not 1 <= times <= MOST_TIMES or run - times * lag > BY_CHANCE:
        return False
    moving = 0
    for i in range(stop - lag, stop):
        moving += row[i] != row[i - 1]
    return bool(moving >= MOVING_SHARE * lag)
