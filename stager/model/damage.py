"""What the detectors of damage find: flat tops, and places where sound is missing."""

from stager.model.base import Record


class FlatTop(Record):
    """The tops of one channel that rest at the file's extreme on one side; frames and channels count from 0.

    `level_linear` is the extreme with its sign. A top is a crest with the samples beside it that lie within
    `tolerance_linear` under it; `events`, `frames`, `starts` (the earliest ones) and the longest are of the tops
    that reach the extreme within that tolerance, `below_events` counts those that end a little lower. A `flat` one
    is three samples or longer and falls off more steeply than any round crest of its width would. Tops of one or two
    samples are `short_events`, of which `pair_events` have two. `curvature_linear` is the mean over the short ones of
    how far the two samples beside a top lie under it, added together; `varied_events` are those whose curvature differs
    from that of the one before, `distinct_shapes` the number of different curvatures, each level counting up to three.
    `stepped_events` fall in one step on both sides and rest there, as a staircase does. `steepness` is the mean of the
    flat ones' fall within four samples times their length, over four times the level.
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
    distinct_shapes: int = 0
    stepped_events: int = 0
    curvature_linear: float = 0.0
    steepness: float = 0.0


class CrestPile(Record):
    """Crests of one channel and side whose heights lie close together, near the highest; counted from 0.

    `level_linear` is the middle of the pile with its sign, `events` the crests in it, `above_events` those above it and
    `below_events` those under it, down to 7 dB under the highest. `density_ratio` is the crests per level in the pile
    over those per level 12 to 20 % under it. `curvature_variation` is the standard deviation of the crests' curvature
    over its mean: near 0 for a steady tone, which has hardly any crests under the pile either. `starts` are the frames
    of some of them, in order.
    """

    channel: int
    level_linear: float
    events: int
    above_events: int
    below_events: int
    density_ratio: float
    curvature_variation: float
    starts: tuple[int, ...]


class Gap(Record):
    """A place where sound is missing: `frames` samples from `start` on that hold one value, or a jump over none.

    `edge_linear` is the larger of the steps into a held value and out of it; 0 for a jump.
    """

    channel: int
    start: int
    frames: int
    value_linear: float
    edge_linear: float = 0.0


class Gaps(Record):
    """Stretches of one value inside sound, and jumps between two samples; all are counted, the first are listed.

    `repeats` are where the `frames` before `start` come again, equal to the sample.
    """

    held_count: int = 0
    held_frames: int = 0
    held: tuple[Gap, ...] = ()
    longest: Gap | None = None
    jump_count: int = 0
    jumps: tuple[Gap, ...] = ()
    repeats: tuple[Gap, ...] = ()
