"""The synthesis: curves, harmonics, noise and the 24-bit grid."""

import numpy as np
import pytest

from stager.demo.score import FRAMES, Note
from stager.demo.synthesis import (
    CODE_MAX,
    articulation,
    generator,
    harmonics,
    in_room,
    joined,
    noise_band,
    put,
    quantised,
    ramp,
    room_tone,
    sampled,
    smoothed,
    steady_phase,
    steps,
    wander,
)
from stager.units import dbfs_rms_from_power


def test_one_seed_gives_one_sequence_a_use() -> None:
    """The same seed and use repeat themselves; another use of the same seed is independent."""
    assert generator(1, 0).random(8).tolist() == generator(1, 0).random(8).tolist()
    assert generator(1, 0).random(8).tolist() != generator(1, 1).random(8).tolist()


def test_a_ramp_rises_from_0_to_1() -> None:
    """The rise never falls back and stays within its ends."""
    rise = ramp(100)
    assert 0.0 < rise[0] < 0.01
    assert 0.99 < rise[-1] < 1.0
    assert np.all(np.diff(rise) > 0)


@pytest.mark.parametrize("frames", [1, 255, 256, 257, 1000])
def test_control_points_follow_a_straight_line(frames: int) -> None:
    """A straight line survives being sampled and joined again, whatever its length; only its last stretch may bend."""
    line = np.arange(frames, dtype=np.float64)
    again = joined(sampled(line), frames)
    whole = (frames - 1) // 256 * 256
    assert again.size == frames
    np.testing.assert_allclose(again[:whole], line[:whole])


def test_harmonics_are_sines_of_whole_multiples() -> None:
    """The recurrence gives what the sine function gives, up to the highest harmonic in use."""
    phase = steady_phase(220.0, 2048)
    strengths = np.zeros((60, 1))
    strengths[[0, 59]] = 1.0
    np.testing.assert_allclose(harmonics(phase, strengths), np.sin(phase) + np.sin(60 * phase), atol=1e-8)


def test_smoothing_holds_length_and_level() -> None:
    """A constant stays what it is under the moving mean."""
    np.testing.assert_allclose(smoothed(np.full(5000, 0.7), 0.01), np.full(5000, 0.7))


def test_a_wandering_curve_keeps_its_depth() -> None:
    """The slow random curve spans the stem and never leaves its depth."""
    curve = wander(generator(3, 0), 0.5, 0.2)
    assert curve.shape == (FRAMES,)
    assert 0.05 < np.abs(curve).max() <= 0.2 + 1e-9


def test_steps_hold_until_the_next_note() -> None:
    """A value holds through the pause after its note."""
    notes = (Note(0.0, 1.0, 60), Note(4.0, 1.0, 62))
    curve = steps(notes, [1.0, 2.0])
    assert (curve[0], curve[notes[1].start - 1], curve[notes[1].start]) == (1.0, 1.0, 2.0)


def test_articulation_is_silent_in_pauses() -> None:
    """Between the release of one note and the next start there is nothing."""
    notes = (Note(0.0, 1.0, 60), Note(4.0, 1.0, 62))
    envelope = articulation(notes, 0.05, 0.1)
    assert envelope[notes[0].end // 2] > 0.8
    assert not envelope[notes[0].end + 4800 : notes[1].start].any()


def test_what_stands_beyond_the_canvas_is_left_out() -> None:
    """A sound that is longer than the rest of the stem is cut, not refused."""
    canvas = np.zeros(4)
    put(canvas, 2, np.ones(9))
    assert canvas.tolist() == [0.0, 0.0, 1.0, 1.0]


def test_a_noise_band_has_power_1_within_its_edges() -> None:
    """The band's power is 1, and almost all of it lies between its frequencies."""
    noise = noise_band(generator(4, 0), 48_000, 1000.0, 4000.0)
    power = np.abs(np.fft.rfft(noise)) ** 2
    assert np.mean(noise**2) == pytest.approx(1.0)
    assert power[700:5700].sum() > 0.95 * power.sum()


def test_the_room_answers_after_the_sound() -> None:
    """The direct sound is untouched, and nothing comes back before 6 ms."""
    click = np.zeros(4800)
    click[0] = 1.0
    heard = in_room(click, generator(5, 0), 0.5)
    np.testing.assert_allclose(heard[:288], click[:288], atol=1e-12)
    assert np.abs(heard[288:]).max() > 0.0


def test_room_tone_keeps_the_level_it_is_given() -> None:
    """The floor of a stem is the level in its part, to half a decibel."""
    level_dbfs = dbfs_rms_from_power(float(np.mean(room_tone(generator(6, 0), -76.0) ** 2)))
    assert level_dbfs == pytest.approx(-76.0, abs=0.5)


def test_dither_spreads_silence_over_three_codes() -> None:
    """Triangular dither of one step either side gives -1, 0 and 1, with a mean of none."""
    codes = quantised(np.zeros(20_000), generator(7, 0))
    assert set(np.unique(codes)) == {-1, 0, 1}
    assert abs(codes.mean()) < 0.02


def test_too_loud_stops_at_full_scale() -> None:
    """What the converter can't take becomes the highest or the lowest code."""
    codes = quantised(np.array([[1.5, -1.5]]), generator(8, 0))
    assert codes.tolist() == [[CODE_MAX, -CODE_MAX - 1]]
