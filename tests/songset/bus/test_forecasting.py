"""The bus forecast against a direct sum by numpy, and against arithmetic."""

from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile

from stager.model.bus import BusForecast, Part
from stager.songset.bus import forecast, part_of
from tests.support import reference_levels, wavefile
from tests.support.direct_sum import RATE_HZ, Array, Stem, bext, direct_sum, write_stems
from tests.support.reference_loudness import integrated_lufs
from tests.support.signals import sine_block, white_noise

pytestmark = pytest.mark.long

LSB_24 = 2.0**-23


def parts_of(stems: list[Stem]) -> list[Part]:
    return [part_of(stem.path, stem.path.name, gain_db=stem.gain_db, pan=stem.pan) for stem in stems]


def put(folder: Path, **files: Array) -> list[Part]:
    """Write float stems and give them as parts in the middle."""
    paths = [wavefile.write(folder / f"{name}.wav", data, RATE_HZ, wavefile.DOUBLE) for name, data in files.items()]
    return [part_of(path, path.stem) for path in paths]


@pytest.fixture(scope="module", params=[4, 16, 40])
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[BusForecast, Array]:
    stems = write_stems(tmp_path_factory.mktemp("stems"), request.param, seed=request.param)
    return forecast(parts_of(stems)), direct_sum(stems)


def test_peak_of_a_direct_sum(case: tuple[BusForecast, Array]) -> None:
    """4, 16 and 40 stems with other starts, pans, lengths and formats: the sample peak of numpy's sum, to 0.01 dB."""
    found, bus = case
    assert found.sample_peak_dbfs == pytest.approx(reference_levels.sample_peak_dbfs(bus), abs=0.01)
    assert found.duration_s == pytest.approx(len(bus) / RATE_HZ)


def test_true_peak_of_a_direct_sum(case: tuple[BusForecast, Array]) -> None:
    """Its true peak by scipy, a 32 times finer grid through a long sinc, to 0.05 dB; its place and side."""
    found, bus = case
    assert found.true_peak_dbtp == pytest.approx(reference_levels.true_peak_dbtp(bus), abs=0.05)
    side = int(np.argmax(reference_levels.interpolated_peak(bus, 32)))
    assert found.side == ("left", "right")[side]
    assert found.at_s is not None
    near = bus[max(0, round(found.at_s * RATE_HZ) - 40) : round(found.at_s * RATE_HZ) + 40]
    assert reference_levels.true_peak_dbtp(near[:, side]) == pytest.approx(
        reference_levels.true_peak_dbtp(bus), abs=0.3
    )


