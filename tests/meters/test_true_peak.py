"""True peak: against a long sinc, against itself without shortcuts, and where the waveform is known."""

import itertools
from functools import cache
from typing import cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import firwin, resample_poly

from stager.meters import Peaks, TruePeakMeter
from stager.meters.true_peak import BOUNDS, HALF, LONG, LONG_BOUNDS, PHASE, PHASES, Bounds
from stager.units import db_from_linear, linear_from_db
from tests.support.signals import Samples, cut, frames_of, sine_block, white_noise

RATIO = 32
UNDER_DB, OVER_DB = 0.05, 0.02
"""How far a reading may lie under and over the reference for signals up to 0.45 of the rate."""

SHAPES = st.sampled_from(["noise", "impulses", "steps", "sine", "alternating", "constant", "quiet start"])


def true_peak(*blocks: Samples, prune: bool = True) -> Peaks:
    meter = TruePeakMeter(blocks[0].shape[1], prune=prune)
    for block in blocks:
        meter.update(block)
    return meter.result()


def level(samples: Samples) -> float:
    found = db_from_linear(true_peak(samples).linear[0])
    assert found is not None
    return found


@cache
def long_sinc() -> Samples:
    """The taps of the reference: a Kaiser-windowed sinc that reaches over 64 samples to each side."""
    return cast("Samples", firwin(2 * 64 * RATIO + 1, 1 / RATIO, window=("kaiser", 9.0)))


def reference_peak(samples: Samples) -> float:
    """The peak of the waveform by the long sinc, silence before and behind the file."""
    padded = np.concatenate((np.zeros(128), samples[:, 0], np.zeros(128)))
    return float(np.abs(resample_poly(padded, RATIO, 1, window=long_sinc())).max())


def band_limited(frames: int, seed: int, top: float = 0.45) -> Samples:
    """Noise without anything above this part of the rate, faded in and out so that its ends add nothing."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=frames))
    spectrum[int(top * frames) :] = 0.0
    samples = np.fft.irfft(spectrum, frames)
    fade = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, 200))
    samples[:200] *= fade
    samples[-200:] *= fade[::-1]
    return frames_of(samples / np.abs(samples).max())


def shaped(shape: str, frames: int, seed: int) -> Samples:
    """Signals that are hard on a shortcut."""
    generator, at = np.random.default_rng(seed), np.arange(frames)
    signals = {
        "noise": lambda: generator.normal(size=frames),
        "impulses": lambda: np.where(generator.random(frames) < 0.05, generator.normal(size=frames), 0.0),
        "steps": lambda: np.repeat(generator.choice([-1.0, 1.0, 0.3], frames // 7 + 1), 7)[:frames],
        "sine": lambda: np.sin(np.pi * generator.uniform(0.85, 0.95) * at + generator.uniform(0, 6)),
        "alternating": lambda: np.where(at % 2, 1.0, -1.0) * np.where(at // 11 % 2, 1.0, -1.0),
        "constant": lambda: np.full(frames, 0.7),
        "quiet start": lambda: generator.normal(size=frames) * np.linspace(0.001, 1.0, frames),
    }
    return frames_of(signals[shape]())


@pytest.mark.long
@settings(deadline=None, max_examples=200)
@given(shape=SHAPES, frames=st.integers(1, 1500), seed=st.integers(0, 10_000))
def test_shortcut_changes_nothing(shape: str, frames: int, seed: int) -> None:
    """With and without the shortcut peak and place are the same to the last bit, whatever the signal."""
    samples = shaped(shape, frames, seed)
    assert true_peak(samples) == true_peak(samples, prune=False)


@settings(deadline=None, max_examples=150)
@given(shape=SHAPES, frames=st.integers(1, 400), seed=st.integers(0, 10_000))
def test_shortcut_where_it_is_most_tempting(shape: str, frames: int, seed: int) -> None:
    """Behind an impulse that is only a hair lower, the peak is still found."""
    samples = shaped(shape, frames, seed)
    peak = true_peak(samples, prune=False).linear[0]
    before = frames_of([0.0] * 200 + [peak * (1.0 - 1e-9)] + [0.0] * 500)
    assert true_peak(np.concatenate((before, samples))).linear[0] == pytest.approx(peak, rel=1e-12)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.52, 0.75])
@pytest.mark.parametrize("lowered", [1.0, 1e-3])
def test_shortcut_against_the_largest_overshoot(share: float, lowered: float) -> None:
    """Samples whose signs are those of the filter's taps overshoot as far as can be, and the bound still holds."""
    signs = np.sign(np.sinc(np.arange(-30, 31) - share))
    samples = lowered * frames_of(np.concatenate((np.zeros(100), signs, np.zeros(100))))
    peak = true_peak(samples, prune=False).linear[0]
    assert peak > 1.8 * lowered
    before = frames_of([0.0] * 200 + [peak * (1.0 - 1e-9)] + [0.0] * 500)
    assert true_peak(np.concatenate((before, samples))).linear[0] == pytest.approx(peak, rel=1e-12)


