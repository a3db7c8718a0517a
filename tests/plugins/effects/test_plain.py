"""Steps that only move or add samples, against the same arithmetic in numpy."""

from typing import Any

import numpy as np
import pytest

from stager.plugins import Step, Stream
from stager.plugins.effects.plain import Align, FlipPolarity, FoldMono, RemoveDc
from stager.plugins.effects.settings import AlignSettings
from tests.plugins.driving import AWKWARD, driven, sizes_cut
from tests.support.signals import white_noise

STEPS: dict[str, tuple[type[Step], dict[str, Any]]] = {
    "remove_dc": (RemoveDc, {}),
    "flip_polarity": (FlipPolarity, {"channel": 2}),
    "fold_mono": (FoldMono, {}),
    "later": (Align, {"delay_frames": 501}),
    "earlier": (Align, {"delay_frames": -501}),
}


@pytest.mark.parametrize("name", STEPS)
@pytest.mark.parametrize("frames", AWKWARD)
def test_any_cut_of_the_blocks_gives_the_same(name: str, frames: int) -> None:
    """Blocks of 1, 2 or a prime of frames equal the whole file to 1e-6."""
    kind, settings = STEPS[name]
    block = white_noise(2_003, 2, seed=7) + 0.01
    whole = driven(kind, block, [block], **settings)
    assert np.abs(driven(kind, block, sizes_cut(block, frames), **settings) - whole).max() < 1e-6


def test_the_mean_of_each_channel_is_taken_away() -> None:
    """What is left has a mean of 0, and differs from the input by one constant a channel."""
    block = white_noise(9_999, 2, seed=8) + np.array([0.02, -0.3])
    found = driven(RemoveDc, block, sizes_cut(block, 1_000))
    assert np.abs(found - (block - block.mean(axis=0))).max() < 1e-15


@pytest.mark.parametrize(("channel", "signs"), [(0, (-1, -1)), (1, (-1, 1)), (2, (1, -1))])
def test_polarity_is_turned_exactly(channel: int, signs: tuple[int, int]) -> None:
    """Each sample changes its sign and nothing else; channels count from 1, and 0 is all of them."""
    block = white_noise(100, 2)
    assert np.array_equal(driven(FlipPolarity, block, [block], channel=channel), block * np.array(signs))


def test_a_channel_that_is_not_there_is_refused() -> None:
    """A mono stem has no second channel to turn around."""
    with pytest.raises(ValueError, match="expected a channel from 1 to 1, found 2"):
        FlipPolarity(FlipPolarity.settings.model_validate({"channel": 2}), Stream(48_000, 1, 10))


def test_dual_mono_folds_to_its_channel() -> None:
    """The mean of two equal channels is the channel, to the bit."""
    one = white_noise(1_000, 1, seed=9)
    block = np.repeat(one, 2, axis=1)
    assert np.array_equal(driven(FoldMono, block, [block]), one)


@pytest.mark.parametrize(("take", "wanted"), [("left", [0.25]), ("right", [-0.5]), ("mean", [-0.125])])
def test_a_fold_takes_what_it_is_told(take: str, wanted: list[float]) -> None:
    """One channel of two, or the mean of both."""
    block = np.array([[0.25, -0.5]])
    assert np.array_equal(driven(FoldMono, block, [block], take=take), np.array([wanted]))


def test_one_side_of_a_surround_file_is_refused() -> None:
    """Of more than two channels, left and right are no fold."""
    with pytest.raises(ValueError, match="expected a stem of two channels to take the left one, found 6"):
        FoldMono(FoldMono.settings.model_validate({"take": "left"}), Stream(48_000, 6, 10))


@pytest.mark.parametrize("delay", [0, 1, 480, 5_000])
def test_later_puts_zeros_before_and_loses_nothing(delay: int) -> None:
    """A stem that starts later is longer by as much."""
    block = white_noise(1_000, 2, seed=10)
    found = driven(Align, block, sizes_cut(block, 333), delay_frames=delay)
    assert np.array_equal(found, np.concatenate((np.zeros((delay, 2)), block)))


@pytest.mark.parametrize("early", [1, 480, 999, 5_000])
def test_earlier_drops_the_start_and_keeps_the_length(early: int) -> None:
    """A stem that starts earlier loses its first frames, and zeros follow its end."""
    block = white_noise(1_000, 2, seed=11)
    found = driven(Align, block, sizes_cut(block, 333), delay_frames=-early)
    assert np.array_equal(found, np.concatenate((block, np.zeros((early, 2))))[early:][:1_000])


def test_a_delay_is_whole_frames() -> None:
    """Half a frame is no frame."""
    with pytest.raises(ValueError, match="delay_frames"):
        AlignSettings.model_validate({"delay_frames": 0.5})
