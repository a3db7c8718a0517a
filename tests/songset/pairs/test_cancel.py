"""What is left of one signal without another: delays, filters, levels."""

import numpy as np
import pytest

from stager.songset.pairs.cancel import FILTER, LEVEL, Reach, delayed, left_power, left_power_tracked
from stager.songset.pairs.excerpts import CORE, STRETCH_S, WORK_RATE_HZ
from tests.songset.pairs.sounds import later

FRAMES = STRETCH_S * WORK_RATE_HZ


def stretches(seed: int, count: int = 4) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [np.convolve(rng.normal(size=FRAMES), np.hanning(7), "same").astype(np.float32) for _ in range(count)]


@pytest.mark.parametrize("lag", [0.0, 4.0, 0.5, -12.25])
def test_delayed_undoes_a_delay(lag: float) -> None:
    """A signal that was moved through its transform comes back within 60 dB."""
    signal = np.convolve(np.random.default_rng(1).normal(size=FRAMES), np.hanning(9), "same")
    back = delayed(later(signal, lag).astype(np.float32), np.full(FRAMES, lag))
    assert np.std((back - signal)[CORE]) < 1e-3 * np.std(signal)


def test_delayed_follows_a_line() -> None:
    """A sine read along a lag that grows is the sine of that phase (worked arithmetic)."""
    n = np.arange(FRAMES)
    lag = 3.7 + 0.001 * n
    found = delayed(np.sin(0.3 * n).astype(np.float32), lag)
    assert np.abs(found - np.sin(0.3 * (n + lag)))[CORE].max() < 1e-3


def test_a_short_filter_is_solved_as_numpy_solves_it() -> None:
    """The power that is left is that of a plain least-squares fit over the same halves (numpy.linalg.lstsq)."""
    ones, others = stretches(1, 2), stretches(2, 2)
    others = [(0.5 * one + other).astype(np.float32) for one, other in zip(ones, others, strict=True)]
    reach = Reach(2, 5)

    def shifted(one: np.ndarray) -> np.ndarray:
        return np.stack([one[CORE.start + 2 - k : CORE.stop + 2 - k] for k in range(5)], axis=1).astype(np.float64)

    left = 0.0
    for learnt, tested in ((0, 1), (1, 0)):
        h = np.linalg.lstsq(shifted(ones[learnt]), others[learnt][CORE].astype(np.float64), rcond=None)[0]
        left += np.sum((others[tested][CORE] - shifted(ones[tested]) @ h) ** 2)
    total = sum(np.sum(np.square(other[CORE], dtype=np.float64)) for other in others)
    assert left_power(ones, others, reach) == pytest.approx(left / total, rel=1e-3)


def test_a_filtered_copy_cancels_and_another_signal_does_not() -> None:
    """Through a filter of nine taps all but a thousandth goes; of an independent signal all stays."""
    taps = np.array([0.1, -0.3, 0.9, 0.4, 0.0, -0.2, 0.1, 0.05, 0.02])
    ones = stretches(3)
    filtered = [np.convolve(one, taps, "same").astype(np.float32) for one in ones]
    assert left_power(ones, filtered, FILTER) < 1e-3
    assert left_power(ones, filtered, LEVEL) > 0.05
    assert left_power(ones, stretches(4), FILTER) > 0.98


def test_levels_of_their_own_are_followed() -> None:
    """A level that changes from one tenth of a second to the next leaves nothing where it is followed."""
    ones = stretches(5)
    gains = np.repeat(np.random.default_rng(6).uniform(0.3, 1.0, FRAMES // 1600), 1600)
    others = [(gains * one).astype(np.float32) for one in ones]
    assert left_power_tracked(ones, others, LEVEL) < 1e-6
    assert left_power(ones, others, LEVEL) > 0.05


@pytest.mark.parametrize("left", [left_power, left_power_tracked])
def test_of_one_stretch_and_of_silence_nothing_is_learnt(left: object) -> None:
    """Without a second stretch to test on, and without sound, nothing cancels."""
    assert callable(left)
    assert left(stretches(7, 1), stretches(7, 1), LEVEL) == 1.0
    silent = [np.zeros(FRAMES, np.float32)] * 4
    assert left(silent, silent, LEVEL) == 1.0
