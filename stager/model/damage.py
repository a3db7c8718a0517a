"""What the meters of damage found: tops that are flat, and places where sound is missing."""

from stager.model.base import Record


class FlatTop(Record):
    """The tops of one channel that rest at the file's extreme on one side; frames and channels count from 0.

    `level_linear` is the extreme with its sign. A top is a crest with the samples beside it that lie within
    `tolerance_linear` under it; `events`, `frames`, `starts` (the earliest ones) and the longest are of the tops
    that reach the extreme within that tolerance, `below_events` counts those that end a little lower. A `flat` one
    is three samples or longer and falls off more steeply than any round crest of its width would. Of tops of one or
    two samples, `short_events`, of which `pair_events` have two, the bend is how far the two samples beside them
    lie under them, taken together, on average; `varied_events` are those whose bend is another than that of the one
    before, and `kinds` the different bends, of which each step of level counts up to three. `stepped_events` fall
    off in one step on both sides and rest there, as stairs do. `steepness` is the mean of the flat ones' fall
    within four samples times their length, over four times the level.
    """

    channel: int
    level_linear: float
    tolerance_linear: float
    events: int
    frames: int
    flat_events: int
    flat_frames: int
    short_events: int
    pair_events: int
    below_events: int
    longest_frames: int
    longest_start: int
    starts: tuple[int, ...]
    varied_events: int = 0
    kinds: int = 0
    stepped_events: int = 0
    bend_linear: float = 0.0
    steepness: float = 0.0


class Gap(Record):
    """A place where sound is missing: `frames` samples from `start` on that hold one value, or a jump over none."""

    channel: int
    start: int
    frames: int
    value_linear: float


class Gaps(Record):
    """Stretches of one value inside sound, and jumps between two samples; all are counted, the first are listed."""

    held_count: int = 0
    held_frames: int = 0
    held: tuple[Gap, ...] = ()
    longest: Gap | None = None
    jump_count: int = 0
    jumps: tuple[Gap, ...] = ()
