"""Two sets from one truth: the copies, each moved by its fader figure, add up to the originals again.

Everything is added up here by numpy from the files themselves; the faders come from the sidecars and from `report.csv`.
"""

import csv
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support import signals
from tests.support.reference_levels import linear
from tests.support.song import Song, SongMaker
from tests.support.wavefile import DOUBLE, FLOAT, PCM_16, PCM_24, Kind

pytestmark = pytest.mark.long

Array = NDArray[Any]
RATE: Final = 48_000
FRAMES: Final = 3 * RATE
LEVELS_DBFS: Final = (-31.0, -9.0, -24.5, -44.0, -16.0, -27.3, -20.1)
"""What the parts are bounced at: some must go up, some down, and one is so low that the boost limit stops it."""
TPDF_RMS_LSB: Final = 0.5
"""RMS error of a sample rounded with triangular dither of 2 LSB peak to peak: sqrt(1/12 + 2/12) LSB (Vanderkooy and
Lipshitz, "Dither in Digital Audio", JAES 35, 1987, cited from memory; the sum is the variances' own)."""
TPDF_PEAK_LSB: Final = 1.5
"""Half an LSB of rounding and one of dither."""


def _parts(kind: Kind) -> dict[str, tuple[Array, Kind]]:
    """Make parts that are there from the first frame to the last, mono and stereo by turns."""
    rng = np.random.default_rng(71)
    made = {}
    for number, level_dbfs in enumerate(LEVELS_DBFS):
        made[f"part_{number}.wav"] = (signals.band_limited_noise(rng, level_dbfs, FRAMES, 1 + number % 2), kind)
    return made


def _staged(song: Song, parts: Mapping[str, tuple[Array, Kind]]) -> None:
    for name, (samples, kind) in parts.items():
        song.put(name, samples, RATE, kind)
    assert song.stage().code == 0


def _faders(song: Song) -> dict[str, float]:
    """Read the fader move of each stem from its sidecar."""
    names = [name for name in song.outbox_names() if name.endswith(".wav")]
    return {name: song.sidecar(name)["trim"]["restore_fader_db"] for name in names}


def _sum(song: Song, names: Mapping[str, float] | set[str], *, copies: bool) -> Array:
    """Add up originals, or copies behind their faders, on two sides: a mono part is on both."""
    total = np.zeros((FRAMES, 2))
    for name in sorted(names):
        wave = song.copy(name) if copies else song.original(name)
        total += wave.samples() * (linear(names[name]) if isinstance(names, Mapping) else 1.0)
    return total


def _rms(samples: Array) -> float:
    return float(np.sqrt((samples**2).mean()))


def _moved(faders: Mapping[str, float]) -> list[float]:
    """Return the fader factors of the copies that differ from their originals at all."""
    return [linear(fader_db) for fader_db in faders.values() if fader_db]


@pytest.mark.parametrize("kind", [FLOAT, DOUBLE], ids=lambda kind: kind.name)
def test_float_copies_give_the_rough_balance_back_to_120_db(song: Song, kind: Kind) -> None:
    """Float copies behind their faders less the originals: under -120 dB of the sum, with trims up to 18 dB."""
    _staged(song, _parts(kind))
    faders = _faders(song)
    assert max(map(abs, faders.values())) > 15.0
    whole = _sum(song, set(faders), copies=False)
    left = _sum(song, faders, copies=True) - whole
    assert 20 * np.log10(_rms(left) / _rms(whole)) < -120.0
    assert 20 * np.log10(_rms(whole - _sum(song, set(faders), copies=True)) / _rms(whole)) > -10.0


@pytest.mark.parametrize(("kind", "bits"), [(PCM_24, 24), (PCM_16, 16)], ids=["PCM_24", "PCM_16"])
def test_integer_copies_leave_their_dither_and_no_more(song: Song, kind: Kind, bits: int) -> None:
    """What is left is each copy's dither and rounding behind its fader, added by power: within 0.3 dB of it."""
    _staged(song, _parts(kind))
    faders = _faders(song)
    left = _sum(song, faders, copies=True) - _sum(song, set(faders), copies=False)
    lsb = 2.0 ** (1 - bits)
    expected = TPDF_RMS_LSB * lsb * np.sqrt(sum(factor**2 for factor in _moved(faders)))
    assert 20 * np.log10(_rms(left) / expected) == pytest.approx(0.0, abs=0.3)
    assert np.abs(left).max() <= TPDF_PEAK_LSB * lsb * sum(_moved(faders)) * (1 + 1e-9)


def test_mixed_depths_leave_the_coarsest_dither(song: Song) -> None:
    """Float and 24-bit parts in one sum: what is left is the integer copies' dither alone."""
    parts = {
        name: (samples, FLOAT if number % 2 else PCM_24)
        for number, (name, (samples, _)) in enumerate(_parts(PCM_24).items())
    }
    _staged(song, parts)
    faders = _faders(song)
    integers = {name: fader_db for name, fader_db in faders.items() if parts[name][1] is PCM_24}
    left = _sum(song, faders, copies=True) - _sum(song, set(faders), copies=False)
    expected = TPDF_RMS_LSB * 2.0**-23 * np.sqrt(sum(factor**2 for factor in _moved(integers)))
    assert 20 * np.log10(_rms(left) / expected) == pytest.approx(0.0, abs=0.5)


def test_stems_left_alone_leave_nothing(song: Song) -> None:
    """Where every trim is 0 the faders are too, and nothing at all is left."""
    rng = np.random.default_rng(72)
    parts = {f"part_{n}.wav": (signals.band_limited_noise(rng, -18.2, FRAMES, 2), PCM_24) for n in range(3)}
    _staged(song, parts)
    faders = _faders(song)
    assert set(faders.values()) == {0.0}
    assert not (_sum(song, faders, copies=True) - _sum(song, set(faders), copies=False)).any()


def test_report_csv_lists_each_trim_and_the_fader_that_undoes_it(song: Song) -> None:
    """One row a stem, whose two figures add up to 0; the balance comes back from the table alone."""
    _staged(song, _parts(FLOAT))
    with (song.outbox / "report.csv").open(newline="", encoding="utf-8-sig") as table:
        rows = list(csv.DictReader(table))
    faders = {row["stem"]: float(row["restore_fader_db"]) for row in rows}
    assert set(faders) == set(_parts(FLOAT))
    assert [float(row["trim_db"]) + float(row["restore_fader_db"]) for row in rows] == pytest.approx([0.0] * len(rows))
    whole = _sum(song, set(faders), copies=False)
    assert _rms(_sum(song, faders, copies=True) - whole) < 1e-6 * _rms(whole)


@pytest.mark.parametrize("kind", [FLOAT, PCM_24], ids=lambda kind: kind.name)
def test_the_faders_name_the_gain_that_was_applied(make_song: SongMaker, kind: Kind) -> None:
    """Copy over original, by least squares, is minus the fader move: to a thousandth of a dB."""
    song = make_song()
    _staged(song, _parts(kind))
    for name, fader_db in _faders(song).items():
        original, copy = song.original(name).samples(), song.copy(name).samples()
        factor = float((original * copy).sum() / (original**2).sum())
        assert 20 * np.log10(factor) == pytest.approx(-fader_db, abs=0.001)
