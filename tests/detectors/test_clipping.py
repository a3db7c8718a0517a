"""Flat tops against crests whose shape is known by arithmetic, and for any cut of the blocks."""

from math import asin, pi

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.clipping import FlatTopMeter
from stager.model import FlatTop
from tests.support.records import stream
from tests.support.signals import Samples, cut, frames_of, sine_block, white_noise
from tests.support.wavefile import quantised


def tops_of(samples: Samples, bits: int = 24, edges: tuple[int, ...] = ()) -> tuple[FlatTop, ...]:
    meter = FlatTopMeter(stream(bits, samples.shape[1], len(samples)))
    for block in cut(samples, edges):
        meter.update(block)
    return meter.result()


def upper(samples: Samples, bits: int = 24) -> FlatTop:
    """The upper side at the finest tolerance."""
    return next(top for top in tops_of(samples, bits) if top.level_linear > 0.0)


def on_grid(samples: Samples, bits: int) -> Samples:
    return quantised(samples, bits) / 2.0 ** (bits - 1)


@pytest.mark.parametrize(("hz", "over_db"), [(100.0, 0.1), (100.0, 3.0), (441.3, 1.0), (997.0, 3.0), (997.0, 6.0)])
def test_length_of_a_clipped_sine(hz: float, over_db: float) -> None:
    """A sine driven x dB over rests (fs / f) (pi - 2 asin(10^(-x/20))) / 2 pi samples, to one sample, each time."""
    drive = 10 ** (over_db / 20)
    found = upper(on_grid(np.clip(0.5 * sine_block(hz, 1.0, peak=drive), -0.5, 0.5), 24))
    length = 48_000 / hz * (pi - 2 * asin(1 / drive)) / (2 * pi)
    assert found.level_linear == 0.5
    assert found.events == pytest.approx(hz, abs=1)
    assert found.frames / found.events == pytest.approx(length, abs=1.0)
    assert found.longest_frames == pytest.approx(length, abs=1.0)
    assert found.flat_events == found.events - found.short_events
    assert found.below_events == 0


