"""Average level: block edges, both gates, and the last block, against a plain re-implementation."""

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from stager.meters import AverageMeter, AverageResult
from stager.units import dbfs_rms_from_power, linear_from_db
from tests.support.signals import Samples, cut, frames_of, sine_block, white_noise

RATES_HZ = (11_025, 12_345, 22_050, 44_100, 48_000, 96_000)


def average(*blocks: Samples, rate_hz: int = 48_000) -> AverageResult:
    meter = AverageMeter(blocks[0].shape[1], rate_hz)
    for block in blocks:
        meter.update(block)
    return meter.result()


def plain_blocks(samples: Samples, rate_hz: int) -> Samples:
    """Mean squares of every 400 ms, (blocks, channels), from the definition."""
    free = samples - samples.mean(axis=0)
    edge = [round(k * rate_hz / 10) for k in range(len(samples) * 10 // rate_hz + 2)]
    whole = [(edge[k], edge[k + 4]) for k in range(len(edge) - 4) if edge[k + 4] <= len(samples)]
    if not whole or whole[-1][1] < len(samples):
        whole.append((max(0, len(samples) - round(4 * rate_hz / 10)), len(samples)))
    return np.array([(free[start:stop] ** 2).mean(axis=0) for start, stop in whole])


def plain_gate(powers: NDArray[np.float64], gain_db: float = 0.0) -> tuple[float | None, float]:
    """Both gates, from the definition: -70 dBFS (AES17), then 10 dB under the power mean of what is left."""
    gated = powers[powers * 10 ** (gain_db / 10) >= 0.5 * 10**-7.0]
    if not len(gated):
        return None, 0.0
    kept = gated[gated >= 0.1 * gated.mean()]
    return float(kept.mean()), len(kept) / len(powers)


def stepped(*levels_db: float, seconds: float = 1.0, rate_hz: int = 48_000) -> Samples:
    """Sines of these levels (dBFS of a sine) one after the other."""
    parts = [sine_block(997.0, seconds, rate_hz=rate_hz, peak=linear_from_db(level)) for level in levels_db]
    return np.concatenate(parts)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("seconds", [0.01, 0.39999, 0.4, 0.40001, 0.5, 1.0, 1.234, 2.0])
def test_blocks_against_the_definition(rate_hz: int, seconds: float) -> None:
    """Blocks lie where the rule says at any rate: 400 ms every 100 ms, the last 400 ms, short files as one."""
    samples = white_noise(max(1, round(seconds * rate_hz)), 2) + 0.05
    found = average(samples, rate_hz=rate_hz).block_powers
    expected = plain_blocks(samples, rate_hz)
    assert found.shape == expected.shape
    assert np.allclose(found, expected, rtol=1e-9, atol=0.0)


@settings(deadline=None, max_examples=40)
@given(
    frames=st.integers(1, 9000),
    edges=st.lists(st.integers(1, 8999), max_size=25),
    rate_hz=st.sampled_from([1000, 1001, 1234, 12_345]),
)
def test_any_cut_gives_the_same(frames: int, edges: list[int], rate_hz: int) -> None:
    """However the blocks are cut, the result is the same to rounding."""
    samples = white_noise(frames, 2)
    one, other = average(samples, rate_hz=rate_hz), average(*cut(samples, edges), rate_hz=rate_hz)
    assert one.short == other.short
    for name in ("block_powers", "means", "powers"):
        assert np.allclose(getattr(one, name), getattr(other, name), rtol=1e-10, atol=1e-15)


def test_frame_by_frame() -> None:
    """Fed one frame at a time, the result is the same to the last bit but rounding."""
    samples = white_noise(1300, 1)
    found = average(*cut(samples, range(1300)), rate_hz=1000)
    assert np.allclose(found.block_powers, plain_blocks(samples, 1000), rtol=1e-12)


@pytest.mark.parametrize(("frames", "short"), [(399, True), (400, False), (401, False)])
def test_short_files_say_so(frames: int, short: bool) -> None:
    """A file shorter than one block is a single one of its own length."""
    found = average(white_noise(frames), rate_hz=1000)
    assert found.short is short
    assert len(found.block_powers) == (1 if frames <= 400 else 2)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_full_scale_sine_reads_zero(rate_hz: int) -> None:
    """A full-scale 997 Hz sine averages 0 dBFS (AES17), to what part of a period fits into 400 ms."""
    found = average(sine_block(997.0, 2.0, rate_hz=rate_hz)).stem("loudest")
    assert dbfs_rms_from_power(found.power or 0.0) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("offset", [0.5, -0.9])
def test_constant_part_is_no_level(offset: float) -> None:
    """A constant added to a part leaves its average as it is; the ungated figure sees the file as it is."""
    part = sine_block(1000.0, 2.0, peak=0.1)
    found = average(part + offset)
    assert found.stem("loudest").power == pytest.approx(0.005, rel=1e-9)
    assert found.means[0] == pytest.approx(offset, abs=1e-12)
    assert found.ungated_power("loudest") == pytest.approx(0.005 + offset**2, rel=1e-9)


def test_constant_alone_is_silence() -> None:
    """Of a constant nothing is left, and rounding leaves no power under zero."""
    found = average(np.full((48_000, 1), 0.7))
    assert (found.block_powers >= 0.0).all()
    assert found.stem("loudest").power is None


def gated_blocks(powers: ArrayLike) -> AverageResult:
    """Return a result of one channel with these block powers."""
    return replace(average(np.zeros((1, 1))), block_powers=frames_of(powers))


LEVEL_CASES = {
    "a pause is left out": ((-20.0, -120.0, -20.0), -20.0),
    "9 dB under counts": ((-20.0, -29.0), None),
    "15 dB under does not": ((-20.0, -35.0, -35.0, -35.0, -35.0), None),
    "all under the gate": ((-71.0, -71.0), None),
    "some above the gate": ((-69.0, -75.0), None),
}


@pytest.mark.parametrize(("levels_db", "expected"), LEVEL_CASES.values(), ids=LEVEL_CASES.keys())
def test_gates_against_the_definition(levels_db: tuple[float, ...], expected: float | None) -> None:
    """Both gates keep the blocks that the rule keeps (the gate of ITU-R BS.1770-5 on unweighted power)."""
    samples = stepped(*levels_db)
    gated = average(samples).stem("loudest")
    power, ratio = plain_gate(plain_blocks(samples, 48_000)[:, 0])
    assert gated.power == (None if power is None else pytest.approx(power, rel=1e-9))
    assert gated.kept_ratio == ratio
    if expected is not None:
        assert dbfs_rms_from_power(gated.power or 0.0) == pytest.approx(expected, abs=1.5)


@pytest.mark.parametrize(("peak_db", "is_kept"), [(-69.99, True), (-70.01, False)])
def test_absolute_gate(peak_db: float, is_kept: bool) -> None:
    """The absolute gate is at -70 dBFS of a sine (AES17)."""
    gated = average(sine_block(1000.0, 1.0, peak=linear_from_db(peak_db))).stem("loudest")
    assert (gated.power is not None) is is_kept


@pytest.mark.parametrize(("quiet", "kept_ratio"), [(0.0527, 1.0), (0.0526, 0.5)])
def test_relative_gate(quiet: float, kept_ratio: float) -> None:
    """A block of power p beside one of 1 is kept where p >= 0.1 (1 + p) / 2, from 0.05263 on (worked arithmetic)."""
    found = gated_blocks([1.0, quiet])
    assert found.channel(0).kept_ratio == kept_ratio


@settings(deadline=None)
@given(levels_db=st.lists(st.floats(-110.0, 0.0), min_size=1, max_size=12), gain_db=st.floats(-60.0, 60.0))
def test_gates_as_they_will_stand(levels_db: list[float], gain_db: float) -> None:
    """Asked with a gain, a block counts as it will after it, and the power is the one before."""
    powers = 0.5 * 10 ** (np.array(levels_db) / 10)
    found = gated_blocks(powers).channel(0, gain_db)
    near = abs(10 * np.log10(powers / 0.5) + gain_db + 70.0) < 1e-9
    if not near.any():
        power, ratio = plain_gate(powers, gain_db)
        assert found.power == (None if power is None else pytest.approx(power, rel=1e-12))
        assert found.kept_ratio == pytest.approx(ratio)


def test_gain_lifts_quiet_parts_over_the_gate() -> None:
    """A part under the gate counts once a gain has lifted it, and then lowers the average."""
    found = average(stepped(-65.0, -72.0))
    before, after = found.stem("loudest"), found.stem("loudest", 10.0)
    assert before.power is not None
    assert after.power is not None
    assert before.power > after.power
    assert before.kept_ratio < after.kept_ratio == 1.0


STEM_CASES: dict[str, tuple[Literal["loudest", "mean"], float]] = {
    "the loudest channel": ("loudest", 0.5 * 0.8**2),
    "the power mean": ("mean", 0.5 * (0.8**2 + 0.2**2) / 2),
}


@pytest.mark.parametrize(("channels", "power"), STEM_CASES.values(), ids=STEM_CASES.keys())
def test_stem_of_two_channels(channels: Literal["loudest", "mean"], power: float) -> None:
    """A stem's figure is that of its loudest channel, or of the mean power of its channels (worked arithmetic)."""
    samples = np.hstack((sine_block(1000.0, 2.0, peak=0.2), sine_block(1000.0, 2.0, peak=0.8)))
    found = average(samples)
    assert found.stem(channels).power == pytest.approx(power, rel=1e-9)
    assert found.ungated_power(channels) == pytest.approx(power, rel=1e-9)


def test_mean_is_gated_on_the_mean() -> None:
    """With the power mean, a block counts where the channels together pass the gate, not each by itself."""
    samples = np.hstack((stepped(-20.0, -100.0), stepped(-100.0, -20.0)))
    assert average(samples).stem("mean").kept_ratio == 1.0
    assert average(samples).stem("loudest").kept_ratio < 0.8


def test_swapping_channels() -> None:
    """Swapping the channels swaps their figures, and leaves the stem's."""
    samples = white_noise(48_000, 2) * [1.0, 0.3]
    one, other = average(samples), average(samples[:, ::-1].copy())
    assert one.channel(0).power == other.channel(1).power
    assert one.stem("loudest").power == other.stem("loudest").power


@settings(deadline=None, max_examples=30)
@given(gain_db=st.floats(-20.0, 20.0))
def test_scaling_moves_the_level(gain_db: float) -> None:
    """A gain of g dB moves the average by g, while all of it lies above the gate."""
    samples = white_noise(48_000)
    one, other = average(samples).stem("loudest"), average(samples * linear_from_db(gain_db)).stem("loudest")
    moved = (dbfs_rms_from_power(other.power or 0.0) or 0.0) - (dbfs_rms_from_power(one.power or 0.0) or 0.0)
    assert moved == pytest.approx(gain_db, abs=1e-6)


def test_digital_silence_has_no_average() -> None:
    """Of silence there is no level, and no block is kept."""
    found = average(np.zeros((48_000, 2)))
    assert (found.stem("mean").power, found.stem("loudest").kept_ratio) == (None, 0.0)


def test_one_frame_has_no_average() -> None:
    """A single frame is its own mean, so nothing is left of it."""
    assert average(frames_of([0.5])).stem("loudest").power is None


def test_nothing_fed() -> None:
    """Asked before anything was fed, the meter says so."""
    with pytest.raises(ValueError, match="no frames were fed"):
        AverageMeter(1, 48_000).result()


def test_no_frames_fed() -> None:
    """An empty block is nothing."""
    meter = AverageMeter(1, 48_000)
    meter.update(np.zeros((0, 1)))
    with pytest.raises(ValueError, match="no frames were fed"):
        meter.result()
