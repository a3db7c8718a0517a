"""All meters at once: one record in a stated convention, silence as None, and runs at and over full scale."""

from math import isclose, nextafter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.analysis.level_panel import LevelPanel, rms_dbfs
from stager.analysis.panel import RAIL_FRAMES, Measured, Panel
from stager.model import Levels, Reference
from stager.model.run_summary import NO_RUNS, RunSummary
from stager.units import linear_from_db
from tests.support.records import stream
from tests.support.signals import Samples, cut, frames_of, sine_block, white_noise

TOP_16 = 32767 / 32768


def measured(samples: Samples, bits: int = 0, *, edges: tuple[int, ...] = (), rate_hz: int = 48_000) -> Measured:
    panel = Panel(stream(bits, samples.shape[1], len(samples), rate_hz=rate_hz))
    for part in cut(samples, edges):
        panel.update(part)
    return panel.result()


def levels(samples: Samples, reference: Reference = "sine") -> Levels:
    return measured(samples).levels(reference, "loudest")


REFERENCES: dict[str, tuple[Reference, Samples, float]] = {
    "sine under sine": ("sine", sine_block(1000.0, 2.0), 0.0),
    "sine under square": ("square", sine_block(1000.0, 2.0), -3.0103),
    "square under square": ("square", frames_of(np.sign(sine_block(1000.0, 2.0, phase=0.1))), 0.0),
    "square under sine": ("sine", frames_of(np.sign(sine_block(1000.0, 2.0, phase=0.1))), 3.0103),
}


@pytest.mark.parametrize(("reference", "samples", "level_db"), REFERENCES.values(), ids=REFERENCES.keys())
def test_both_references(reference: Reference, samples: Samples, level_db: float) -> None:
    """Full-scale sine and square read what each convention says (AES17, and the square 3.0103 dB from it)."""
    found = levels(samples, reference)
    assert found.average_reference == reference
    assert found.average_dbfs == pytest.approx(level_db, abs=1e-3)
    assert found.average_ungated_dbfs == pytest.approx(level_db, abs=1e-3)


@pytest.mark.parametrize("reference", ["sine", "square"])
def test_crest_is_mathematical(reference: Reference) -> None:
    """A sine has a crest of 3.01 dB and a square of 0, whatever the reference (worked arithmetic)."""
    assert levels(sine_block(1000.0, 1.0), reference).crest_db == pytest.approx(3.0103, abs=1e-3)
    assert levels(frames_of(np.sign(sine_block(1000.0, 1.0, phase=0.1))), reference).crest_db == pytest.approx(
        0.0, abs=1e-9
    )


def test_silence_is_none() -> None:
    """Digital silence has no peak, no place, no average and no crest."""
    found = levels(np.zeros((48_000, 2)))
    for record in (found, *found.per_channel):
        assert record.sample_peak_dbfs is record.sample_peak_at_s is None
        assert record.true_peak_dbtp is record.true_peak_at_s is None
        assert record.average_dbfs is record.average_ungated_dbfs is record.crest_db is None
        assert (record.active_ratio, record.dc_offset_linear) == (0.0, 0.0)


def test_one_silent_channel() -> None:
    """A silent channel has no levels, and leaves those of the other alone."""
    found = levels(np.hstack((np.zeros((48_000, 1)), sine_block(1000.0, 1.0))))
    assert found.per_channel[0].average_dbfs is None
    assert found.average_dbfs == found.per_channel[1].average_dbfs


def test_quiet_stem_has_peaks_but_no_average() -> None:
    """Sound under the gate has a peak and an ungated level, and no average."""
    found = levels(sine_block(1000.0, 1.0, peak=linear_from_db(-80.0)))
    assert found.average_dbfs is None
    assert found.sample_peak_dbfs == pytest.approx(-80.0, abs=1e-6)
    assert found.average_ungated_dbfs == pytest.approx(-80.0, abs=1e-3)


def test_stem_peaks_are_the_highest_channel() -> None:
    """Peaks of the stem are those of its highest channel, with that channel's place."""
    samples = np.zeros((48_000, 2))
    samples[12_000, 0], samples[36_000, 1] = 0.5, -0.25
    found = levels(samples)
    assert (found.sample_peak_dbfs, found.sample_peak_at_s) == (pytest.approx(-6.0206, abs=1e-4), 0.25)
    assert found.per_channel[1].sample_peak_at_s == 0.75


def test_largest_offset_counts() -> None:
    """The stem's constant part is the largest of its channels', with its sign."""
    assert levels(np.tile([[0.1, -0.3]], (4800, 1))).dc_offset_linear == pytest.approx(-0.3)