@pytest.mark.parametrize("hz", [20.0, 31.0, 55.0, 110.0, 441.3, 997.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_round_crests_are_not_flat(hz: float, bits: int) -> None:
    """A low unclipped full-scale sine rests on its top code for some samples, and is round all the same."""
    found = upper(on_grid(sine_block(hz, 1.0, peak=1.0 - 2.0 ** (1 - bits)), bits), bits)
    assert found.flat_events == 0


def test_top_code_of_a_low_sine() -> None:
    """A full-scale 20 Hz sine on 16 bits holds the top code for about 5 samples (published arithmetic)."""
    assert 4 <= upper(on_grid(sine_block(20.0, 1.0, peak=1.0 - 2.0**-15), 16), 16).longest_frames <= 6


def test_high_notes_clip_for_a_few_samples() -> None:
    """5 kHz driven 3 dB over rests two or three samples; the crests that last three are flat, pairs are counted."""
    found = upper(on_grid(np.clip(sine_block(5003.0, 1.0, peak=0.5 * 2**0.5), -0.5, 0.5), 24))
    assert found.longest_frames == 3
    assert found.events == pytest.approx(5003, abs=2)
    assert found.frames == pytest.approx(2.4 * found.events, rel=0.02)
    assert found.flat_events + found.pair_events == found.events


def test_peaks_of_equal_level_and_different_shape() -> None:
    """Eight kHz cut 0.3 dB deep shows no run at all: its peaks end at one level, each with another bend."""
    found = upper(on_grid(np.clip(sine_block(7919.0, 1.0, peak=0.5 * 10 ** (0.3 / 20)), -0.5, 0.5), 24))
    assert (found.longest_frames, found.flat_events, found.below_events) == (1, 0, 0)
    assert found.events > 1000
    assert found.varied_events > 0.9 * found.events
    assert found.distinct_shapes == 3


def test_whole_periods_do_not_vary() -> None:
    """A tone of 48 samples a period has all its peaks on one code, and all of one shape but the ends."""
    found = upper(on_grid(sine_block(1000.0, 1.0, peak=0.5), 24))
    assert (found.events, found.flat_events) == (1000, 0)
    assert found.varied_events <= 2


def test_two_shapes_in_turn_are_two_kinds() -> None:
    """A stroke with two sharp peaks of one height, played again and again, has two shapes in turn."""
    stroke = np.zeros(960)
    stroke[100:103], stroke[500:503] = (0.2, 0.5, 0.3), (0.45, 0.5, 0.1)
    found = upper(on_grid(np.tile(stroke, 50)[:, None], 24))
    assert (found.events, found.varied_events, found.distinct_shapes) == (100, 99, 2)


def test_a_crest_that_leans_has_one_shape() -> None:
    """Where a sampled crest is down by a part of a step its neighbours move further: by the root of step and bend."""
    step = 2.0**-23
    strokes = [np.array([0.0, 0.2 + 1e-5 * k, 0.5, 0.45 - 1e-5 * k, 0.0, *[0.0] * 20]) for k in range(9)]
    found = upper(on_grid(np.concatenate(strokes)[:, None], 24))
    assert (found.tolerance_linear, found.events, found.distinct_shapes) == (step, 9, 1)


def test_square_waves_are_stairs() -> None:
    """Every top of a plain square wave falls in one step and rests."""
    found = upper(frames_of(np.where(np.arange(48_000) % 100 < 50, 0.5, -0.5)))
    assert (found.events, found.frames, found.stepped_events) == (480, 24_000, 480)


def test_dithered_tops_are_one_level_within_a_few_steps() -> None:
    """TPDF dither spreads a level over three codes either way; at the wider tolerance the tops are flat again."""
    rng = np.random.default_rng(4)
    tone = np.clip(sine_block(220.7, 1.0, peak=0.7), -0.5, 0.5) * 2**15
    dithered = np.rint(tone + rng.random(tone.shape) - rng.random(tone.shape)) / 2**15
    found = [top for top in tops_of(dithered, 16) if top.level_linear > 0.0]
    assert found[0].flat_events < 100
    assert found[1].events == found[1].flat_events == pytest.approx(220, abs=1)


def test_only_the_extreme_counts() -> None:
    """Flat tops under a later, higher crest are below it, and so far below that they are no longer looked at."""
    low = np.clip(sine_block(440.0, 0.5, peak=0.6), -0.3, 0.3)
    found = upper(on_grid(np.vstack((low, sine_block(440.0, 0.5, peak=0.5))), 24))
    assert found.level_linear == pytest.approx(0.5, abs=1e-3)
    assert found.flat_events == 0


def test_sides_and_channels_are_apart() -> None:
    """A wave cut on its lower side in its second channel is flat there alone."""
    tone = sine_block(331.0, 1.0, peak=0.8)
    found = tops_of(on_grid(np.hstack((tone, np.maximum(tone, -0.4))), 24))
    flat = {(top.channel, top.level_linear > 0.0) for top in found if top.flat_events}
    assert flat == {(1, False)}


def test_more_tops_than_are_looked_at_closely() -> None:
    """Of 30,018 tops each is counted, and their shapes, lengths and bends have the shares that a part of them has."""
    seconds = (1.0, 6.0)
    less, more = (upper(on_grid(np.clip(sine_block(5003.0, s, peak=0.5 * 2**0.5), -0.5, 0.5), 24)) for s in seconds)
    assert (less.events, more.events) == (pytest.approx(5003, abs=1), pytest.approx(30_018, abs=1))
    for count in ("flat_events", "flat_frames", "short_events", "pair_events", "varied_events"):
        assert getattr(more, count) / more.events == pytest.approx(getattr(less, count) / less.events, abs=0.01), count
    assert more.frames / more.events == pytest.approx(less.frames / less.events, abs=0.01)
    assert more.curvature_linear == pytest.approx(less.curvature_linear, rel=0.01)
    assert more.steepness == pytest.approx(less.steepness, rel=0.01)


def test_first_places() -> None:
    """The first twenty tops are listed in order, the first where a quarter of a period of the clipped sine ends."""
    found = upper(np.clip(sine_block(100.0, 1.0, peak=1.0), -0.5, 0.5))
    assert found.starts == tuple(40 + 480 * k for k in range(20))


def test_top_at_the_very_end() -> None:
    """A flat top that lasts to the end of the file counts; silence follows it."""
    found = upper(frames_of([0.0, 0.1, 0.2, 0.3, *[0.5] * 9]))
    assert (found.events, found.flat_events, found.longest_frames) == (1, 1, 9)


@pytest.mark.parametrize("samples", [np.zeros((4800, 2)), np.full((4800, 1), 0.001)])
def test_silence_has_no_tops(samples: Samples) -> None:
    """Nothing under -54 dBFS is looked at."""
    assert tops_of(samples) == ()


@settings(deadline=None, max_examples=60)
@given(
    edges=st.lists(st.integers(1, 2999), max_size=25).map(tuple),
    seed=st.integers(0, 50),
    level=st.sampled_from([0.2, 0.5, 1.0]),
    bits=st.sampled_from([0, 16, 24]),
)
def test_any_cut_gives_the_same(edges: tuple[int, ...], seed: int, level: float, bits: int) -> None:
    """However the blocks are cut, down to single frames, every count and place is the same."""
    samples = np.clip(white_noise(3000, 2, seed=seed, rms=0.02) + sine_block(150.0 + seed, 0.0625), -level, level)
    assert tops_of(samples, bits) == tops_of(samples, bits, edges)


def test_single_frames() -> None:
    """Fed one frame at a time it finds what it finds at once."""
    samples = np.clip(sine_block(700.0, 0.02), -0.5, 0.5)
    assert tops_of(samples) == tops_of(samples, 24, tuple(range(len(samples))))