def furthest_from_the_line(taps: Samples) -> float:
    """How far an output can lie from the line between its two neighbours, second differences being at most 1.

    The point on the line is the one that a straight ramp through the filter reads. Each bend of size 1 moves output
    less line by an amount of its own, and the worst samples have all signs alike.
    """
    centre, effects = len(taps) // 2, []
    share = float(taps @ np.arange(len(taps))) - (centre - 1)
    assert 0.0 < share < 1.0
    for bend in range(len(taps) - 2):
        samples = np.maximum(0.0, np.arange(len(taps)) - bend - 1.0)
        effects.append(taps @ samples - (1.0 - share) * samples[centre - 1] - share * samples[centre])
    return float(np.abs(effects).sum())


FIRST_STAGES = pytest.mark.parametrize(("half", "bounds"), [(HALF, BOUNDS), (LONG, LONG_BOUNDS)], ids=["48", "256"])


@FIRST_STAGES
def test_bound_of_the_first_stage(half: Samples, bounds: Bounds) -> None:
    """The bound on the value midway is what the worst samples reach, and hardly more."""
    worst = furthest_from_the_line(half)
    assert worst <= bounds.half_curve <= worst * (1.0 + 1e-9)


def test_bounds_of_the_second_stage() -> None:
    """The bounds on the values between hold for each of the fifteen, and hardly more."""
    phases = range(PHASES - 1)
    curves = [furthest_from_the_line(PHASE[:, j]) for j in phases]
    near = [float(np.abs(PHASE[5:7, j]).sum()) for j in phases]
    far = [float(np.abs(PHASE[:, j]).sum()) - near[j] for j in phases]
    for bound, worst in ((BOUNDS.phase_curve, max(curves)), (BOUNDS.near, max(near)), (BOUNDS.far, max(far))):
        assert worst <= bound <= worst * (1.0 + 1e-9)


@FIRST_STAGES
def test_bound_of_both_stages(half: Samples, bounds: Bounds) -> None:
    """Nothing passes the largest sample by more than both filters' absolute taps."""
    worst = float(np.abs(half).sum() * np.abs(PHASE).sum(axis=0).max())
    assert worst <= bounds.total <= worst * (1.0 + 1e-9)


@pytest.mark.parametrize("frames", range(1, 201))
def test_shortcut_changes_nothing_in_tiny_files(frames: int) -> None:
    """The same for every length up to 200 frames, where ends are everything."""
    samples = white_noise(frames, 2, seed=frames)
    assert true_peak(samples) == true_peak(samples, prune=False)


@settings(deadline=None, max_examples=100)
@given(values=st.lists(st.floats(-4.0, 4.0, allow_subnormal=False), min_size=1, max_size=300))
def test_shortcut_changes_nothing_for_any_samples(values: list[float]) -> None:
    """The same for whatever samples can be thought of."""
    assert true_peak(frames_of(values)) == true_peak(frames_of(values), prune=False)