def test_loudness_of_a_direct_sum(case: tuple[BusForecast, Array]) -> None:
    """Its loudness by BS.1770 in the frequency domain, and by a general-purpose library, to 0.05 LU.

    The library is given whole steps of 100 ms: it counts an incomplete last block as if it were a whole one, which the
    standard does not (pyloudnorm 0.2.0, its count of blocks is rounded).
    """
    found, bus = case
    assert found.loudness_lufs == pytest.approx(integrated_lufs(bus, RATE_HZ), abs=0.05)
    whole = bus[: len(bus) * 10 // RATE_HZ * RATE_HZ // 10]
    assert found.loudness_lufs == pytest.approx(pyloudnorm.Meter(RATE_HZ).integrated_loudness(whole), abs=0.05)


def test_overview_of_a_direct_sum(case: tuple[BusForecast, Array]) -> None:
    """Smallest and largest sample of each stretch, at most 1,000 of them, on each side."""
    found, bus = case
    size = round(found.stretch_s * RATE_HZ)
    for side, pairs in enumerate(found.overview):
        assert 1 < len(pairs) <= 1000
        wanted = [(part.min(), part.max()) for part in np.split(bus[:, side], range(size, len(bus), size))]
        assert np.allclose(pairs, wanted, atol=1e-12)


@pytest.mark.parametrize("count", [1, 2, 8, 16, 40])
def test_independent_noises(tmp_path: Path, count: int) -> None:
    """N equal independent stereo noises rise by 10 log N over one of them, to 0.1 dB (addition of powers)."""
    stems = {f"n{k}": white_noise(5 * RATE_HZ, 2, seed=k, rms=0.01) for k in range(count)}
    found = forecast(put(tmp_path, **stems))
    one = forecast(put(tmp_path, alone=white_noise(5 * RATE_HZ, 2, seed=99, rms=0.01)))
    assert 10 * np.log10(found.bus_power / one.bus_power) == pytest.approx(10 * np.log10(count), abs=0.1)
    assert (found.loudness_lufs or 0.0) - (one.loudness_lufs or 0.0) == pytest.approx(10 * np.log10(count), abs=0.1)
    assert 10 * np.log10(found.mean_part_power / one.bus_power) == pytest.approx(0.0, abs=0.1)


def test_sixteen_at_minus_18(tmp_path: Path) -> None:
    """Sixteen independent stems at -18 dBFS add up to -6 on each side: 12.04 dB more, a figure and no fault."""
    rms = 10 ** ((-18.0 - 10 * np.log10(2)) / 20)
    found = forecast(put(tmp_path, **{f"n{k}": white_noise(3 * RATE_HZ, 2, seed=k, rms=rms) for k in range(16)}))
    a_side = 10 * np.log10(found.bus_power / 2) + 10 * np.log10(2)
    assert a_side == pytest.approx(-18.0 + 12.04, abs=0.1)


@pytest.mark.parametrize(("law_db", "side_db"), [(-3.0, -3.0), (0.0, 0.0), (-4.5, -4.5), (-6.0, -6.0)])
def test_a_centred_mono_stem(tmp_path: Path, law_db: float, side_db: float) -> None:
    """A mono sine with a peak of 0.5 in the middle stands on each side at the law's level."""
    found = forecast(put(tmp_path, tone=sine_block(1000.0, 1.0, peak=0.5)), pan_law_db=law_db)
    assert found.sample_peak_dbfs == pytest.approx(reference_levels.db(0.5) + side_db, abs=1e-6)
    assert found.bus_power == pytest.approx(2 * 0.125 * 10 ** (side_db / 10))


def test_who_makes_the_peak(tmp_path: Path) -> None:
    """At a crest where four pulses of 0.4, 0.3, 0.2 and -0.1 meet: shares of 4/8, 3/8, 2/8; the three largest alone."""
    heights = {"a": 0.2, "b": 0.4, "c": -0.1, "d": 0.3}
    pulse = np.exp(-(((np.arange(RATE_HZ) - 30_000) / 20.0) ** 2))[:, None] * [1.0, 0.5]
    found = forecast(put(tmp_path, **{name: height * pulse for name, height in heights.items()}))
    assert [(part.stem, round(part.share, 6)) for part in found.loudest] == [("b", 0.5), ("d", 0.375), ("a", 0.25)]
    assert [part.level_dbfs for part in found.loudest] == pytest.approx(
        [reference_levels.db(x) for x in (0.4, 0.3, 0.2)]
    )
    assert (found.at_s, found.side) == (pytest.approx(30_000 / RATE_HZ, abs=1e-5), "left")


def test_shares_between_two_samples(tmp_path: Path) -> None:
    """A crest between two samples: 12 kHz tones with their samples at 45 degrees, of 0.3 and 0.1: shares 3/4, 1/4."""
    tone = sine_block(12_000.0, 1.0, phase=np.pi / 4) * np.hanning(RATE_HZ)[:, None] ** 0.5
    found = forecast(put(tmp_path, strong=0.3 * tone, weak=0.1 * tone))
    assert [part.share for part in found.loudest] == pytest.approx([0.75, 0.25])
    law = 10 ** (-3 / 20)
    assert found.true_peak_dbtp == pytest.approx(reference_levels.db(0.4 * law), abs=0.02)
    assert [part.level_dbfs for part in found.loudest] == pytest.approx(
        [reference_levels.db(0.3 * law), reference_levels.db(0.1 * law)], abs=0.02
    )


def test_the_offset(tmp_path: Path) -> None:
    """A stereo tone at 0.8 under a ceiling of -6 needs -4.1 dB, one at 0.1 has 13.9 dB to spare (arithmetic)."""
    loud = forecast(put(tmp_path, loud=sine_block(100.0, 1.0, peak=0.8) * [1.0, 1.0]))
    soft = forecast(put(tmp_path, soft=sine_block(100.0, 1.0, peak=0.1) * [1.0, 1.0]), ceiling_dbtp=-6.05, step_db=0.5)
    assert loud.uniform_offset_db == -4.1
    assert loud.room_db == pytest.approx(-6.0 - reference_levels.db(0.8), abs=0.02)
    assert soft.uniform_offset_db == 13.5


def test_left_out_and_named(tmp_path: Path) -> None:
    """Another rate than most, no audio, cut short, not there, no numbers: named with reason, the rest is summed."""
    good = put(tmp_path, one=sine_block(440.0, 1.0, peak=0.1), two=sine_block(440.0, 1.0, peak=0.2))
    whole = wavefile.wave_bytes(sine_block(440.0, 1.0))
    (tmp_path / "text.wav").write_bytes(b"not audio at all")
    (tmp_path / "cut.wav").write_bytes(whole[:50_000])
    wavefile.write(tmp_path / "fast.wav", sine_block(440.0, 1.0), 96_000)
    bad = sine_block(440.0, 4.0)
    bad[150_000] = np.nan
    wavefile.write(tmp_path / "nan.wav", bad, RATE_HZ, wavefile.FLOAT)
    named = [part_of(tmp_path / f"{name}.wav", name) for name in ("text", "cut", "fast", "nan", "gone")]
    found = forecast([*good, *named])
    assert {left.name: left.reason for left in found.left_out} == {
        "text": "unreadable",
        "cut": "truncated",
        "fast": "rate_differs",
        "nan": "not_finite",
        "gone": "unreadable",
    }
    assert found.parts == 2
    assert found.sample_peak_dbfs == pytest.approx(reference_levels.db(0.3 * 10 ** (-3 / 20)), abs=0.001)
    assert {left.name: left.says for left in found.left_out}["fast"].endswith(
        "expected 48000 Hz as most stems have, found 96000 Hz"
    )


def test_a_broken_flac_is_left_out(tmp_path: Path) -> None:
    """What breaks off in the middle of the sum leaves nothing of itself in it."""
    good = put(tmp_path, one=sine_block(440.0, 8.0, peak=0.1))
    soundfile.write(tmp_path / "whole.flac", white_noise(8 * RATE_HZ, 2), RATE_HZ, "PCM_24")
    content = (tmp_path / "whole.flac").read_bytes()
    (tmp_path / "half.flac").write_bytes(content[: len(content) // 2])
    found = forecast([*good, part_of(tmp_path / "half.flac", "half")])
    assert [left.name for left in found.left_out] == ["half"]
    assert found.sample_peak_dbfs == pytest.approx(reference_levels.db(0.1 * 10 ** (-3 / 20)), abs=0.001)


def test_silence_and_nothing(tmp_path: Path) -> None:
    """A silent sum has no level, no place and no offset; so has the sum of nothing."""
    silent, nothing = forecast(put(tmp_path, hush=np.zeros((RATE_HZ, 2)))), forecast([])
    for found in (silent, nothing):
        assert found.true_peak_dbtp is found.at_s is found.uniform_offset_db is found.loudness_lufs is None
        assert found.loudest == ()
    assert (silent.parts, nothing.parts, nothing.sample_rate_hz, nothing.duration_s) == (1, 0, None, 0.0)


def test_parts_without_a_stamp(tmp_path: Path) -> None:
    """Where others are stamped, a stem without a stamp starts with the first of them, and is named."""
    pulse = np.zeros((1000, 1))
    pulse[0] = 0.5
    first, second = (
        wavefile.write(tmp_path / f"{stamp}.wav", pulse, RATE_HZ, wavefile.FLOAT, before=((b"bext", bext(stamp)),))
        for stamp in (96_000, 96_500)
    )
    bare = wavefile.write(tmp_path / "bare.wav", 0.5 * pulse, RATE_HZ, wavefile.FLOAT)
    found = forecast([part_of(path, path.name) for path in (first, second, bare)])
    assert found.without_stamp == ("bare.wav",)
    assert found.duration_s == 1500 / RATE_HZ
    assert found.sample_peak_dbfs == pytest.approx(reference_levels.db(0.75 * 10 ** (-3 / 20)))


def test_the_same_on_every_run(tmp_path: Path) -> None:
    """Threads change nothing, to the last bit."""
    parts = parts_of(write_stems(tmp_path, 9, seed=3))
    assert forecast(parts) == forecast(parts)


def test_many_files(tmp_path: Path) -> None:
    """Two hundred files need no open file each: the sum of 200 pulses of 0.001 is 0.2."""
    pulse = np.zeros((500, 2))
    pulse[100] = 0.001
    paths = [wavefile.write(tmp_path / f"{k}.wav", pulse, RATE_HZ, wavefile.DOUBLE) for k in range(200)]
    found = forecast([part_of(path, path.name) for path in paths])
    assert (found.parts, found.sample_peak_dbfs) == (200, pytest.approx(reference_levels.db(0.2)))
