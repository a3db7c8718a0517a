"""A stem taken from another through a room and through an amplifier's curve."""

import numpy as np
import pytest

from stager.errors import Stopped
from stager.songset.pairs.driven import driven
from stager.songset.pairs.excerpts import CORE, STRETCH_S, WORK_RATE_HZ, Signal
from stager.songset.pairs.room import room_left_power
from stager.system.cancel import allow_work, request_stop

FRAMES = STRETCH_S * WORK_RATE_HZ


def stretches(seed: int, count: int = 4) -> list[Signal]:
    """Stretches of white noise."""
    rng = np.random.default_rng(seed)
    return [rng.normal(size=FRAMES).astype(np.float32) for _ in range(count)]


def in_room(dry: Signal, decay_frames: float) -> Signal:
    """The sound with a tail of noise 3 ms after it, as strong as itself, by numpy's own convolution."""
    tail = np.random.default_rng(9).normal(size=8000) * np.exp(-np.arange(8000) / decay_frames)
    tail[:48] = 0.0
    tail /= np.sqrt(np.sum(tail**2))
    return (dry + np.convolve(dry, tail)[: len(dry)]).astype(np.float32)


def test_a_room_of_a_third_of_a_second_is_taken_out() -> None:
    """A room that dies away inside the filter leaves less than a hundredth; a level alone would leave half."""
    dry = stretches(1)
    assert room_left_power(dry, [in_room(one, 1000.0) for one in dry]) < 0.01


def test_a_room_says_nothing_of_another_sound() -> None:
    """What has nothing in common stays whole, though the filter has thousands of taps to learn it by heart."""
    assert room_left_power(stretches(1), stretches(2)) > 0.95


@pytest.mark.parametrize("count", [0, 1])
def test_one_stretch_teaches_nothing(count: int) -> None:
    """Nothing to test on: all is left."""
    assert room_left_power(stretches(1, count), stretches(1, count)) == 1.0


def test_silence_is_left_alone() -> None:
    """No power, no share: all of it is left."""
    quiet = [np.zeros(FRAMES, np.float32)] * 2
    assert room_left_power(stretches(1, 2), quiet) == 1.0
    assert room_left_power(quiet, stretches(1, 2)) == pytest.approx(1.0)


def test_a_stop_ends_it() -> None:
    """A stop is heard between two rounds."""
    request_stop()
    try:
        with pytest.raises(Stopped):
            room_left_power(stretches(1), stretches(2))
    finally:
        allow_work()


def test_driven_is_a_curve_without_memory() -> None:
    """Equal samples give equal samples, louder ones no less, all of it bounded, and silence silence."""
    (line,) = stretches(3, 1)
    (made,) = driven([line])
    order = np.argsort(line, kind="stable")
    assert np.all(np.diff(made[order]) >= 0.0)
    assert float(np.abs(made).max()) < 2.0
    assert float(np.abs(made).mean()) > 0.7
    (quiet,) = driven([np.zeros(FRAMES, np.float32)])
    assert not quiet[CORE].any()