@settings(deadline=None, max_examples=80)
@given(
    shape=SHAPES,
    frames=st.integers(1, 900),
    seed=st.integers(0, 999),
    edges=st.lists(st.integers(1, 899), max_size=15),
)
def test_any_cut_gives_the_same(shape: str, frames: int, seed: int, edges: list[int]) -> None:
    """However the blocks are cut, the peak is the same."""
    samples = shaped(shape, frames, seed)
    assert true_peak(*cut(samples, edges)).linear == pytest.approx(true_peak(samples).linear, rel=1e-12)


def test_frame_by_frame() -> None:
    """Fed one frame at a time, peak and place are the same."""
    samples = band_limited(700, 3)
    one, other = true_peak(samples), true_peak(*cut(samples, range(700)))
    assert other.linear == pytest.approx(one.linear, rel=1e-12)
    assert other.at_frames == pytest.approx(one.at_frames, abs=1 / RATIO)


@pytest.mark.parametrize("seed", range(40))
def test_noise_against_a_long_sinc(seed: int) -> None:
    """Noise up to 0.45 of the rate reads at most 0.05 dB under and 0.02 dB over a sinc of 128 samples."""
    samples = band_limited(6000, seed)
    error_db = level(samples) - (db_from_linear(reference_peak(samples)) or 0.0)
    assert -UNDER_DB <= error_db <= OVER_DB


@pytest.mark.parametrize("part", [0.01, 0.1, 0.25, 0.33, 0.4, 0.44, 0.45])
@pytest.mark.parametrize("phase", np.linspace(0.0, np.pi, 7, endpoint=False).tolist())
def test_tone_reads_its_peak(part: float, phase: float) -> None:
    """A tone up to 0.45 of the rate reads its amplitude, wherever its crests fall (worked arithmetic)."""
    frames = 4000
    fade = np.sin(np.linspace(0.0, np.pi, frames)) ** 0.2
    samples = frames_of(np.cos(2 * np.pi * part * (np.arange(frames) - frames / 2) + phase) * fade)
    assert -0.02 <= level(samples) <= 0.01


def test_quarter_rate_tone_between_samples() -> None:
    """A tone at a quarter of the rate, its samples all at 0.707, peaks 3.01 dB above them (ITU-R BS.1770-5 Annex 2)."""
    frames = 4000
    fade = np.sin(np.linspace(0.0, np.pi, frames)) ** 0.2
    samples = frames_of(np.sin(np.pi / 2 * np.arange(frames) + np.pi / 4) * fade)
    assert np.abs(samples).max() == pytest.approx(0.7071, abs=1e-3)
    assert level(samples) == pytest.approx(0.0, abs=0.02)


def test_single_impulse_reads_its_sample() -> None:
    """The waveform of one impulse is highest at its sample (the sinc's own peak)."""
    assert true_peak(frames_of([0.0] * 50 + [-0.8] + [0.0] * 50)) == Peaks((0.8,), (50.0,))


@pytest.mark.parametrize("at", [0, 1, 30, 63, 64, 65, 255, 256, 299])
def test_peak_between_two_equal_samples(at: int) -> None:
    """Two equal samples peak midway between them, at 2 sinc(1/2) = 4 / pi, at the ends of a file too."""
    samples = np.zeros((301, 1))
    samples[at : at + 2] = 0.5
    found = true_peak(samples)
    assert found.linear[0] == pytest.approx(0.5 * 4 / np.pi, rel=0.01)
    assert found.at_frames[0] == pytest.approx(at + 0.5, abs=0.05)


