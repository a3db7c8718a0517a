"""Correlation, side balance and mono loss against worked tables."""

from collections.abc import Callable
from math import cos, radians
from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.meters import StereoMeter, StereoResult
from stager.units import db_from_linear, linear_from_db
from tests.support.signals import Samples, cut, frames_of, white_noise

SECONDS: Final = 10
RATE: Final = 48_000


def stereo(*blocks: Samples) -> StereoResult:
    meter = StereoMeter(blocks[0].shape[1])
    for block in blocks:
        meter.update(block)
    return meter.result()


def pair(degrees: float) -> Samples:
    """Two sines of 997 Hz, the right one ahead by this angle."""
    turns = 2 * np.pi * 997.0 * np.arange(SECONDS * RATE) / RATE
    return np.column_stack((np.sin(turns), np.sin(turns + radians(degrees))))


PAIRS: Final = {
    "identical": (0.0, 1.0, 0.0),
    "sine at 30 degrees": (30.0, 0.8660, -0.30),
    "sine at 45 degrees": (45.0, 0.7071, -0.69),
    "sine at 60 degrees": (60.0, 0.5, -1.25),
    "sine at 90 degrees": (90.0, 0.0, -3.01),
    "sine at 120 degrees": (120.0, -0.5, -6.02),
    "sine at 150 degrees": (150.0, -0.8660, -11.74),
}
"""Angle, correlation, level of (L + R) / 2 against each side: r = cos of the angle, loss = 20 log10 cos of half of it
(worked arithmetic)."""


@pytest.mark.parametrize(("degrees", "correlation", "loss_db"), PAIRS.values(), ids=PAIRS.keys())
def test_pair_of_sines(degrees: float, correlation: float, loss_db: float) -> None:
    """Equal sines at an angle read the table's correlation and loss, and stand in the middle."""
    found = stereo(pair(degrees))
    assert found.correlation == pytest.approx(correlation, abs=1e-4)
    assert found.mono_loss_db == pytest.approx(loss_db, abs=0.005)
    assert found.mono_loss_db == pytest.approx(db_from_linear(cos(radians(degrees / 2))), abs=1e-6)
    assert found.side_balance_db == pytest.approx(0.0, abs=1e-3)


def test_identical_channels_lose_nothing_at_all() -> None:
    """The same samples on both sides: correlation 1, loss 0, balance 0, exactly as far as floats go."""
    one = white_noise(48_000)
    found = stereo(np.hstack((one, one)))
    assert found.correlation == pytest.approx(1.0, abs=1e-12)
    assert found.mono_loss_db == pytest.approx(0.0, abs=1e-9)
    assert found.side_balance_db == 0.0


def test_inverted_pair() -> None:
    """Left and minus left: correlation -1; the fold is silence and has no level, so the loss is none."""
    one = white_noise(48_000)
    found = stereo(np.hstack((one, -one)))
    assert found.correlation == pytest.approx(-1.0, abs=1e-12)
    assert found.side_balance_db == 0.0
    assert found.mono_loss_db is None


def test_independent_noise() -> None:
    """Independent noise: 0 within 4 / sqrt(N), four times the spread of the table's 1 / sqrt(N); loss -3.01 dB."""
    frames = SECONDS * RATE
    found = stereo(np.random.default_rng(7).normal(size=(frames, 2)))
    assert found.correlation is not None
    assert abs(found.correlation) <= 4.0 / np.sqrt(frames)
    assert found.mono_loss_db == pytest.approx(-3.01, abs=0.03)


@pytest.mark.parametrize("right_db", [0.0, -3.0, -6.0, -20.0])
def test_balance_is_left_over_right(right_db: float) -> None:
    """The balance is positive where the left is louder, and doesn't move the correlation."""
    samples = pair(45.0) * [1.0, linear_from_db(right_db)]
    assert stereo(samples).side_balance_db == pytest.approx(-right_db, abs=1e-3)
    assert stereo(samples).correlation == pytest.approx(0.7071, abs=1e-4)


PAN_LAWS: Final = {
    "linear, hard left": (lambda p: (1 - p, p), 0.0),
    "linear, centre": (lambda p: (1 - p, p), 0.5),
    "linear, half left": (lambda p: (1 - p, p), 0.25),
    "constant power, half left": (lambda p: (np.cos(p * np.pi / 2), np.sin(p * np.pi / 2)), 0.25),
    "root, half left": (lambda p: (np.sqrt(1 - p), np.sqrt(p)), 0.25),
}


