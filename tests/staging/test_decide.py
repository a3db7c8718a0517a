"""Each target rule's figure, predicted for a gain: what the raised stem itself then reads."""

from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.analysis.panel import Figure, Measured, Panel
from stager.model import Target
from stager.staging.decide import MONO_ON_TWO_SPEAKERS_DB, figures_after
from stager.units import linear_from_db
from tests.support.records import stream
from tests.support.signals import Samples, frames_of, sine_block, white_noise

RATE: Final = 48_000
RULES: Final = ("average", "loudness", "vu", "peak", "leave")


def measured(samples: Samples, **few: frozenset[Figure]) -> Measured:
    panel = Panel(stream(0, samples.shape[1], len(samples), rate_hz=RATE), **few)
    panel.update(samples.copy())
    return panel.result()


def figure(samples: Samples, rule: str, gain_db: float = 0.0, **target: str) -> float | None:
    return figures_after(measured(samples), Target(rule=rule, **target))[rule](gain_db)


def near_the_gates(seed: int, channels: int = 2) -> Samples:
    """Four seconds whose halves of a second lie between -78 and -50 dBFS: any gain moves some over the gate."""
    rng = np.random.default_rng(seed)
    steps = 10 ** (rng.uniform(-78.0, -50.0, (8, channels)) / 20)
    return np.repeat(steps, RATE // 2, axis=0) * rng.normal(size=(4 * RATE, channels))


def test_there_is_a_figure_for_every_rule() -> None:
    """No rule of a project file is without its figure."""
    assert set(figures_after(measured(white_noise(RATE)), Target())) == set(RULES)


TONE_DB: Final = {
    ("average", "sine"): -18.0,
    ("average", "square"): -21.0103,
    ("vu", "sine"): -18.0,
    ("peak", "sine"): -18.0,
    ("loudness", "sine"): -18.0,
    ("leave", "sine"): -18.0,
}
"""A 997 Hz sine with a peak of -18 dBFS: AES17 RMS -18.00; BS.1770 on two speakers -18.00; peak as it is."""


@pytest.mark.parametrize(("rule", "reference"), TONE_DB, ids=[f"{rule}, {reference}" for rule, reference in TONE_DB])
@pytest.mark.parametrize("channels", [1, 2], ids=["mono", "dual mono"])
def test_figure_of_a_tone(rule: str, reference: str, channels: int) -> None:
    """Every figure of a -18 dBFS sine is -18, from one speaker's file or two; the square reference takes 3.01 off."""
    samples = np.tile(sine_block(997.0, 60.0, peak=linear_from_db(-18.0)), (1, channels))
    assert figure(samples, rule, reference=reference) == pytest.approx(TONE_DB[rule, reference], abs=0.02)


@pytest.mark.long
@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 15), gain_db=st.floats(-15.0, 30.0), rule=st.sampled_from(RULES), wide=st.booleans())
def test_the_predicted_figure_is_what_the_raised_stem_reads(seed: int, gain_db: float, rule: str, wide: bool) -> None:
    """The figure after a gain is that of the samples times the gain, gates and all, or None for both."""
    samples, channels = near_the_gates(seed), "mean" if wide else "loudest"
    raised = figure(samples * linear_from_db(gain_db), rule, channels=channels)
    predicted = figure(samples, rule, gain_db, channels=channels)
    assert predicted == (None if raised is None else pytest.approx(raised, abs=1e-6))


@pytest.mark.parametrize("rule", ["average", "vu"])
def test_channels_of_the_target(rule: str) -> None:
    """`loudest` is the louder channel's figure; `mean` lies between the channels'."""
    samples = white_noise(4 * RATE, 2) * np.array([1.0, 0.5])
    loudest, mean = (figure(samples, rule, channels=channels) for channels in ("loudest", "mean"))
    left, right = (figure(samples[:, [channel]].copy(), rule) for channel in (0, 1))
    assert None not in (loudest, mean, left, right)
    assert loudest == pytest.approx(left, abs=1e-9)
    assert right < mean < left  # type: ignore[operator]


def test_peak_is_the_sample_peak_of_the_highest_channel() -> None:
    """Rule peak works on samples, not between them."""
    samples = np.zeros((RATE, 2))
    samples[100, 0], samples[200, 1] = 0.25, -0.5
    assert figure(samples, "peak") == pytest.approx(-6.0206, abs=1e-4)


@pytest.mark.parametrize("rule", RULES)
def test_silence_has_no_figure(rule: str) -> None:
    """Digital silence gives None under every rule and after every gain."""
    assert figure(np.zeros((RATE, 2)), rule) is None
    assert figure(np.zeros((RATE, 2)), rule, 60.0) is None


@pytest.mark.parametrize("rule", ["average", "loudness", "vu", "leave"])
def test_a_gain_can_bring_a_figure_into_being(rule: str) -> None:
    """Noise under the absolute gate has no figure, and one once it is raised over it."""
    quiet = white_noise(2 * RATE, 2) * linear_from_db(-70.0)
    assert figure(quiet, rule) is None
    assert figure(quiet, rule, 40.0) is not None


def test_short_hit_has_no_loudness() -> None:
    """Under 400 ms there is no loudness, whatever the gain (ITU-R BS.1770-5: an incomplete block is not used)."""
    assert figure(frames_of(white_noise(19_199)), "loudness", 20.0) is None
    assert figure(frames_of(white_noise(19_200)), "loudness") is not None


def test_a_meter_that_was_not_asked_for_has_no_figure() -> None:
    """A panel without loudness and VU gives None for those rules and all the others still."""
    found = figures_after(measured(white_noise(RATE), figures=frozenset()), Target())
    assert (found["loudness"](0.0), found["vu"](0.0)) == (None, None)
    assert None not in (found["average"](0.0), found["peak"](0.0))


@pytest.mark.parametrize("gain_db", [-10.0, 0.0, 12.0])
def test_mono_counts_on_both_speakers(gain_db: float) -> None:
    """A mono stem's loudness as a target is BS.1770's figure and 3.01: what its dual-mono file reads."""
    mono = white_noise(4 * RATE)
    one, two = (figure(np.tile(mono, (1, channels)), "loudness", gain_db) for channels in (1, 2))
    assert one == pytest.approx(two, abs=1e-6)
    standard = measured(mono).levels("sine", "loudest").loudness_lufs
    assert standard is not None
    assert one == pytest.approx(standard + MONO_ON_TWO_SPEAKERS_DB + gain_db, abs=1e-6)


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 15), gain_db=st.floats(-15.0, 30.0))
def test_gates_of_a_mono_stem_count_on_both_speakers(seed: int, gain_db: float) -> None:
    """Near the absolute gate too a mono stem has the figure of its dual-mono file, or none as that has."""
    mono = near_the_gates(seed, 1)
    one, two = (figure(np.tile(mono, (1, channels)), "loudness", gain_db) for channels in (1, 2))
    assert one == (None if two is None else pytest.approx(two, abs=1e-6))
