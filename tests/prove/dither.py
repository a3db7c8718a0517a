"""Dither over two minutes: its strength, its mean, and that it knows nothing of the signal."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from tests.prove.proof import Proof, ProofContext
from tests.support import reference_levels
from tests.support.song import Song
from tests.support.wavefile import PCM_16

RATE = 48_000
THEORY = "theory of nonsubtractive dither (IEEE Trans. SP 48(2), 2000)"


def _errors(bench: ProofContext, dither: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The error of a copy in LSB, and its original in LSB."""
    song = Song.made(bench.stager, bench.folder / dither, f'[copy]\ndither = "{dither}"\n')
    frames = bench.count(120) * RATE
    song.put("tone.wav", 0.3 * np.sin(2 * np.pi * 997.31 * np.arange(frames) / RATE), RATE, PCM_16)
    gain = reference_levels.linear(song.outcome("tone.wav")["trim"]["gain_db"])
    original = song.original("tone.wav").codes()[:, 0].astype(float)
    return song.copy("tone.wav").codes()[:, 0] - original * gain, original


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Look at the error of one dithered and one merely rounded copy."""
    error, original = _errors(bench, "tpdf")
    rms, room = float(np.sqrt((error**2).mean())), 4 / np.sqrt(error.size)
    yield Proof("dithered error, RMS", THEORY, "0.500 LSB +-1 %", f"{rms:.5f} LSB", abs(rms - 0.5) <= 0.005)
    mean = float(error.mean())
    bound = f"0 +-{0.5 * room:.6f} LSB"
    yield Proof("dithered error, mean", THEORY, bound, f"{mean:+.6f} LSB", abs(mean) <= 0.5 * room)
    pairs = {
        "signal": (error, original),
        "signal's power": (error**2, original**2),
        "error one frame before": (error[1:], error[:-1]),
    }
    for name, (one, other) in pairs.items():
        found = float(np.corrcoef(one, other)[0, 1])
        claim = f"dithered error, correlation with the {name}"
        yield Proof(claim, THEORY, f"0 +-{room:.6f} (4/sqrt N)", f"{found:+.6f}", abs(found) <= room)
    plain, _ = _errors(bench, "none")
    rms = float(np.sqrt((plain**2).mean()))
    ok = abs(rms - 12**-0.5) <= 0.00289
    yield Proof("rounded error without dither, RMS", "arithmetic: 1/sqrt 12", "0.289 LSB +-1 %", f"{rms:.5f} LSB", ok)
