"""The loudest windows: which ones are chosen, and that cuts don't matter."""

from typing import Final

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.loudest_windows import FIRST, ONE_OF, LoudestWindows
from tests.support.signals import Samples, cut, white_noise

LENGTH: Final = 64


def chosen(*blocks: Samples) -> list[Samples]:
    """Every window that is given, the rest included."""
    windows = LoudestWindows(LENGTH)
    found = [window.copy() for block in blocks for window in windows.update(block)]
    rest = windows.rest()
    return found if rest is None else [*found, rest.copy()]


def at_levels(*levels: float) -> Samples:
    """One window of alternating samples for each of these amplitudes, alike on both sides."""
    wave = np.tile([[1.0, 1.0], [-1.0, -1.0]], (LENGTH // 2, 1))
    return np.concatenate([level * wave for level in levels])


def test_the_first_ones_are_all_given() -> None:
    """A short file is looked at as a whole."""
    samples = white_noise(FIRST * LENGTH, 2)
    assert np.array_equal(np.concatenate(chosen(samples)), samples)


def test_then_the_loudest_of_ten() -> None:
    """Of each ten windows that follow, the loudest is given."""
    levels = [0.1] * FIRST + [0.1] * 7 + [0.11] + [0.1] * 4 + [0.12] + [0.1] * 7
    found = [float(window.max()) for window in chosen(at_levels(*levels))]
    assert found == [0.1] * FIRST + [0.11, 0.12]


def test_a_window_is_as_loud_as_its_quieter_side() -> None:
    """Where one side is loud and the other silent, there is nothing to compare."""
    samples = at_levels(*[0.1] * FIRST, 0.2, *[0.3] * (ONE_OF - 1))
    samples[(FIRST + 1) * LENGTH :, 1] = 0.0
    assert float(chosen(samples)[-1].max()) == 0.2


def test_silent_windows_are_left_out() -> None:
    """A side just under -70 dBFS is silence (alternating samples of amplitude a: 20 log10 a + 3.01 in AES17)."""
    just_under, just_over = 10 ** (-73.1 / 20), 10 ** (-72.9 / 20)
    assert len(chosen(at_levels(just_under))) == 0
    assert len(chosen(at_levels(just_over))) == 1


def test_nothing_fed() -> None:
    """Without sound there is no window."""
    assert chosen(np.zeros((0, 2))) == []


def test_the_rest_may_be_asked_for_in_between() -> None:
    """Asking in the middle changes nothing in what comes later."""
    samples = white_noise(30 * LENGTH + 7, 2)
    asked = LoudestWindows(LENGTH)
    found = []
    for block in cut(samples, range(50, len(samples), 50)):
        found += [window.copy() for window in asked.update(block)]
        asked.rest()
    assert np.array_equal(found, chosen(samples)[: len(found)])


@settings(deadline=None, max_examples=50)
@given(seed=st.integers(0, 100), edges=st.lists(st.integers(1, 2500), max_size=30))
def test_any_cut_gives_the_same_windows(seed: int, edges: list[int]) -> None:
    """However the blocks are cut, the same windows are given, to the bit."""
    samples = white_noise(2500, 2, seed=seed)
    assert np.array_equal(chosen(samples), chosen(*cut(samples, edges)))