@pytest.mark.parametrize("frames", [1, 2, 3, 63, 64, 65, 300])
def test_a_file_lies_in_silence(frames: int) -> None:
    """Samples beyond the file count as zero: with silence written out before and behind it, the peak is the same."""
    samples, silence = white_noise(frames, seed=frames), np.zeros((150, 1))
    found = true_peak(samples)
    assert true_peak(np.concatenate((samples, silence))) == found
    later = true_peak(np.concatenate((silence, samples, silence)))
    assert later.linear == pytest.approx(found.linear, rel=1e-12)


def test_wave_that_is_cut_at_its_crest() -> None:
    """What swings up behind the last sample counts: a file that ends in the middle of a wave overshoots its samples."""
    samples = sine_block(100.0, 0.0075)
    found = true_peak(samples)
    assert found.linear[0] > np.abs(samples).max() * 1.05
    assert found.at_frames[0] == pytest.approx(len(samples) - 1, abs=2.0)


def test_never_under_the_sample_peak() -> None:
    """The true peak is the larger of the two, and is placed where it lies."""
    for seed in range(30):
        samples = white_noise(300, seed=seed)
        assert true_peak(samples).linear[0] >= np.abs(samples).max()


@settings(deadline=None, max_examples=30)
@given(gain_db=st.floats(-60.0, 20.0), seed=st.integers(0, 99))
def test_scaling_moves_the_level(gain_db: float, seed: int) -> None:
    """A gain of g dB moves the true peak by g."""
    samples = white_noise(1000, seed=seed)
    assert level(samples * linear_from_db(gain_db)) - level(samples) == pytest.approx(gain_db, abs=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_backwards_peaks_alike(seed: int) -> None:
    """Played backwards or upside down, a signal has the same true peak."""
    samples = white_noise(1000, seed=seed)
    forwards = true_peak(samples)
    for other in (samples[::-1].copy(), -samples):
        assert true_peak(other).linear == pytest.approx(forwards.linear, rel=1e-12)
    assert true_peak(samples[::-1].copy()).at_frames[0] == pytest.approx(999 - forwards.at_frames[0], abs=1e-6)


def test_channels_are_apart() -> None:
    """Swapping the channels swaps the peaks; one channel is not seen in another."""
    samples = white_noise(2000, 3, seed=4)
    found = true_peak(samples)
    for order in itertools.permutations(range(3)):
        other = true_peak(samples[:, order].copy())
        assert other.linear == tuple(found.linear[channel] for channel in order)
    assert all(true_peak(samples[:, [channel]].copy()).linear[0] == found.linear[channel] for channel in range(3))


def test_silence_has_no_peak() -> None:
    """Of silence the peak is 0, and no level."""
    assert true_peak(np.zeros((500, 2))) == Peaks((0.0, 0.0), (0.0, 0.0))


def test_asking_twice_gives_the_same() -> None:
    """The flush of the tail belongs to the answer, not to the meter: feeding goes on after it."""
    samples, meter = white_noise(600, seed=9), TruePeakMeter(1)
    meter.update(samples[:300])
    assert meter.result() == meter.result()
    meter.update(samples[300:])
    assert meter.result().linear == pytest.approx(true_peak(samples).linear, rel=1e-12)


def test_place_of_a_sine_crest() -> None:
    """The place is given in frames, with fractions, from the start of the file."""
    samples = sine_block(100.0, 0.005)
    assert true_peak(samples).at_frames[0] == pytest.approx(120.0, abs=0.5)


SQUARE_HALF_PERIOD = 109
LAST_BIT = 2.0**-52


def square(half_period: int, quiet: int = 6) -> Samples:
    """A square wave of twenty halves, the outer ones at half the height: inner edges overshoot alike."""
    signs, heights = np.resize([0.5, -0.5], 20), np.ones(20)
    heights[:quiet] = heights[-quiet:] = 0.5
    return frames_of(np.repeat(signs * heights, half_period))


@pytest.mark.parametrize("half_period", [SQUARE_HALF_PERIOD, 150, 250])
def test_of_equal_peaks_the_earliest_counts(half_period: int) -> None:
    """Overshoots tie before and behind every inner edge: the place is that before the first one (symmetry)."""
    first_edge = 7 * half_period - 0.5
    found = true_peak(square(half_period)).at_frames[0]
    assert first_edge - 2.0 < found < first_edge


@pytest.mark.parametrize("edges", [[], [700], [762, 763], list(range(1, 1000)), [900, 2000]])
def test_place_among_equal_peaks_for_any_cut(edges: list[int]) -> None:
    """However the blocks are cut, of equal peaks the same one is named."""
    samples = square(SQUARE_HALF_PERIOD)
    assert true_peak(*cut(samples, edges)).at_frames == true_peak(samples).at_frames


@pytest.mark.parametrize("last_bits", [-8, -1, 0, 1, 8])
def test_last_bits_move_no_place(last_bits: int) -> None:
    """A later event that is larger by a few units in the last place, as another processor rounds, is not the peak's."""
    event = np.concatenate((np.zeros(80), white_noise(60, seed=5)[:, 0], np.zeros(80)))
    samples = frames_of(np.concatenate([event, event * (1.0 + last_bits * LAST_BIT)] * 3))
    assert true_peak(samples).at_frames == true_peak(frames_of(event)).at_frames


def test_what_is_larger_by_more_is_the_peak() -> None:
    """A later event that is larger by a part in 10^9, far above rounding, is the peak."""
    event = np.concatenate((np.zeros(80), white_noise(60, seed=5)[:, 0], np.zeros(80)))
    samples = frames_of(np.concatenate((event, event * (1.0 + 1e-9))))
    assert true_peak(samples).at_frames[0] == true_peak(frames_of(event)).at_frames[0] + len(event)


def test_a_tie_of_a_sample_with_what_lies_between() -> None:
    """A sample that ties with an earlier peak between samples does not take its place, and is reached all the same."""
    pair = np.concatenate((np.zeros(200), [0.5, 0.5], np.zeros(200)))
    peak = true_peak(frames_of(pair)).linear[0]
    for sample in (peak, peak * (1.0 + LAST_BIT)):
        found = true_peak(frames_of(np.concatenate((pair, [sample], np.zeros(200)))))
        assert found.at_frames[0] == pytest.approx(200.5, abs=0.05)
        assert found.linear[0] == max(peak, sample)


def exact_peak(samples: Samples, ratio: int = 32) -> float:
    """The peak of the band-limited waveform through all samples, silence around them: zeros behind their spectrum."""
    length = 1 << (len(samples) + 4096 - 1).bit_length()
    padded = np.zeros(length)
    padded[2048 : 2048 + len(samples)] = samples[:, 0]
    spectrum = np.zeros(length * ratio // 2 + 1, complex)
    spectrum[: length // 2 + 1] = np.fft.rfft(padded)
    spectrum[length // 2] /= 2.0
    return float(np.abs(np.fft.irfft(spectrum, length * ratio) * ratio).max())


@pytest.mark.parametrize("part", [0.46, 0.47, 0.48, 0.485])
@pytest.mark.parametrize("phase", [0.0, 0.7, 1.4, 2.1])
def test_tone_near_half_the_rate(part: float, phase: float) -> None:
    """A faded tone up to 0.485 of the rate reads within 0.01 dB of a reconstruction of the whole file by FFT."""
    fade = np.sin(np.linspace(0.0, np.pi, 4000)) ** 2
    samples = frames_of(np.cos(2 * np.pi * part * (np.arange(4000) - 2000) + phase) * fade)
    assert level(samples) == pytest.approx(db_from_linear(exact_peak(samples)), abs=0.01)


@pytest.mark.parametrize("seed", range(20))
def test_white_noise_near_a_whole_reconstruction(seed: int) -> None:
    """Noise with power up to half the rate reads at most 0.4 dB from the FFT's reconstruction (before: 0.9 low)."""
    samples = white_noise(4000, seed=seed)
    assert level(samples) == pytest.approx(db_from_linear(exact_peak(samples)), abs=0.4)
