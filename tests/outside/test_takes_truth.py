"""The invented takes against arithmetic: what they claim to hold is what their samples hold."""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from tests.prove import takes_advice, takes_faults, takes_pairs
from tests.prove.takes_case import Case
from tests.prove.takes_truth import PLAN, PROOF_SEED, TUNING_SEEDS, case, cases
from tests.support import wavefile
from tests.support.reference_levels import interpolated_peak
from tests.support.wavefile import PCM_16, PCM_24

pytestmark = pytest.mark.long

RATE_HZ = 48_000
SEED = 99


@pytest.fixture(scope="module")
def some() -> list[Case]:
    """Sixty cases of a seed that nothing is tuned on and nothing is proven on."""
    return list(cases(SEED, 60))


def run_length(pitch_hz: float, depth_db: float) -> float:
    """The samples of one flat top of a sine: (fs/f)(pi - 2 asin(10^(-x/20)))/(2 pi), by arithmetic."""
    return RATE_HZ / pitch_hz * (np.pi - 2 * np.arcsin(10 ** (-depth_db / 20))) / (2 * np.pi)


@pytest.mark.parametrize("pitch_hz", [97.3, 1013.7, 4999.3])
def test_clipped_sine_has_the_flat_tops_that_its_depth_asks_for(pitch_hz: float) -> None:
    """Samples and events at the rail of a sine follow from its pitch and depth alone."""
    tone = np.sin(2 * np.pi * pitch_hz * np.arange(2 * RATE_HZ) / RATE_HZ)[:, None]
    made = (takes_faults.clipped(tone, np.random.default_rng(n), RATE_HZ, PCM_24, driven=False) for n in range(40))
    whole = [one for one in made if one.variant == "many" and one.depth_db > 0.3]
    assert len(whole) >= 5
    for one in whole:
        samples, events = takes_faults.runs(one.at_rail[:, 0])
        length = run_length(pitch_hz, one.depth_db)
        assert samples == pytest.approx(4 * pitch_hz * length, rel=0.02, abs=4)
        assert events == pytest.approx(4 * pitch_hz * min(1.0, length), rel=0.02, abs=2)


def test_what_was_clipped_stands_at_one_value_a_side(some: list[Case]) -> None:
    """At full scale the values at a rail are the top code; below it they differ by dither at most."""
    step = {"PCM_16": 2.0**-15, "PCM_24": 2.0**-23, "FLOAT": 2.0**-23}
    rails = [one for one in some if one.fault == "clipped"]
    assert len(rails) == 12
    for one in rails:
        highest = np.abs(one.samples).max()
        assert 1.0 - highest <= step[one.encoding]
        assert int((np.abs(one.samples) >= highest - step[one.encoding]).sum(axis=0).max()) >= one.at_rail


def test_flat_tops_upstream_lie_below_full_scale(some: list[Case]) -> None:
    """As many samples as the truth counts lie within dither of the highest or the lowest, far from full scale."""
    for one in (one for one in some if one.fault == "clipped_upstream" and one.bound):
        near = 4 * (2.0**-15 if one.encoding == "PCM_16" else 2.0**-22)
        high, low = one.samples.max(axis=0), one.samples.min(axis=0)
        assert max(high.max(), -low.min()) < 0.9999
        tops = (one.samples > high - near).sum(axis=0) + (one.samples < low + near).sum(axis=0)
        assert int(tops.max()) >= one.at_rail


def test_enough_and_few_are_the_bounds_that_are_promised() -> None:
    """Eight samples or three events are enough; events two frames apart are one."""
    rail = np.zeros((100, 1), int)
    rail[10:17] = 1
    assert takes_faults.few(rail)
    assert not takes_faults.enough(rail)
    rail[17] = 1
    assert takes_faults.enough(rail)
    apart = np.zeros((100, 1), int)
    apart[[10, 20, 22]] = 1
    assert not takes_faults.enough(apart)
    apart[30] = -1
    assert takes_faults.enough(apart)


