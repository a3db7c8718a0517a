"""The bus forecast of `check` against a direct sum of the copies by numpy, and the rough balance brought back.

Nothing here uses the package: stems are written by struct and numpy, staged by the installed command, and the copies
read back the same way.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.support import reference_levels
from tests.support.direct_sum import RATE_HZ, Stem, direct_sum, gains, write_stems
from tests.support.reference_loudness import integrated_lufs
from tests.support.song import Song
from tests.support.wavefile import FLOAT, PCM_16, PCM_24, Kind

COUNTS = (4, 16, 40)
NOISES = (1, 2, 4, 8, 16, 32)
LEAVE = '[target]\nrule = "leave"\n'
SUM = "direct sum of the copies (numpy)"


def _roles(stems: Sequence[Stem]) -> str:
    """A role for each stem, with its pan."""
    return "".join(
        f'[[role]]\nname = "r{number}"\nmatch = ["{stem.path.name}"]\npan = {stem.pan!r}\n'
        for number, stem in enumerate(stems)
    )


def _staged(
    bench: ProofContext, name: str, count: int, kinds: tuple[Kind, ...], toml: str = ""
) -> tuple[Song, list[Stem]]:
    """A song of stems that differ, staged; every one at unity in the copies' sum."""
    inbox = bench.folder / name / "bounces"
    stems = [replace(stem, gain_db=0.0) for stem in write_stems(inbox, count, seed=count, kinds=kinds)]
    song = Song(bench.stager, bench.folder / name)
    song.outbox.mkdir()
    song.file.write_text(f"version = 1\n{toml}{_roles(stems)}", "utf-8")
    for stem in stems:
        song.rest(stem.path.name)
    result = song.stage()
    assert result.code == 0, result.stderr
    return song, stems


def _copies(song: Song, stems: Sequence[Stem]) -> list[Stem]:
    return [replace(stem, path=song.outbox / stem.path.name) for stem in stems]


def _bus(song: Song) -> dict[str, Any]:
    found: dict[str, Any] = song.stager("check", song.folder, "--json").json()["bus"]
    return found


def _forecast(bench: ProofContext, count: int) -> Iterator[Proof]:
    song, stems = _staged(bench, f"sum{count}", count, (PCM_24, FLOAT, PCM_16))
    found, bus = _bus(song), direct_sum(_copies(song, stems))
    true_peak = reference_levels.true_peak_dbtp(bus)
    errors = {
        "sample peak": (found["sample_peak_dbfs"] - reference_levels.sample_peak_dbfs(bus), 0.01),
        "true peak": (found["true_peak_dbtp"] - true_peak, 0.05),
        "loudness": (found["loudness_lufs"] - (integrated_lufs(bus, RATE_HZ) or 0.0), 0.05),
    }
    for what, (error, most) in errors.items():
        claim = f"{what} of the bus, {count} stems of other starts and pans"
        yield Proof(claim, SUM, f"within {most} dB", f"{error:+.5f} dB", abs(error) <= most)
    peak = true_peak + found["uniform_offset_db"]
    fits = -6.15 < peak <= -5.99
    yield Proof(f"the one offset for {count} stems", SUM, "-6.1 to -6.0 dBTP with it", f"{peak:+.3f} dBTP", fits)
    yield _loudest(song, stems, found, count)


def _loudest(song: Song, stems: Sequence[Stem], found: dict[str, Any], count: int) -> Proof:
    """The three largest of the stems' own values at the sample beside the peak, by numpy."""
    copies = _copies(song, stems)
    zero = min(stem.stamp for stem in copies if stem.stamp is not None)
    whole = direct_sum(copies)
    at = round(found["at_s"] * RATE_HZ)
    side = int(np.argmax(np.abs(whole[at])))
    values = {}
    for stem in copies:
        start = 0 if stem.stamp is None else stem.stamp - zero
        alone = direct_sum([replace(stem, stamp=None)])
        inside = start <= at < start + len(alone)
        values[stem.path.name] = float(alone[at - start, side] / whole[at, side]) if inside else 0.0
    wanted = sorted(values, key=lambda name: -values[name])[:3]
    names = [part["stem"] for part in found["loudest"]]
    least = min(values[name] for name in names)
    short = values[wanted[-1]] - least
    claim = f"the three that make the peak of {count} stems"
    return Proof(claim, SUM, "none larger by 0.02 of it", f"{short:+.4f}", short <= 0.02 and len(set(names)) == 3)


def _noises(bench: ProofContext) -> Iterator[Proof]:
    """The same level for each, independent: powers add."""
    rng, found = np.random.default_rng(10), {}
    counts = NOISES[:4] if bench.short else NOISES
    for count in counts:
        song = Song.made(bench.stager, bench.folder / f"noise{count}", LEAVE)
        for number in range(count):
            song.put(f"n{number}.wav", 0.01 * rng.standard_normal((10 * RATE_HZ, 2)), RATE_HZ, FLOAT)
        song.stage()
        found[count] = _bus(song)["loudness_lufs"]
    errors = [found[count] - found[1] - 10 * np.log10(count) for count in counts]
    off = float(np.abs(errors).max())
    claim = f"1 to {counts[-1]} equal independent noises"
    yield Proof(claim, "10 log N (addition of powers)", "within 0.1 dB", f"{off:.4f} dB", off <= 0.1)


def _balance(bench: ProofContext, kind: Kind) -> tuple[float, float]:
    """Mean squares: of the copies behind their fader moves less the originals, and of what their dither is to leave.

    Each dithered copy gives a quarter of a squared step, times the square of its fader and of its gains to the sides.
    """
    song, stems = _staged(bench, f"balance-{kind.name}", 12, (kind,))
    faders = [song.sidecar(stem.path.name)["trim"]["restore_fader_db"] for stem in stems]
    copies = [replace(stem, gain_db=fader) for stem, fader in zip(_copies(song, stems), faders, strict=True)]
    left = direct_sum(copies) - direct_sum(stems)
    dithered = [copy for copy in copies if copy.gain_db and not kind.is_float]
    energy = sum(
        len(copy.samples())
        * 0.25
        * 4.0 ** (1 - kind.valid_bits)
        * float((gains(copy.samples().shape[1], copy.pan, 10**-0.15) ** 2).sum())
        * 10 ** (copy.gain_db / 10)
        for copy in dithered
    )
    return float((left**2).mean()), energy / left.size


def _balances(bench: ProofContext) -> Iterator[Proof]:
    claim = "12 copies behind their faders less the originals"
    left, _ = _balance(bench, FLOAT)
    level = 10 * np.log10(left) + reference_levels.SINE_DB
    yield Proof(f"{claim}, float", SUM, "under -120 dBFS", f"{level:.1f} dBFS", bool(level < -120.0))
    for kind in (PCM_24, PCM_16):
        left, expected = _balance(bench, kind)
        off = 10 * np.log10(left / expected)
        bits = f"{claim}, {kind.valid_bits} bit"
        yield Proof(bits, "0.25 LSB^2 a copy (dither theory)", "within 0.2 dB", f"{off:+.3f} dB", bool(abs(off) <= 0.2))


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Sums, the rise of noises, the balance brought back."""
    for count in COUNTS[:1] if bench.short else COUNTS:
        yield from _forecast(bench, count)
    yield from _noises(bench)
    yield from _balances(bench)
