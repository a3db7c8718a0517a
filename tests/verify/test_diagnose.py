"""One sentence for each way in which samples can differ: what was done to them is done here, then named."""

from collections.abc import Callable

import numpy as np
import pytest

from stager.containers import Gain
from stager.meters import Samples
from stager.model.runs import no_runs
from stager.verify.diagnose import FARTHEST_SHIFT_FRAMES, diagnose
from stager.verify.residual import Residual
from tests.support.records import stream
from tests.support.signals import white_noise

STEP = 2.0**-23
GAIN = Gain(1.7, dithered=True, source_sha256="ab", silences=no_runs())
STREAM = stream(24, 2)


def on_grid(samples: Samples, seed: int = 9) -> Samples:
    """Round to 24 bits with a dither of somebody else's."""
    rng = np.random.default_rng(seed)
    return np.rint(samples / STEP + rng.random(samples.shape) - rng.random(samples.shape)) * STEP


def residual(before: Samples, after: Samples, wrong: int = 1, first: tuple[int, int] = (480, 1)) -> Residual:
    return Residual(1.0, 0.5, 0.5, wrong, first, (before, after))


def shifted(frames: int) -> Callable[[Samples], Samples]:
    return lambda ideal: np.roll(ideal, frames, axis=0)


def kinked(ideal: Samples) -> Samples:
    """Change samples in a way that has no name."""
    return ideal + 0.01 * np.sign(np.sin(np.arange(len(ideal))))[:, None]


NAMED: dict[str, tuple[Callable[[Samples], Samples], str]] = {
    "plain": (lambda ideal: np.rint(ideal / STEP) * STEP, "its samples are rounded without the dither"),
    "flipped": (lambda ideal: on_grid(ideal * [1, -1]), "the polarity of channel 2 is flipped"),
    "both flipped": (lambda ideal: on_grid(-ideal), "the polarity of channel 1, 2 is flipped"),
    "swapped": (lambda ideal: on_grid(ideal[:, ::-1]), "its channels are swapped"),
    "late": (lambda ideal: on_grid(shifted(1)(ideal)), "it is shifted by +1 frames"),
    "early": (lambda ideal: on_grid(shifted(-1)(ideal)), "it is shifted by -1 frames"),
    "very late": (lambda ideal: on_grid(shifted(4_000)(ideal)), "it is shifted by +4000 frames"),
    "louder": (lambda ideal: on_grid(ideal * 10 ** (0.01 / 20)), "its gain is +0.010 dB off"),
    "softer": (lambda ideal: on_grid(ideal * 10 ** (-6 / 20)), "its gain is -6.000 dB off"),
    "other": (lambda ideal: on_grid(kinked(ideal)), "1 sample is not what the recorded trim gives"),
    "too far": (
        lambda ideal: on_grid(shifted(FARTHEST_SHIFT_FRAMES + 1)(ideal)),
        "1 sample is not what the recorded trim gives",
    ),
}
BEFORE = white_noise(20_000, 2)


@pytest.mark.parametrize("name", NAMED)
def test_what_was_done_is_named(name: str) -> None:
    """The sentence is the right one, and says where it was first seen."""
    change, says = NAMED[name]
    after = change(BEFORE * GAIN.factor)
    told = diagnose(residual(BEFORE, after), GAIN, STREAM)
    assert told is not None
    assert told.startswith(says)
    assert "0.010 s" in told


def test_nothing_wrong_is_nothing_to_say() -> None:
    """Where every sample is what the trim gives there is no sentence."""
    assert diagnose(Residual(1.4, 0.5, 0.5, 0, None, None), GAIN, STREAM) is None


def test_silence_that_became_sound_has_no_gain() -> None:
    """Where the original is silent, no gain explains a copy that is not."""
    told = diagnose(residual(np.zeros((5_000, 2)), on_grid(white_noise(5_000, 2)), wrong=7), GAIN, STREAM)
    assert told == "7 samples are not what the recorded trim gives, the first at 0.010 s (channel 2)"


def test_mono_is_never_swapped() -> None:
    """One channel can be flipped, late or at another gain, but not swapped."""
    mono = BEFORE[:, :1]
    told = diagnose(residual(mono, on_grid(kinked(mono * GAIN.factor))), GAIN, stream(24, 1))
    assert told is not None
    assert "swapped" not in told


def test_three_channels_in_another_order() -> None:
    """Any order of up to four channels is known."""
    three = white_noise(5_000, 3)
    told = diagnose(residual(three, on_grid(three[:, [2, 0, 1]] * GAIN.factor)), GAIN, stream(24, 3))
    assert told is not None
    assert told.startswith("its channels are swapped")


def test_equal_channels_are_not_called_swapped() -> None:
    """With one signal in both channels, a gain beside the recorded one is a gain, not a swap."""
    twice = np.repeat(white_noise(5_000), 2, axis=1)
    told = diagnose(residual(twice, on_grid(twice * GAIN.factor * 1.01)), GAIN, STREAM)
    assert told is not None
    assert told.startswith("its gain is +0.086 dB off")


def test_float_copies_are_told_too() -> None:
    """Float copies have no grid of their own; the same words are found for them."""
    info = stream(0, 2)
    for change, says in (
        (lambda x: x[:, ::-1], "its channels are swapped"),
        (lambda x: 1.01 * x, "its gain is +0.086"),
    ):
        told = diagnose(residual(BEFORE, change(BEFORE * GAIN.factor)), GAIN, info)
        assert told is not None
        assert told.startswith(says)