@pytest.mark.parametrize(("channels", "power"), [("loudest", 0.5), ("mean", 0.25)])
def test_channels_of_the_target(channels: str, power: float) -> None:
    """The stem's average is of the channels that the target names."""
    samples = np.hstack((sine_block(1000.0, 1.0), np.zeros((48_000, 1))))
    found = measured(samples).levels("square", channels)
    assert found.average_dbfs == pytest.approx(10 * np.log10(power), abs=1e-3)
    assert found.average_ungated_dbfs == pytest.approx(10 * np.log10(power), abs=1e-3)


RAILS = {
    "three samples at the top are none": (16, [TOP_16] * (RAIL_FRAMES - 1), 0, 0),
    "four at the top": (16, [TOP_16] * RAIL_FRAMES, 1, 0),
    "four at the bottom": (16, [-1.0] * RAIL_FRAMES, 1, 0),
    "one step under the bottom counts as the mirrored top": (16, [-TOP_16] * RAIL_FRAMES, 1, 0),
    "one step under the top": (16, [TOP_16 - 1 / 32768] * RAIL_FRAMES, 0, 0),
    "top and bottom by turns": (16, [TOP_16, -1.0] * RAIL_FRAMES, 0, 0),
    "float at 1": (0, [1.0] * RAIL_FRAMES, 1, 0),
    "float over 1 is no rail": (0, [1.5] * RAIL_FRAMES, 0, 1),
    "float over 1, one sample": (0, [nextafter(1.0, 2.0)], 0, 1),
    "float under minus 1": (0, [-1.5], 0, 1),
}


@pytest.mark.parametrize(("bits", "values", "rails", "overs"), RAILS.values(), ids=RAILS.keys())
def test_rails_and_overs(bits: int, values: list[float], rails: int, overs: int) -> None:
    """Four samples in a row at full scale are an event (common practice, no source); only float can pass it."""
    found = measured(frames_of([0.0, *values, 0.0]), bits)
    assert (found.rails.count, found.overs.count) == (rails, overs)
    assert found.rails.total_frames == rails * len(values)
    assert found.overs.total_frames == overs * len(values)
    assert found.rails.starts == (1,) * rails
    assert found.overs.starts == (1,) * overs


@pytest.mark.parametrize("bits", [16, 24])
def test_rail_of_a_padded_grid(bits: int) -> None:
    """Full scale is the top code of the valid bits, not of the container."""
    info = stream(24, frames=RAIL_FRAMES).model_copy(update={"valid_bits": bits})
    panel = Panel(info)
    panel.update(np.full((RAIL_FRAMES, 1), 1.0 - 2.0 ** (1 - bits)))
    assert panel.result().rails == RunSummary(1, RAIL_FRAMES, (0,), (0,), 0, RAIL_FRAMES)


def test_both_ends_of_full_scale_are_one_sum() -> None:
    """Tops and bottoms of every channel stand in one sum, in order of time."""
    samples = np.zeros((100, 2))
    samples[10:14, 1], samples[40:46, 0], samples[70:75, 1] = TOP_16, -1.0, TOP_16
    found = measured(samples, 16)
    assert found.rails == RunSummary(3, 15, (0, 1), (10, 40, 70), 40, 6)
    assert found.overs == NO_RUNS


def test_runs_that_are_not_asked_for() -> None:
    """A panel that was not asked for runs gives none."""
    panel = Panel(stream(16, 1, 100), frozenset())
    panel.update(np.full((100, 1), TOP_16))
    found = panel.result()
    assert (found.rails, found.overs, len(found.silences)) == (NO_RUNS, NO_RUNS, 0)


@pytest.mark.parametrize(("frames", "count"), [(1023, 0), (1024, 1)])
def test_silences(frames: int, count: int) -> None:
    """1,024 exact zeros of a channel are digital silence, also where the other channel plays."""
    samples = np.full((2000, 2), 0.1)
    samples[500 : 500 + frames, 1] = 0.0
    found = measured(samples, 24).silences
    assert len(found) == count
    assert found.channels.tolist() == [1] * count


def test_no_numbers_count_as_zero() -> None:
    """NaN and infinity are counted and placed, and no other figure sees them."""
    samples = white_noise(48_000)
    clean = samples.copy()
    samples[[7, 9]], clean[[7, 9]] = [[np.nan], [np.inf]], 0.0
    found, expected = measured(samples), measured(clean)
    assert (found.not_finite, found.not_finite_frame) == (2, 7)
    assert found.levels("sine", "loudest") == expected.levels("sine", "loudest")


