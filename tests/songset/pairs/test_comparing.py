"""Two files compared: copies by every road, a part played twice, one take in two microphones."""

from pathlib import Path

import numpy as np
import pytest

from stager.judge.pairs import Pair, kinship, pair_findings
from stager.model.pairs import Kinship, PairLikeness
from stager.songset.pairs import NamedStem, compare, compare_set
from tests.songset.pairs.sounds import RATE, later, plucked
from tests.support.folders import tree, written
from tests.support.wavefile import float_wav

FIRST = plucked(1, jitter_ms=8.0)


def compared(folder: Path, one: np.ndarray, other: np.ndarray, rates: tuple[int, int] = (RATE, RATE)) -> PairLikeness:
    paths = [
        written(folder / f"{name}.wav", float_wav(part, rate))
        for name, part, rate in zip("ab", (one, other), rates, strict=True)
    ]
    return compare(*paths)


def in_room(part: np.ndarray) -> np.ndarray:
    tail = np.random.default_rng(5).normal(size=4000) * np.exp(-np.arange(4000) / 600)
    tail[:60] = 0.0
    return part + np.convolve(part, 0.2 * tail / np.sqrt(np.sum(tail**2)))[: len(part)]


def resampled(part: np.ndarray) -> np.ndarray:
    """Slower by 0.1 %: 1001 bins where there were 1000."""
    return np.fft.irfft(np.fft.rfft(part), len(part) * 1001 // 1000 // 2 * 2) * 1.001


COPIES = {
    "as it is": (FIRST, 0.0),
    "12 ms later": (later(FIRST, 192.0), 12.0),
    "a part of a frame": (later(FIRST, 481.37), 1000 * 481.37 / RATE),
    "earlier": (later(FIRST, -80.0), -5.0),
    "3 s later": (np.pad(FIRST, (3 * RATE, 0)), 3000.0),
    "turned over, softer": (-0.25 * later(FIRST, 100.0), 6.25),
    "through a high cut": (np.convolve(FIRST, np.hanning(17), "full")[: len(FIRST)], 0.5),
    "in a room": (in_room(FIRST), 0.0),
}


@pytest.mark.parametrize("name", COPIES)
def test_copies_are_copies_with_their_shift(tmp_path: Path, name: str) -> None:
    """By whatever road, a copy is one, and its lag is what it was moved by, within a frame of the working rate."""
    other, lag_ms = COPIES[name]
    found = compared(tmp_path, FIRST, other)
    assert kinship(found) is Kinship.COPY
    assert found.track is not None
    assert found.track.lag_ms == pytest.approx(lag_ms, abs=1000 / RATE)
    assert found.flipped is (name == "turned over, softer")


def test_level_of_a_copy(tmp_path: Path) -> None:
    """A quarter of the level is 12.04 dB less (20 log10 4)."""
    assert compared(tmp_path, FIRST, 0.25 * FIRST).level_db == pytest.approx(-12.041, abs=0.01)


def test_a_resampled_copy_drifts(tmp_path: Path) -> None:
    """A copy that runs 0.1 % slower has a lag that grows by a millisecond a second, from none."""
    found = compared(tmp_path, FIRST, resampled(FIRST))
    assert kinship(found) is Kinship.COPY
    assert found.track is not None
    assert found.track.drift_ppm == pytest.approx(1000.0, abs=20.0)
    assert found.track.lag_ms == pytest.approx(0.0, abs=0.1)


def test_rates_may_differ(tmp_path: Path) -> None:
    """A copy at another rate, made through the transform, is the same sound at the same place."""
    spectrum = np.fft.rfft(FIRST)
    faster = np.fft.irfft(np.pad(spectrum, (0, len(spectrum) * 2 - 2)), 3 * len(FIRST)) * 3
    found = compared(tmp_path, FIRST, faster, (RATE, 3 * RATE))
    assert kinship(found) is Kinship.COPY
    assert found.track is not None
    assert found.track.lag_ms == pytest.approx(0.0, abs=0.02)


def test_a_mono_copy_of_one_side_is_found(tmp_path: Path) -> None:
    """The right side of a stereo stem under another name is a copy of it."""
    stereo = np.stack([plucked(9, score=3), FIRST], axis=1)
    assert kinship(compared(tmp_path, stereo, later(FIRST, 40.0))) is Kinship.COPY


@pytest.mark.parametrize("jitter_ms", [0.35, 4.0])
def test_a_part_played_twice_is_a_double(tmp_path: Path, jitter_ms: float) -> None:
    """Two hands on one score are two performances, as tight as half a millisecond between them, and time as such."""
    hands = [plucked(seed, jitter_ms=jitter_ms) for seed in (21, 22)]
    found = compared(tmp_path, *hands)
    assert kinship(found) is Kinship.TWO_PERFORMANCES
    assert found.onsets is not None
    assert abs(found.onsets.lag_ms) < 2.0 * jitter_ms
    assert 0.4 * jitter_ms < found.onsets.spread_ms < 3.0 * jitter_ms


def test_two_microphones_are_one_take(tmp_path: Path) -> None:
    """Two sounds of one hand, mixed otherwise at each microphone and 2 ms apart, keep the lag and don't cancel."""
    body = plucked(31, score=4, jitter_ms=8.0)
    colours = [np.random.default_rng(seed).normal(size=24) * np.exp(-np.arange(24) / 6) for seed in (1, 2)]
    near = body + 0.3 * np.convolve(np.abs(body), colours[0], "same")
    far = later(body + 0.3 * np.convolve(body**2 / np.abs(body).max(), colours[1], "same"), 32.0)
    far += 0.35 * np.std(far) * np.random.default_rng(3).normal(size=len(far))
    found = compared(tmp_path, near, far)
    assert kinship(found) is Kinship.SAME_TAKE
    assert found.track is not None
    assert found.track.lag_ms == pytest.approx(2.0, abs=0.5)


def test_stems_that_never_play_together_are_left_open(tmp_path: Path) -> None:
    """Where no window has both, nothing is said."""
    early = np.concatenate([FIRST, np.zeros_like(FIRST)])
    late = np.concatenate([np.zeros_like(FIRST), plucked(8, score=2)])
    found = compared(tmp_path, early, late)
    assert kinship(found) is Kinship.UNSURE
    assert found.track is None


@pytest.mark.long
def test_a_set_is_compared_by_name_and_by_sound(tmp_path: Path) -> None:
    """The double by name is compared, a copy under another name is found, and no file is changed."""
    parts = {
        "fiddle.wav": FIRST,
        "fiddle_double.wav": plucked(2, jitter_ms=8.0),
        "quarry.wav": later(FIRST, 160.0),
        "lute.wav": plucked(5, score=11),
    }
    stems = [NamedStem(written(tmp_path / name, float_wav(part, RATE)), name) for name, part in parts.items()]
    before = tree(tmp_path)
    found = compare_set(stems)
    told = {each.pair.stems: kinship(each.pair.likeness) for each in found.pairs}
    assert told["fiddle.wav", "fiddle_double.wav"] is Kinship.TWO_PERFORMANCES
    assert told["fiddle.wav", "quarry.wav"] is Kinship.COPY
    assert found.left_out == 0
    assert tree(tmp_path) == before
    copies = [pair_findings(each.pair, is_double=each.candidate.is_double) for each in found.pairs]
    assert sum(finding.code == "double_is_copy" for each in copies for finding in each) == 1


def test_a_pair_without_names_is_only_a_pair() -> None:
    """What was never compared has no figure to judge by."""
    assert pair_findings(Pair(("a", "b"), PairLikeness()), is_double=False) == []


def driven_amp(line: np.ndarray) -> np.ndarray:
    """An amplifier: a hard curve at four times the rate, then a cabinet's low pass, 2 ms later."""
    over = np.fft.irfft(np.pad(np.fft.rfft(line), (0, 3 * len(line) // 2)), 4 * len(line)) * 4
    curve = np.arctan(30.0 * over / np.abs(over).max() + 0.4)
    cabinet = np.fft.irfft(np.fft.rfft(curve)[: len(line) // 2 + 1], len(line)) / 4
    return later(np.convolve(cabinet, np.hanning(9), "same"), 32.0)


def test_a_line_and_its_amplifier_are_one_take(tmp_path: Path) -> None:
    """No filter makes the one from the other, but a curve and a filter do; the lag is the amplifier's."""
    found = compared(tmp_path, FIRST, driven_amp(FIRST))
    assert kinship(found) is Kinship.SAME_TAKE
    assert found.track is not None
    assert found.track.lag_ms == pytest.approx(2.0, abs=0.5)


def test_a_held_note_that_drifts_is_found(tmp_path: Path) -> None:
    """A long tone with vibrato has many lags alike in each window; resampled by 0.1 % it is still told as a copy."""
    at = np.arange(12 * RATE) / RATE
    turns = np.cumsum(220.0 * 2 ** (0.02 * np.sin(2 * np.pi * 5.3 * at) + 0.1 * np.floor(at / 1.7)) / RATE)
    tone = 0.1 * sum(np.sin(2 * np.pi * k * turns) / k for k in range(1, 15)) * (1.1 + np.sin(2 * np.pi * 0.31 * at))
    tone += 1e-4 * np.random.default_rng(4).normal(size=len(tone))
    found = compared(tmp_path, tone, resampled(tone))
    assert kinship(found) is Kinship.COPY
    assert found.track is not None
    assert found.track.drift_ppm == pytest.approx(1000.0, abs=20.0)


def test_hits_of_one_sample_on_a_steady_beat_are_a_copy(tmp_path: Path) -> None:
    """Every hit is alike to the next one as well, a beat away; the lag told is still the one of all hits, 15 ms."""
    rng, at = np.random.default_rng(12), np.arange(RATE // 4) / RATE
    hit = (np.sin(2 * np.pi * 70 * at) + rng.normal(size=len(at)) * np.exp(-at * 60)) * np.exp(-at * 14)
    stems = [np.zeros(14 * RATE), np.zeros(14 * RATE)]
    for place in np.arange(0.5, 13.0, 0.45):
        for stem in stems:
            first = round(place * RATE)
            stem[first : first + len(hit)] += 0.2 * hit * 10 ** (rng.normal(0.0, 2.5) / 20)
    found = compared(tmp_path, stems[0], later(stems[1], 240.0))
    assert kinship(found) is Kinship.COPY
    assert found.track is not None
    assert found.track.lag_ms == pytest.approx(15.0, abs=0.1)
