"""A rough mix beside the stems: lag, gain, what is left and where."""

from pathlib import Path

import numpy as np
import pytest

from stager.errors import NotFiniteStem, UnreadableStem, UnsupportedStem
from stager.model.bus import Part, RoughMatch
from stager.songset.bus import against_rough, part_of
from tests.support import wavefile
from tests.support.direct_sum import RATE_HZ, Array, Stem, bext, direct_sum, write_stems
from tests.support.signals import sine_block, white_noise
from tests.support.wavefile import DOUBLE, PCM_16

pytestmark = pytest.mark.long

SECONDS = (17.0, 20.0)


@pytest.fixture(scope="module")
def stems(tmp_path_factory: pytest.TempPathFactory) -> list[Stem]:
    return write_stems(tmp_path_factory.mktemp("stems"), 5, seed=11, seconds=SECONDS)


@pytest.fixture(scope="module")
def bus(stems: list[Stem]) -> Array:
    return direct_sum(stems)


def parts_of(stems: list[Stem]) -> list[Part]:
    return [part_of(s.path, s.path.name, gain_db=s.gain_db, pan=s.pan) for s in stems]


def compared(folder: Path, stems: list[Stem], mix: Array, stamp: int | None = None) -> RoughMatch:
    chunks = () if stamp is None else ((b"bext", bext(stamp)),)
    path = wavefile.write(folder / "rough.wav", mix, RATE_HZ, DOUBLE, before=chunks)
    return against_rough(parts_of(stems), path)


@pytest.mark.parametrize(("gain", "lag"), [(1.0, 0), (0.5, 1), (1.7, 37_411), (0.25, -48_000), (-0.8, 200_000)])
def test_a_mix_that_is_the_sum(tmp_path: Path, stems: list[Stem], bus: Array, gain: float, lag: int) -> None:
    """Shifted by so many frames, louder, softer, turned over: nothing above -100 dB is left."""
    mix = gain * (np.pad(bus, ((lag, 0), (0, 0))) if lag > 0 else bus[-lag:])
    found = compared(tmp_path, stems, mix)
    assert found.lag_s == pytest.approx(lag / RATE_HZ, abs=1e-9)
    assert found.gain_db == pytest.approx(20 * np.log10(abs(gain)), abs=1e-4)
    assert (found.flipped, found.adds_up, found.places) == (gain < 0, True, ())
    assert found.residual_db is None or found.residual_db < -100.0
    assert "add up to the rough mix" in found.says


def test_a_lag_by_time_stamps(tmp_path: Path, stems: list[Stem], bus: Array) -> None:
    """A mix that starts 9 s after the stems by its stamp is looked for there, further than by the waveform alone."""
    zero = min(stem.stamp for stem in stems if stem.stamp is not None)
    found = compared(tmp_path, stems, bus[9 * RATE_HZ :], zero + 9 * RATE_HZ)
    assert found.lag_s == -9.0
    assert found.adds_up


def test_a_16_bit_mix(tmp_path: Path, stems: list[Stem], bus: Array) -> None:
    """Rounding to 16 bits leaves a twelfth of a step squared (rounding noise), far under what counts."""
    path = wavefile.write(tmp_path / "mix.wav", 0.5 * bus, RATE_HZ, PCM_16)
    found = against_rough(parts_of(stems), path)
    power = ((0.5 * bus) ** 2).mean()
    assert found.residual_db == pytest.approx(10 * np.log10(2.0**-30 / 12 / power), abs=0.2)
    assert found.adds_up


def test_a_stem_that_is_missing_for_a_while(tmp_path: Path, stems: list[Stem], bus: Array) -> None:
    """A noise only in the mix, from 6 to 9 s: that place alone, at its level; gain and lag stay right."""
    mix = bus.copy()
    extra = white_noise(3 * RATE_HZ, 2, rms=0.03)
    mix[6 * RATE_HZ : 9 * RATE_HZ] += extra
    found = compared(tmp_path, stems, mix)
    (place,) = found.places
    assert (place.start_s, place.end_s) == (6.0, 9.0)
    assert place.residual_db == pytest.approx(10 * np.log10((extra**2).mean() / (mix**2).mean()), abs=0.3)
    assert not found.adds_up
    assert (found.lag_s, found.gain_db) == (0.0, pytest.approx(0.0, abs=1e-6))
    quiet = [value for n, value in enumerate(found.residuals_db) if n not in (6, 7, 8)]
    assert all(value is None or value < -100.0 for value in quiet)
    assert "6 to 9 s" in found.says


def test_a_change_just_too_small(tmp_path: Path, stems: list[Stem], bus: Array) -> None:
    """A noise 46 dB under the mix all along is no difference; one 34 dB under it is."""
    level = float(np.sqrt((bus**2).mean()))
    for under_db, adds_up in ((46.0, True), (34.0, False)):
        hiss = white_noise(len(bus), 2, rms=level * 10 ** (-under_db / 20))
        found = compared(tmp_path, stems, bus + hiss)
        assert found.adds_up is adds_up
        assert found.residual_db == pytest.approx(-under_db, abs=0.3)


def test_another_song(tmp_path: Path, stems: list[Stem], bus: Array) -> None:
    """Nothing to lay on each other: low similarity, and it is said."""
    found = compared(tmp_path, stems, white_noise(len(bus), 2, seed=5))
    assert found.similarity < 0.2
    assert not found.adds_up
    assert "can't be lined up" in found.says


@pytest.mark.parametrize("count", [0, 2])
def test_silence(tmp_path: Path, stems: list[Stem], count: int) -> None:
    """A silent mix, or no stems at all: no gain to tell, nothing adds up."""
    mix = np.zeros((RATE_HZ, 2)) if count else white_noise(RATE_HZ, 2)
    found = compared(tmp_path, stems[:count], mix)
    assert (found.gain_db, found.adds_up) == (None, False)


def test_a_mono_mix(tmp_path: Path) -> None:
    """One channel counts on both sides: the mix of a centred mono stem at half level has 0.5 over the law's gain."""
    path = wavefile.write(tmp_path / "a.wav", white_noise(10 * RATE_HZ), RATE_HZ, DOUBLE)
    mix = wavefile.write(tmp_path / "mix.wav", 0.5 * white_noise(10 * RATE_HZ), RATE_HZ, DOUBLE)
    found = against_rough([part_of(path, "a")], mix, pan_law_db=-4.5)
    assert found.gain_db == pytest.approx(20 * np.log10(0.5) + 4.5, abs=1e-6)
    assert found.adds_up


def test_mixes_that_are_refused(tmp_path: Path, stems: list[Stem]) -> None:
    """Another rate, no audio, no numbers: the mix's own error, not a stem's."""
    fast = wavefile.write(tmp_path / "fast.wav", white_noise(1000, 2), 96_000)
    with pytest.raises(UnsupportedStem, match="expected 48000 Hz as the stems have, found 96000 Hz"):
        against_rough(parts_of(stems), fast)
    with pytest.raises(UnreadableStem, match="nothing under this name"):
        against_rough(parts_of(stems), tmp_path / "none.wav")
    bad = sine_block(100.0, 1.0)
    bad[500] = np.inf
    broken = wavefile.write(tmp_path / "broken.wav", bad, RATE_HZ, DOUBLE)
    with pytest.raises(NotFiniteStem, match=r"broken.wav"):
        against_rough(parts_of(stems), broken)
