"""The invented pairs are what they say: checked by arithmetic on the samples, without any detector."""

import json
import subprocess
import sys
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from scipy.signal import coherence, csd

from tests.prove import pairs_truth
from tests.prove.pairs_truth import PLAN, PROOF_SEED, TUNING_SEEDS, Pair
from tests.support import wavefile
from tests.support.command import HUNG_S

pytestmark = pytest.mark.long

ROOT: Final = Path(__file__).parents[2]
SEED: Final = 20
KINDS: Final = [kind for kind, _, _ in PLAN]
EXACT: Final = ("whole frames", "gain", "flipped", "triggered")
PERFORMED: Final = [k for k in KINDS if "twice" in k]
TAKEN: Final = ("two microphones", "line and amp", "left and right")


@cache
def made(kind: str) -> Pair:
    """Return the first pair of a kind of one of the tuning seeds."""
    return pairs_truth.pair(SEED, KINDS.index(kind))


def cross_share(pair: Pair) -> float:
    """Return the share of the second's power that no filter makes out of the first, both moved by the true lag."""
    lag = round((pair.lag_ms or 0.0) * pair.rate_hz / 1000)
    first, second = (samples.sum(axis=1) for samples in (pair.first, pair.second))
    first, second = (first[: len(first) - lag], second[lag:]) if lag >= 0 else (first[-lag:], second[:lag])
    _, cross = csd(first, second, fs=pair.rate_hz, nperseg=4096)
    _, own = csd(first, first, fs=pair.rate_hz, nperseg=4096)
    _, other = csd(second, second, fs=pair.rate_hz, nperseg=4096)
    return float(1.0 - (np.abs(cross) ** 2 / np.abs(own)).sum() / np.abs(other).sum())


@pytest.mark.parametrize("kind", EXACT)
def test_a_plain_copy_is_the_first_moved_and_scaled(kind: str) -> None:
    """After the lag, gain and polarity that the truth names, nothing is left."""
    pair = made(kind)
    lag = round((pair.lag_ms or 0.0) * pair.rate_hz / 1000)
    factor = (-1.0 if pair.flipped else 1.0) * 10 ** (pair.gain_db / 20)
    left = pair.second[lag:] - factor * pair.first[: len(pair.first) - lag]
    assert np.abs(left).max() < 1e-12
    assert not pair.second[:lag].any()