@pytest.mark.parametrize(("law", "place"), PAN_LAWS.values(), ids=PAN_LAWS.keys())
def test_panned_mono(law: Callable[[float], tuple[float, float]], place: float) -> None:
    """One signal panned: balance is the ratio of the pan law's gains, correlation 1; hard to a side it has neither."""
    left, right = law(place)
    found = stereo(white_noise(48_000) * [left, right])
    if right == 0.0:
        assert found == StereoResult(None, None, None)
    else:
        assert found.side_balance_db == pytest.approx(20 * np.log10(left / right), abs=1e-9)
        assert found.correlation == pytest.approx(1.0, abs=1e-12)


SILENT: Final = {
    "left silent": np.column_stack((np.zeros(4800), np.ones(4800) * [(-1) ** n for n in range(4800)])),
    "right silent": np.column_stack((np.arange(4800) % 7 - 3.0, np.zeros(4800))),
    "both silent": np.zeros((4800, 2)),
    "one side only a constant": np.column_stack((np.arange(4800) % 7 - 3.0, np.full(4800, 0.25))),
    "mono": frames_of(np.arange(4800) % 7 - 3.0),
    "three channels": white_noise(4800, 3),
    "one frame": np.array([[0.5, 0.25]]),
}


@pytest.mark.parametrize("samples", SILENT.values(), ids=SILENT.keys())
def test_no_relation_without_two_sides(samples: Samples) -> None:
    """Where a side is silent, or there are not two, there is no correlation, balance or loss: None, no number."""
    assert stereo(samples) == StereoResult(None, None, None)


def test_nothing_fed() -> None:
    """A meter that was fed nothing has no figures."""
    assert StereoMeter(2).result() == StereoResult(None, None, None)


def test_constant_parts_are_not_seen() -> None:
    """The channels' means are taken out: a constant on both sides correlates with nothing."""
    samples = white_noise(48_000, 2)
    one, other = stereo(samples), stereo(samples + np.array([0.3, -0.5]))
    for name, value in vars(one).items():
        assert getattr(other, name) == pytest.approx(value, abs=1e-9), name


ANY = st.integers(0, 200)


def mixed(seed: int) -> Samples:
    """Two channels with something in common, at levels of their own."""
    common, own = white_noise(6000, 1, seed=seed), white_noise(6000, 2, seed=seed + 1000)
    rng = np.random.default_rng(seed)
    return (rng.uniform(-1, 1) * common + rng.uniform(0.1, 1) * own) * rng.uniform(0.1, 1.0, 2)


@settings(deadline=None, max_examples=50)
@given(seed=ANY, edges=st.lists(st.integers(1, 5999), max_size=20))
def test_any_cut_gives_the_same(seed: int, edges: list[int]) -> None:
    """However the blocks are cut, the figures are the same to rounding."""
    samples = mixed(seed)
    one, other = stereo(samples), stereo(*cut(samples, edges))
    for name, value in vars(one).items():
        assert getattr(other, name) == pytest.approx(value, abs=1e-9), name


@settings(deadline=None, max_examples=50)
@given(seed=ANY)
def test_swapped_channels(seed: int) -> None:
    """Swapped, the correlation and the loss are the same and the balance is negated."""
    one, other = stereo(mixed(seed)), stereo(mixed(seed)[:, ::-1].copy())
    assert other.correlation == pytest.approx(one.correlation, abs=1e-12)
    assert other.mono_loss_db == pytest.approx(one.mono_loss_db, abs=1e-9)
    assert one.side_balance_db is not None
    assert other.side_balance_db == pytest.approx(-one.side_balance_db, abs=1e-9)


@settings(deadline=None, max_examples=50)
@given(seed=ANY, gain_db=st.floats(-60.0, 40.0))
def test_gain_leaves_every_relation(seed: int, gain_db: float) -> None:
    """All three are ratios: a gain on both sides leaves them."""
    one, other = stereo(mixed(seed)), stereo(mixed(seed) * linear_from_db(gain_db))
    for name, value in vars(one).items():
        assert getattr(other, name) == pytest.approx(value, abs=1e-6), name


@settings(deadline=None, max_examples=50)
@given(seed=ANY)
def test_loss_follows_from_correlation_and_balance(seed: int) -> None:
    """The level of (L + R) / 2 over the channels' mean power is (1 + r c) / 2, c = 2 sqrt(lr) / (l + r) (algebra)."""
    found = stereo(mixed(seed))
    assert found.correlation is not None
    assert found.side_balance_db is not None
    ratio = 10 ** (found.side_balance_db / 20)
    shared = 2 * ratio / (1 + ratio**2)
    assert found.mono_loss_db == pytest.approx(10 * np.log10((1 + found.correlation * shared) / 2), abs=1e-9)
