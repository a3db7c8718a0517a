"""Missing sound: zeros, held values and jumps put into tones, and what only looks like it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.dropouts import GapMeter
from stager.model import Gaps
from tests.support.signals import Samples, cut, frames_of, sine_block, white_noise

RATE_HZ = 48_000


def gaps_of(samples: Samples, edges: tuple[int, ...] = ()) -> Gaps:
    meter = GapMeter(samples.shape[1], RATE_HZ)
    for block in cut(samples, edges):
        meter.update(block)
    return meter.result()


def tone(hz: float = 443.0, seconds: float = 1.0) -> Samples:
    return sine_block(hz, seconds, peak=0.5) + white_noise(round(seconds * RATE_HZ), rms=0.0005)


@pytest.mark.parametrize("frames", [16, 48, 480, 3_600])
@pytest.mark.parametrize("hz", [61.0, 443.0, 5003.0])
def test_zeros_inside_sound(hz: float, frames: int) -> None:
    """A stretch of exact zeros inside a tone is found where it is, as long as it is."""
    samples = tone(hz)
    samples[20_000 : 20_000 + frames] = 0.0
    found = gaps_of(samples)
    assert (found.held_count, found.held_frames) == (1, frames)
    assert (found.held[0].start, found.held[0].value_linear) == (20_000, 0.0)
    assert found.longest == found.held[0]


def test_held_value() -> None:
    """A value that is held on a slope is found, from its first sample on."""
    samples = tone()
    samples[20_000:20_200] = samples[20_000]
    found = gaps_of(samples)
    assert [(gap.start, gap.frames) for gap in found.held] == [(20_000, 200)]
    assert found.held[0].value_linear == samples[20_000, 0]


def test_channels_and_order() -> None:
    """Gaps of both channels stand in order of time; the longest of all is named."""
    samples = np.hstack((tone(), tone(617.0)))
    samples[30_000:30_100, 0], samples[10_000:10_050, 1], samples[40_000:40_060, 1] = 0.0, 0.0, 0.0
    found = gaps_of(samples)
    assert [(gap.channel, gap.start) for gap in found.held] == [(1, 10_000), (0, 30_000), (1, 40_000)]
    assert (found.held_count, found.held_frames) == (3, 210)
    assert found.longest == found.held[1]


def test_first_twenty_places() -> None:
    """All gaps are counted, twenty are listed."""
    samples = tone()
    for start in range(1000, 31_000, 1000):
        samples[start : start + 30] = 0.0
    found = gaps_of(samples)
    assert (found.held_count, len(found.held), found.held[-1].start) == (30, 20, 20_000)


def faded(frames: int) -> Samples:
    """A tone that fades to 200 zeros and back within so many frames."""
    gain = np.ones(RATE_HZ)
    gain[20_000:20_200] = 0.0
    gain[20_000 - frames : 20_000] = np.linspace(1.0, 0.0, frames)
    gain[20_200 : 20_200 + frames] = np.linspace(0.0, 1.0, frames)
    return tone(997.0) * gain[:, None]


def hits() -> Samples:
    """Four decaying strokes with silence before each."""
    at = np.arange(12_000)
    hit = np.where(at < 9000, np.sin(0.05 * at + 1.0) * np.exp(-at / 900), 0.0)
    return frames_of(np.tile(hit, 4))


CLEAN = {
    "a tone": tone(),
    "a fade": faded(96),
    "a longer fade": faded(480),
    "silence between phrases": np.vstack((tone(), np.zeros((9600, 1)), tone())),
    "a gate of 76 ms": tone(997.0) * (np.abs(np.arange(RATE_HZ) - 24_000) > 1_824)[:, None],
    "silence": np.zeros((RATE_HZ, 1)),
    "a square wave": frames_of(np.where(np.arange(RATE_HZ) % 200 < 100, 0.5, -0.5)),
    "flat tops of a falling tone": np.clip(sine_block(200.0, 1.0), -0.5, 0.5)
    * np.exp(-np.arange(RATE_HZ) / 1e5)[:, None],
    "a pulse wave that rests at 0": frames_of(np.where(np.arange(RATE_HZ) % 200 < 20, 0.5, 0.0)),
    "a saw": frames_of((np.arange(RATE_HZ) % 109) / 109 - 0.5),
    "flat tops": np.clip(sine_block(200.0, 1.0), -0.5, 0.5),
    "strokes": hits(),
    "noise": white_noise(RATE_HZ),
    "a low tone on few codes": np.rint(sine_block(40.0, 1.0, peak=0.001) * 32_768) / 32_768,
}


@pytest.mark.parametrize("samples", CLEAN.values(), ids=CLEAN.keys())
def test_nothing_is_missing(samples: Samples) -> None:
    """Rests, fades, edges and flat tops that belong to a sound are no gaps."""
    found = gaps_of(samples)
    assert (found.held_count, found.jump_count) == (0, 0)


@pytest.mark.parametrize("lost", [100, 333])
def test_jump(lost: int) -> None:
    """Samples that are left out leave a jump, found within two frames of where they were."""
    samples = sine_block(443.0, 1.0, peak=0.5) + white_noise(RATE_HZ, rms=1e-4)
    at = 20_000
    assert abs(samples[at + lost, 0] - samples[at, 0]) > 0.1
    found = gaps_of(np.delete(samples, np.s_[at : at + lost], axis=0))
    assert found.jump_count == 1
    assert abs(found.jumps[0].start - at) <= 2


def test_jump_at_the_crest_of_a_slow_tone() -> None:
    """Where a low tone moves by two codes of 16 bits from sample to sample, a jump of a hundredth is found too."""
    samples = np.rint(sine_block(30.0, 1.0, peak=0.05) * 2.0**15) / 2.0**15
    samples[20_500:] += 0.0117
    assert 2.0**-15 < np.abs(np.diff(samples[20_405:20_498, 0])).mean() < 1e-4
    assert [jump.start - 20_500 in (-1, 0) for jump in gaps_of(samples).jumps] == [True]


def test_jump_of_a_low_tone_at_its_crest() -> None:
    """A tone of 39 Hz in 24 bits hardly moves at its crest; a step of 0.013 there is found."""
    samples = np.rint(sine_block(39.0, 1.0, peak=0.06) * 2.0**23) / 2.0**23
    at = round(RATE_HZ / 39.0 * 10.25)
    samples[at:] += 0.013
    assert [abs(jump.start - at) <= 1 for jump in gaps_of(samples).jumps] == [True]


def test_jump_of_a_pure_tone() -> None:
    """64 samples out of a tone of 1430 Hz: the step is three times its movement, and nothing else bends so."""
    samples = sine_block(1430.0, 1.0, peak=0.25)
    moves = np.abs(np.diff(samples[:, 0])).mean()
    (at, *_) = [n for n in range(20_000, 20_100) if 3.0 < abs(samples[n + 64, 0] - samples[n - 1, 0]) / moves < 3.9]
    found = gaps_of(np.delete(samples, np.s_[at : at + 64], axis=0))
    assert [abs(jump.start - at) <= 2 for jump in found.jumps] == [True]


def test_an_attack_is_no_jump() -> None:
    """A note that begins at once on a ramp of half a millisecond over another bends the waveform, and doesn't step."""
    at = np.arange(RATE_HZ // 2)
    note = np.minimum(1.0, at / 24.0) * np.exp(-at / 9000.0) * np.cos(2.0 * np.pi * 953.0 * at / RATE_HZ)
    samples = sine_block(953.0, 1.0, peak=0.2)
    samples[RATE_HZ // 2 :, 0] += 0.3 * note
    assert gaps_of(samples).jump_count == 0


def test_zeros_at_the_crest_of_a_slow_tone() -> None:
    """Where a low tone hardly moves, the steps down to zero and back tell."""
    samples = sine_block(35.0, 1.0, peak=0.17)
    at = round(RATE_HZ / 35.0 * 10.25)
    samples[at : at + 100] = 0.0
    assert [(gap.start, gap.frames) for gap in gaps_of(samples).held] == [(at, 100)]


def test_zeros_inside_a_quiet_low_tone_of_few_bits() -> None:
    """In 16 bits each code of a slow tone stands for some samples: those steps tell too."""
    samples = np.rint(sine_block(59.0, 1.0, peak=0.0173) * 2.0**15) / 2.0**15
    at = round(RATE_HZ / 59.0 * 10.239)
    assert (np.diff(samples[at - 32 : at, 0]) == 0.0).sum() > 4
    samples[at : at + 155] = 0.0
    assert [(gap.start, gap.frames) for gap in gaps_of(samples).held] == [(at, 155)]


def test_zeros_between_calm_and_lively_sound() -> None:
    """Sound of one size may move twenty times as fast behind the gap as before it."""
    samples = np.vstack((sine_block(61.0, 0.5, peak=0.2), sine_block(2311.0, 0.5, peak=0.2)))
    samples[RATE_HZ // 2 - 100 : RATE_HZ // 2 + 3] = 0.0
    assert [(gap.start, gap.frames) for gap in gaps_of(samples).held] == [(RATE_HZ // 2 - 100, 103)]


def test_a_short_crest_under_the_level_around_it() -> None:
    """A value held for a period and a quarter, on a crest, is none that was cut: the next crest is twice as high."""
    samples = sine_block(804.0, 1.0, peak=0.2) + sine_block(201.0, 1.0, peak=0.2)
    low = [n for n in range(20_000, 22_000) if 0.03 < samples[n, 0] < 0.1 and samples[n - 1, 0] < samples[n, 0]]
    (at, *_) = [n for n in low if samples[n + 75, 0] < samples[n, 0] - 0.005]
    samples[at : at + 75] = samples[at]
    assert [(gap.start, gap.frames) for gap in gaps_of(samples).held] == [(at, 75)]


@settings(deadline=None, max_examples=40)
@given(
    edges=st.lists(st.integers(1, 5999), max_size=25).map(tuple),
    start=st.integers(200, 5000),
    frames=st.integers(10, 600),
)
def test_any_cut_gives_the_same(edges: tuple[int, ...], start: int, frames: int) -> None:
    """However the blocks are cut, the same gaps and jumps are found."""
    samples = np.hstack((tone(), tone(617.0)))[:6000]
    samples[start : start + frames, 1] = 0.0
    samples = np.delete(samples, np.s_[3000:3100], axis=0)
    assert gaps_of(samples) == gaps_of(samples, edges)


def test_losses_right_behind_one_another() -> None:
    """Two stretches with 13 samples of sound between them are two, found where they are."""
    samples = tone()
    samples[20_000:20_400] = samples[20_000]
    samples[20_413:20_813] = samples[20_413]
    for edges in ((), (20_100,), (20_405,), (20_850,)):
        assert [(gap.start, gap.frames) for gap in gaps_of(samples, edges).held] == [(20_000, 400), (20_413, 400)]


def test_held_for_a_whole_period_of_a_slow_tone() -> None:
    """A tone of 80 Hz that is held for its period goes on where it was: no step tells, but it rested on its slope."""
    samples = np.rint(sine_block(80.0, 1.0, peak=0.6) * 2.0**15) / 2.0**15
    at = 20_000 + int(np.abs(samples[20_000:20_600, 0]).argmin()) + 40
    samples[at : at + 599] = samples[at]
    assert 0.0 < abs(samples[at + 599, 0] - samples[at, 0]) < 0.01
    assert [(gap.start, gap.frames) for gap in gaps_of(samples).held] == [(at, 599)]


def test_held_at_a_crest_and_left_at_once() -> None:
    """A crest that was cut flat is left in part of the movement that follows; one that was held, in a step over it."""
    at = np.arange(RATE_HZ)
    samples = frames_of(0.5 * np.sin(2.0 * np.pi * at / 200.0))
    crest, lost = 20_050, 130
    samples[crest : crest + lost] = samples[crest]
    moves = np.abs(np.diff(samples[crest + lost - 1 : crest + lost + 9, 0]))
    assert moves[0] > 3.0 * moves[1:].max()
    assert [gap.start for gap in gaps_of(samples).held] == [crest]


def test_sound_that_breaks_off_comes_back_softer() -> None:
    """Zeros that begin in full swing are a loss although what follows has a fifth of the size."""
    samples = tone()
    samples[20_000:] *= 0.2
    samples[20_000:20_300] = 0.0
    assert abs(samples[19_999, 0]) > 0.2
    assert [(gap.start, gap.frames) for gap in gaps_of(samples).held] == [(20_000, 300)]


def test_a_rest_that_comes_again_with_the_same_sound_is_its_own() -> None:
    """A stored hit with a rest of 25 ms before it, is played again, cut off each time; once alone it is a loss."""
    at = np.arange(8_000)
    hit = np.where(at < 6_800, np.sin(0.05 * at + 1.0) * np.exp(-at / 9_000), 0.0) + 1e-4 * np.sin(1.7 * at)
    hit[6_800:] = 0.0
    again = gaps_of(np.tile(frames_of(hit), (6, 1)))
    assert (again.held_count, again.held_frames, again.longest) == (0, 0, None)
    once = gaps_of(np.vstack((frames_of(hit), frames_of(0.9 * hit[:6_000]))))
    assert [(gap.start, gap.frames) for gap in once.held] == [(6_800, 1_200)]


def test_quick_sound_behind_a_gate_of_a_millisecond() -> None:
    """A gate that shuts a bright sound within a millisecond leaves no step, and its last turn is small."""
    gain = np.ones(RATE_HZ)
    gain[20_000:22_500] = 0.0
    smooth = np.convolve(gain, np.ones(48) / 48, "same")
    smooth[smooth < 1e-9] = 0.0
    samples = np.rint(sine_block(3_000.0, 1.0, peak=0.4) * smooth[:, None] * 2.0**23) / 2.0**23
    assert gaps_of(samples).held_count == 0


def test_small_jump_of_a_slow_tone() -> None:
    """64 samples out of a tone of 77 Hz near its crest: a step of 0.004 in a tone that bends by a hundredth of that."""
    samples = sine_block(77.0, 1.0, peak=0.25) * np.minimum(1.0, np.arange(RATE_HZ) / 1_000)[:, None]
    (at, *_) = [n for n in range(20_000, 21_000) if 0.003 < abs(samples[n + 63, 0] - samples[n - 1, 0]) < 0.004]
    assert [abs(jump.start - at) <= 1 for jump in gaps_of(np.delete(samples, np.s_[at : at + 64], axis=0)).jumps] == [
        True
    ]


def test_jump_from_a_slope_to_a_crest() -> None:
    """The sound behind moves a hundredth of what it did before; the step stands far above its bends on both sides."""
    samples = np.rint(sine_block(50.0, 1.0, peak=0.3) * 2.0**23) / 2.0**23
    found = gaps_of(np.delete(samples, np.s_[20_160:20_400], axis=0))
    assert [abs(jump.start - 20_160) <= 1 for jump in found.jumps] == [True]


def test_jump_that_turns_round_is_a_bend_alone() -> None:
    """Where samples are lost at a crest the waveform turns without a step; the sound goes on as it was."""
    samples = sine_block(500.0, 1.0, peak=0.5)
    found = gaps_of(np.delete(samples, np.s_[20_016:20_033], axis=0))
    assert [abs(jump.start - 20_016) <= 1 for jump in found.jumps] == [True]


def test_jumps_of_one_size_are_of_a_stored_sound() -> None:
    """A loop with a click in it clicks at each turn, the same to the sample; two clicks of two sizes are losses."""
    loop = sine_block(100.0, 0.25, peak=0.3) + white_noise(RATE_HZ // 4, rms=1e-5)
    loop[6_000:] += 0.1
    loop[9_000:] -= 0.1 * np.linspace(0.0, 1.0, 3_000)[:, None]
    assert gaps_of(np.tile(loop, (4, 1))).jump_count == 0
    samples = sine_block(100.0, 1.0, peak=0.3)
    samples[9_600:] += 0.1
    samples[30_000:] -= 0.15
    found = [jump.start for jump in gaps_of(samples).jumps]
    assert len(found) == 2
    assert np.allclose(found, (9_600, 30_000), rtol=0.0, atol=1.0)


@pytest.mark.parametrize(("late", "count"), [(0, 2), (100, 0), (4_800, 2)])
def test_a_bend_that_two_microphones_hear(late: int, count: int) -> None:
    """One that comes a little later in the other channel is of the sound; samples are lost in both at once."""
    rising = sine_block(500.0, 0.5, peak=0.5)[:19_985] * np.linspace(0.0, 1.0, 19_985)[:, None]
    turned = np.concatenate((rising, rising[-2::-1], np.zeros((4_800, 1))))
    assert gaps_of(np.column_stack((turned, np.roll(turned, late)))).jump_count == count