@settings(deadline=None, max_examples=25)
@given(edges=st.lists(st.integers(1, 5999), max_size=12))
def test_any_cut_gives_the_same(edges: list[int]) -> None:
    """However the blocks are cut, every figure is the same to rounding, every place and every run the same."""
    samples = white_noise(6000, 2, rms=0.5)
    samples[1000:2100, 0], samples[3000:3010, 1], samples[4000:4003, 0] = 0.0, 1.0, -1.5
    one, other = measured(samples, rate_hz=8000), measured(samples, edges=tuple(edges), rate_hz=8000)
    for name, value in one.levels("sine", "loudest").model_dump(exclude={"per_channel"}).items():
        found = getattr(other.levels("sine", "loudest"), name)
        assert found == (pytest.approx(value, rel=1e-9) if isinstance(value, float) else value), name
    assert (one.rails.count, one.overs.count) == (1, 1)
    assert (one.rails, one.overs) == (other.rails, other.overs)
    assert np.array_equal(one.silences.starts, other.silences.starts)
    assert np.array_equal(one.overview.pairs, other.overview.pairs)


@settings(deadline=None, max_examples=20)
@given(gain_db=st.floats(-20.0, 0.0))
def test_scaling_moves_every_level(gain_db: float) -> None:
    """A gain of g dB moves every level by g, and leaves crest and places."""
    samples = white_noise(24_000, 2)
    one, other = levels(samples), levels(samples * linear_from_db(gain_db))
    for name in ("sample_peak_dbfs", "true_peak_dbtp", "average_dbfs", "average_ungated_dbfs"):
        assert isclose(getattr(other, name) - getattr(one, name), gain_db, abs_tol=1e-6), name
    assert other.crest_db == pytest.approx(one.crest_db, abs=1e-6)
    assert other.sample_peak_at_s == one.sample_peak_at_s


def test_level_panel_gives_the_same_levels() -> None:
    """The three meters that measure a copy give what all of them give for its original."""
    samples = white_noise(30_000, 2)
    panel = LevelPanel(stream(0, 2, 30_000))
    panel.update(samples)
    few, all_of_them = panel.result().levels("square", "mean"), measured(samples).levels("square", "mean")
    assert {name: value for name, value in all_of_them if getattr(few, name) is not None} == few.model_dump(
        exclude_none=True
    ) | {"per_channel": few.per_channel}


@pytest.mark.parametrize(("reference", "level_db"), [("sine", -3.0103), ("square", -6.0206)])
def test_rms_of_a_quarter_power(reference: Reference, level_db: float) -> None:
    """A mean square of 1/4 is -6.02 dB, and 3.01 dB more where a sine reads 0 (worked arithmetic)."""
    assert rms_dbfs(0.25, reference) == pytest.approx(level_db, abs=1e-4)


@pytest.mark.parametrize("power", [None, 0.0])
def test_no_power_has_no_level(power: float | None) -> None:
    """Nothing has no level in either convention."""
    assert rms_dbfs(power, "sine") is rms_dbfs(power, "square") is None


def test_crest_is_of_one_channel_without_its_constant_part() -> None:
    """A sine beside a quiet channel, and one on a constant part: 20 log10 of its own peak over its own moving RMS."""
    wave = np.sin(2 * np.pi * 1_000 * np.arange(48_000) / 48_000)
    stereo = np.column_stack((0.5 * wave, 0.01 * wave))
    assert measured(stereo).levels("sine", "mean").crest_db == pytest.approx(10 * np.log10(2), abs=0.001)
    lifted = (0.25 * wave + 0.25)[:, None]
    assert measured(lifted).levels("sine", "loudest").crest_db == pytest.approx(10 * np.log10(8), abs=0.001)
    assert measured(np.full((48_000, 1), 0.25)).levels("sine", "loudest").crest_db is None


@pytest.mark.parametrize("bits", [16, 24])
def test_a_code_that_is_held_between_tones_is_no_noise(bits: int) -> None:
    """Tones of 1 s with one code held for 2 s between them have no noise floor; dithered rests have that of dither."""
    step, n = 2.0 ** (1 - bits), np.arange(12 * 48_000)
    tones = np.where(n % 144_000 < 48_000, 0.2 * np.sin(2 * np.pi * 997 * n / 48_000), 3 * step)
    assert measured(np.rint(tones / step)[:, None] * step, bits).levels("sine", "loudest").noise_floor_dbfs is None
    rng = np.random.default_rng(bits)
    dithered = np.rint(tones / step + rng.random(len(n)) - rng.random(len(n)))[:, None] * step
    found = measured(dithered, bits).levels("sine", "loudest").noise_floor_dbfs
    assert found == pytest.approx(10 * np.log10(2 * step**2 / 4), abs=0.5)