def test_a_copy_moved_by_a_part_of_a_frame_turns_each_frequency_by_its_share() -> None:
    """The cross spectrum's phase is a straight line through nought whose slope is the lag (the shift theorem)."""
    pair = made("part of a frame")
    frames = (pair.lag_ms or 0.0) * pair.rate_hz / 1000
    assert 0.01 < frames % 1.0 < 0.99
    length = 2 ** int(np.ceil(np.log2(2 * len(pair.first))))
    first, second = (np.fft.rfft(samples.sum(axis=1), length) for samples in (pair.first, pair.second))
    back = np.exp(2j * np.pi * np.fft.rfftfreq(length) * frames)
    assert np.abs((second * back - first)[: length // 5]).max() < 1e-2 * np.abs(first).max()


def test_a_resampled_copy_runs_away_by_a_thousandth() -> None:
    """A window near the end lags the first by the lag at the start and one millisecond more for each second."""
    pair = made("resampled")
    start_s = 0.7 * len(pair.first) / pair.rate_hz
    expected_ms = (pair.lag_ms or 0.0) + pair.drift_ms_per_s * start_s
    assert abs(pair.drift_ms_per_s) == 1.0
    window, edge = round(0.1 * pair.rate_hz), round(0.080 * pair.rate_hz)
    first, second = (samples.sum(axis=1) for samples in (pair.first, pair.second))
    loud = max(
        range(0, round(pair.rate_hz), window // 2), key=lambda n: _power(first, round(start_s * pair.rate_hz) + n)
    )
    at = round(start_s * pair.rate_hz) + loud
    likeness = np.correlate(second[at - edge : at + window + edge], first[at : at + window], "valid")
    found_ms = 1000 * (int(np.abs(likeness).argmax()) - edge) / pair.rate_hz
    moved_ms = pair.drift_ms_per_s * (loud + window / 2) / pair.rate_hz
    assert found_ms == pytest.approx(expected_ms + moved_ms, abs=0.5)


def _power(samples: wavefile.Array, at: int) -> float:
    return float((samples[at : at + 4_000] ** 2).sum())


@pytest.mark.parametrize("kind", ["filtered", "room added", "combined"])
def test_a_copy_that_was_processed_is_still_a_filter_of_the_first(kind: str) -> None:
    """A fixed filter explains nine tenths of it and more: nothing was played anew."""
    assert cross_share(made(kind)) < 0.1


@pytest.mark.parametrize("kind", PERFORMED)
def test_two_performances_share_notes_and_not_samples(kind: str) -> None:
    """No fixed filter makes one out of the other: more than a quarter of the power is its own."""
    pair = made(kind)
    assert pair.truth == "two_performances"
    assert cross_share(pair) > 0.25


@pytest.mark.parametrize("kind", [kind for kind in KINDS if "0.5 ms" in kind])
def test_the_tightest_doubles_are_half_a_millisecond_apart(kind: str) -> None:
    """The notes' lags spread by 0.5 ms, within what their number allows."""
    spreads = [pairs_truth.pair(seed, KINDS.index(kind)).spread_ms or 0.0 for seed in (18, 19, 20)]
    assert np.mean(spreads) == pytest.approx(0.5, abs=0.15)


@pytest.mark.parametrize("kind", TAKEN)
def test_two_microphones_hear_one_performance_and_do_not_cancel(kind: str) -> None:
    """They have much in common at their true lag, and at least a fiftieth of the power that no filter explains."""
    pair = made(kind)
    assert 0.02 < cross_share(pair) < 0.5
    assert pair.lag_ms is not None
    assert 0.0 <= pair.lag_ms <= 15.0


def test_unrelated_parts_have_nothing_in_common() -> None:
    """Whatever they share is what the key and the tempo give: their coherence is that of two noises, or little more."""
    pair = made("unrelated")
    _, common = coherence(pair.first[:, 0], pair.second[:, 0], fs=pair.rate_hz, nperseg=4096)
    assert float(np.median(common)) < 0.15


def test_the_plan_holds_every_kind_in_every_twenty() -> None:
    """Two hundred pairs are ten of each kind; a seed and a number give the same pair again, to the bit."""
    assert len(set(KINDS)) == len(PLAN) == 20
    assert Counter(made(kind).truth for kind in KINDS) == Counter(copy=10, two_performances=6, same_take=3, unrelated=1)
    again = pairs_truth.pair(SEED, KINDS.index("combined"))
    assert np.array_equal(again.second, made("combined").second)
    assert PROOF_SEED not in TUNING_SEEDS


@pytest.mark.parametrize("kind", KINDS)
def test_every_file_is_whole_and_lasts_8_to_20_s(kind: str) -> None:
    """Both stems are inside full scale, equally long, of 44.1 or 48 kHz, with notes that sound."""
    pair = made(kind)
    assert pair.first.shape == pair.second.shape
    assert 8.0 <= len(pair.first) / pair.rate_hz <= 20.01
    assert pair.rate_hz in (44_100, 48_000)
    assert pair.format in (wavefile.PCM_24, wavefile.FLOAT)
    for samples in (pair.first, pair.second):
        assert 0.001 < np.abs(samples).max() < 1.0


def test_the_writer_writes_pairs_and_says_what_is_true(tmp_path: Path) -> None:
    """One line of JSON a pair, naming two files that hold its samples, the first of them first."""
    line = [sys.executable, "-m", "tests.prove.pairs_truth", "--seed", str(SEED), "--count", "2", "--into", tmp_path]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, timeout=HUNG_S, check=True)
    told = [json.loads(text) for text in done.stdout.decode().splitlines()]
    assert [pair["kind"] for pair in told] == KINDS[:2]
    for name, samples in zip(told[0]["stems"], (made(KINDS[0]).first, made(KINDS[0]).second), strict=True):
        assert np.abs(wavefile.read(tmp_path / name).samples() - samples).max() < 2**-23
