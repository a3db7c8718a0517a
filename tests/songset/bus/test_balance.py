"""The rough balance brought back: what is left, against the theory of dither."""

from math import log10
from pathlib import Path

import numpy as np
import pytest

from stager.model.bus import BalanceResidual, Part
from stager.songset.bus import part_of, restored_balance
from tests.support import wavefile
from tests.support.direct_sum import RATE_HZ, Array, part_signal
from tests.support.signals import white_noise
from tests.support.wavefile import FLOAT, PCM_16, PCM_24, Kind

pytestmark = pytest.mark.long

Pair = tuple[Part, Part]
SECONDS = 3.0


def pair(folder: Path, name: str, samples: Array, trim_db: float, kind: Kind, seed: int, pan: float = 0.0) -> Pair:
    """An original and its copy as any program would trim it: triangular dither on integer grids, made by numpy."""
    original = wavefile.write(folder / "in" / f"{name}.wav", samples, RATE_HZ, kind)
    trimmed = wavefile.read(original).samples() * 10 ** (trim_db / 20)
    if not kind.is_float and trim_db:
        rng, lsb = np.random.default_rng(seed), 2.0 ** (1 - kind.valid_bits)
        trimmed = trimmed + lsb * (rng.random(trimmed.shape) - rng.random(trimmed.shape))
    copy = wavefile.write(folder / "out" / f"{name}.wav", trimmed, RATE_HZ, kind)
    return part_of(copy, name, gain_db=-trim_db, pan=pan), part_of(original, name, pan=pan)


def pairs(folder: Path, kind: Kind, trims_db: list[float], *, music: bool = False) -> list[Pair]:
    rng = np.random.default_rng(7)
    made = []
    for number, trim_db in enumerate(trims_db):
        channels = 1 + number % 2
        samples = (
            part_signal(rng, SECONDS, channels)
            if music
            else white_noise(round(SECONDS * RATE_HZ), channels, seed=number, rms=0.05)
        )
        made.append(pair(folder, f"s{number}", samples, trim_db, kind, number))
    return made


def restored(of: list[Pair], **more: bool) -> BalanceResidual:
    return restored_balance([copy for copy, _ in of], [original for _, original in of], **more)


@pytest.mark.parametrize("count", [1, 4, 16])
def test_float_stems(tmp_path: Path, count: int) -> None:
    """The residual of float stems is the rounding of 24-bit mantissas: under -120 dB."""
    trims = [round(float(trim), 1) for trim in np.linspace(-12.0, 9.3, count)]
    left = restored(pairs(tmp_path, FLOAT, trims, music=True))
    assert left.residual_peak_dbfs is not None
    assert left.residual_peak_dbfs < -120.0
    assert (left.expected_rms_dbfs, left.restored, left.parts) == (None, True, count)


@pytest.mark.parametrize(("kind", "bits"), [(PCM_24, 24), (PCM_16, 16)], ids=["24", "16"])
def test_integer_stems(tmp_path: Path, kind: Kind, bits: int) -> None:
    """What is left is each copy's dither, half a step RMS, behind its fader and its gains to the sides.

    Five copies, mono ones in the middle at -3 dB on each side, stereo ones on one side each: the mean square of both
    sides is the sum of 0.25 q^2 f^2 times 10^-0.3 for mono and 1 for stereo (theory of dither, addition of powers).
    """
    trims = [5.0, -3.0, 12.0, 8.5, -7.7]
    left = restored(pairs(tmp_path, kind, trims))
    power = sum(
        0.25 * 2.0 ** (2 - 2 * bits) * 10 ** (-trim / 10) * (1.0 if number % 2 else 10**-0.3)
        for number, trim in enumerate(trims)
    )
    worked = 10 * log10(power) + 10 * log10(2)
    assert left.expected_rms_dbfs == pytest.approx(worked, abs=0.01)
    assert left.residual_rms_dbfs == pytest.approx(worked, abs=0.1)
    assert left.restored
    assert f"comes back (what is left: {worked:.0f} dBFS" in left.says


def test_without_dither_a_third_is_expected(tmp_path: Path) -> None:
    """A twelfth of a step squared in place of a quarter: 4.77 dB less (theory of dither)."""
    of = pairs(tmp_path, PCM_24, [3.0])
    with_dither, without = restored(of), restored(of, dithered=False)
    assert (with_dither.expected_rms_dbfs or 0.0) - (without.expected_rms_dbfs or 0.0) == pytest.approx(4.77, abs=0.01)


def test_copies_at_trim_0_leave_nothing(tmp_path: Path) -> None:
    """Their bytes are the originals'; nothing is expected, and nothing is there."""
    left = restored(pairs(tmp_path, PCM_24, [0.0, 0.0]))
    assert (left.residual_peak_dbfs, left.residual_rms_dbfs, left.expected_rms_dbfs) == (None, None, None)
    assert left.restored
    assert "to the last bit" in left.says


def test_a_wrong_fader_is_seen(tmp_path: Path) -> None:
    """One of eight faders off by 0.1 dB leaves 1.16 % of that stem: not restored."""
    of = pairs(tmp_path, PCM_24, [3.0] * 8)
    copy, original = of[1]
    of[1] = (copy.model_copy(update={"gain_db": copy.gain_db + 0.1}), original)
    left = restored(of)
    rms = float(np.sqrt((wavefile.read(original.path).samples() ** 2).mean())) * (10**0.005 - 1)
    assert left.residual_rms_dbfs == pytest.approx(20 * log10(rms) + 10 * log10(2), abs=0.05)
    assert not left.restored
    assert "is not that of" in left.says


def test_what_has_no_counterpart_is_left_out(tmp_path: Path) -> None:
    """A copy whose original is gone, and one that can't be read, take no part; the rest is proven."""
    of = pairs(tmp_path, PCM_24, [3.0, 4.0, 5.0])
    of[2][1].path.write_bytes(b"no audio any more")
    left = restored_balance([copy for copy, _ in of], [of[0][1], of[2][1]])
    assert {out.name: out.reason for out in left.left_out} == {"s1": "no_counterpart", "s2": "unreadable"}
    assert (left.parts, left.restored) == (1, True)


def test_nothing_to_compare() -> None:
    """Without a copy there is nothing to prove, and it is said."""
    left = restored_balance([], [])
    assert (left.parts, left.residual_rms_dbfs) == (0, None)
    assert left.says == "There is no copy to bring the rough balance back with."