def test_lost_samples_are_where_they_are_said_to_be(some: list[Case]) -> None:
    """A dropout of zeros or of a held value stands still from its first frame on, for its length."""
    still = [one for one in some if one.fault == "dropout" and not one.variant.startswith("jump")]
    assert len(still) >= 2
    for one in still:
        frames = round(float(one.variant.split()[1]) * one.sample_rate_hz / 1000)
        for at_s in one.at_s:
            first = round(at_s * one.sample_rate_hz)
            piece = one.samples[first : first + frames - one.sample_rate_hz // 10_000 - 1, one.channels[0] - 1]
            assert np.ptp(piece) == 0.0
            assert one.variant.startswith("held") or piece[0] == 0.0


def test_levels_past_full_scale_are_as_deep_as_they_are_said_to_be(some: list[Case]) -> None:
    """A float peak has its depth in dB, and an inter-sample one is what interpolation finds."""
    for one in some:
        if one.fault == "over_full_scale":
            assert 20 * np.log10(np.abs(one.samples).max()) == pytest.approx(one.depth_db, abs=1e-5)
        if one.fault == "inter_sample_over":
            assert np.abs(one.samples).max() < 1.0
            assert 20 * np.log10(interpolated_peak(one.samples, 16).max()) == pytest.approx(one.depth_db, abs=0.05)


def test_normalised_peak_is_one_sample_at_the_top(some: list[Case]) -> None:
    """The look-alike of one peak touches full scale once in each loudest channel."""
    peaks = [one for one in some if one.variant == "one peak at the top"]
    assert peaks
    for one in peaks:
        assert (np.abs(one.samples) >= takes_faults.top_of(one.kind)).sum() <= one.samples.shape[1]


def test_each_case_depends_on_its_seed_and_number_alone() -> None:
    """The same case comes again to the bit, however many are asked for; another seed gives another."""
    for number, again in enumerate(cases(3, 3)):
        one = case(3, number)
        assert one.name == again.name
        assert np.array_equal(one.samples, again.samples)
        assert one.name.split(" ", 1)[1] != case(4, number).name.split(" ", 1)[1]
    assert PROOF_SEED not in TUNING_SEEDS


def test_two_in_five_cases_are_clean() -> None:
    """The plan has as many clean cases as a rate of false alarms needs."""
    shares = Counter(PLAN)
    assert (shares["clean"] + shares["look-alike"]) / len(PLAN) == pytest.approx(0.4)
    assert shares["clipped"] == shares["clipped_upstream"] == len(PLAN) // 5


def test_a_file_holds_the_samples_of_its_case(some: list[Case], tmp_path: Path) -> None:
    """Samples lie on the grid of their encoding, so that writing them changes nothing."""
    for number, one in enumerate(some):
        back = wavefile.read(wavefile.write(tmp_path / f"{number}.wav", one.samples, one.sample_rate_hz, one.kind))
        assert np.array_equal(back.samples(), one.samples), one.name
        assert one.kind in (PCM_16, PCM_24) or back.kind.is_float


@pytest.mark.parametrize("delay", [0.0, 1.0, 17.0, 33.25, 200.5])
def test_later_moves_a_tone_by_whole_and_part_frames(delay: float) -> None:
    """A tone that comes in and goes out softly is the same tone, so many frames later."""
    n = np.arange(4_000)

    def tone(at: np.ndarray) -> np.ndarray:
        return np.exp(-(((at - 2_000) / 300) ** 2)) * np.sin(0.21 * at)

    assert np.allclose(takes_pairs.later(tone(n), delay), tone(n - delay), atol=1e-9)


def test_pairs_hold_what_they_are_said_to_hold() -> None:
    """Balance, polarity, bit identity and what folding costs follow from the samples themselves."""
    for one in takes_pairs.pairs(SEED, len(takes_pairs.SHAPES)):
        left, right = (one.samples - one.samples.mean(axis=0)).T
        folded = ((left + right) ** 2).mean() / 2 / (left**2 + right**2).mean()
        if one.balance_db is not None:
            assert 10 * np.log10((left**2).mean() / (right**2).mean()) == pytest.approx(one.balance_db, abs=0.05)
        if one.shape == "flipped":
            assert np.corrcoef(left, right)[0, 1] < -0.7
        if one.shape.startswith("same"):
            assert np.array_equal(left, right) == (one.shape == "same")
        if one.shape.startswith("cancelling"):
            assert 10 * np.log10(folded) < -6.0
        if one.shape.startswith("wide"):
            assert 10 * np.log10(folded) > -4.0


def test_a_sine_asks_for_the_smaller_change() -> None:
    """A sine at -24 dBFS asks for 12 dB by its peak and 6 by its average."""
    n = np.arange(3 * RATE_HZ)
    tone = 10 ** (-24 / 20) * np.sin(2 * np.pi * 997 * n / RATE_HZ)[:, None]
    assert takes_advice.asked(tone) == pytest.approx((12.0, 6.0), abs=0.01)


def test_a_bump_is_louder_than_the_music_and_asks_for_nothing() -> None:
    """The same take with its input turned asks for that much less, and a bump stands over its peak."""
    for number in range(4):
        one = takes_advice.take(SEED, number)
        turned = takes_advice.take(SEED, number, -7.0)
        assert turned.change_db == pytest.approx(one.change_db + 7.0, abs=0.05)
        stated = float(one.name.split("peak ")[1].split(",")[0])
        over_db = 20 * np.log10(np.abs(one.samples).max()) - stated
        assert over_db > 5.0 if "bump" in one.name else abs(over_db) < 0.2
