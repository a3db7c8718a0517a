"""What is left of a copy without gain times original: its figures, and how many samples are not ours."""

from math import sqrt
from pathlib import Path

import numpy as np
import pytest

from stager.containers import Gain, open_audio
from stager.detectors.runs import silence_meter
from stager.meters import Samples
from stager.model import StreamInfo
from stager.model.runs import Runs, no_runs
from stager.verify.residual import DITHERED_RMS_LSB, ROUNDED_RMS_LSB, Residual, residual_of
from tests.support.folders import written
from tests.support.records import stream
from tests.support.signals import white_noise
from tests.support.wavefile import float_wav, format_of, riff, wav

FRAMES, SHA256 = 300_001, "ab"
PLAIN = Gain(1.7, dithered=False, source_sha256=SHA256, silences=no_runs())
DITHERED = Gain(1.7, dithered=True, source_sha256=SHA256, silences=no_runs())


def silences_of(samples: Samples) -> Runs:
    meter = silence_meter(samples.shape[1])
    meter.update(samples)
    return meter.result()


def copy_bytes(samples: Samples, gain: Gain, info: StreamInfo) -> bytes:
    return gain.encode(samples, info, 0)


def found(folder: Path, original: bytes, copy: bytes, gain: Gain, *, rounded: bool = True) -> Residual:
    before, after = written(folder / "a.wav", original), written(folder / "b.wav", copy)
    with open_audio(before, settle_s=0.0) as a, open_audio(after, settle_s=0.0) as b:
        return residual_of(a, b, gain, rounded=rounded)


def of_16_bits(folder: Path, samples: Samples, gain: Gain, change: tuple[int, int] | None = None) -> Residual:
    """The residual of a copy in 16 bits, with one code changed where asked."""
    channels = samples.shape[1]
    original = wav(samples, 16)
    exact = np.rint(samples * 2.0**15) / 2.0**15
    audio = bytearray(copy_bytes(exact, gain, stream(16, channels)))
    if change:
        at = 2 * (change[0] * channels + change[1])
        audio[at : at + 2] = (int.from_bytes(audio[at : at + 2], "little", signed=True) + 1).to_bytes(
            2, "little", signed=True
        )
    return found(folder, original, riff(format_of(16, channels), bytes(audio)), gain)


@pytest.mark.parametrize(
    ("gain", "rms", "peak"), [(DITHERED, 0.5, 1.5), (PLAIN, sqrt(1 / 12), 0.5)], ids=["dithered", "rounded"]
)
def test_clean_copies(tmp_path: Path, gain: Gain, rms: float, peak: float) -> None:
    """RMS 0.500 LSB with triangular dither and 0.289 without, never beyond 1.5 and 0.5 (theory of dither)."""
    left = of_16_bits(tmp_path, white_noise(FRAMES, 2), gain)
    assert left.rms_lsb == pytest.approx(rms, rel=0.01)
    assert left.expected_rms_lsb == pytest.approx(rms)
    assert 0.9 * peak < left.peak_lsb <= peak
    assert (left.wrong, left.first, left.excerpt) == (0, None, None)


def test_figures_of_the_theory() -> None:
    """Three twelfths of a step squared with dither, one twelfth without (Wannamaker et al., 2000)."""
    assert pytest.approx(sqrt(3 / 12)) == DITHERED_RMS_LSB
    assert pytest.approx(sqrt(1 / 12)) == ROUNDED_RMS_LSB


@pytest.mark.parametrize(("frame", "channel"), [(0, 0), (131_071, 1), (131_072, 0), (FRAMES - 1, 1)])
def test_one_code_that_is_not_ours(tmp_path: Path, frame: int, channel: int) -> None:
    """One code one step beside is found, at its frame, whatever the blocks; the excerpt holds what is around it."""
    left = of_16_bits(tmp_path, white_noise(FRAMES, 2), DITHERED, (frame, channel))
    assert (left.wrong, left.first) == (1, (frame, channel))
    assert left.excerpt is not None
    before, after = left.excerpt
    assert before.shape == after.shape
    assert len(before) > 0


def test_silence_lowers_what_is_expected(tmp_path: Path) -> None:
    """Where three quarters of all samples are digital silence without dither, the RMS is half (arithmetic)."""
    samples = white_noise(100_000, 2)
    samples[25_000:] = 0.0
    gain = Gain(1.7, dithered=True, source_sha256=SHA256, silences=silences_of(samples))
    left = of_16_bits(tmp_path, samples, gain)
    assert left.expected_rms_lsb == pytest.approx(0.25, rel=1e-3)
    assert left.rms_lsb == pytest.approx(0.25, rel=0.02)
    assert left.wrong == 0


def test_float_copies(tmp_path: Path) -> None:
    """A float copy is exact to its own rounding, in steps of 24 bits; nothing is expected to be left."""
    samples = white_noise(9_999).astype("<f4").astype(float)
    copy = (samples * PLAIN.factor).astype("<f4").astype(float)
    left = found(tmp_path, float_wav(samples), float_wav(copy), PLAIN, rounded=False)
    assert left.expected_rms_lsb == 0.0
    assert left.peak_lsb == pytest.approx(np.abs(copy - samples * PLAIN.factor).max() * 2.0**23)
    assert 0.0 < left.peak_lsb <= 0.5
    assert left.wrong == 0


def test_a_copy_as_it_is(tmp_path: Path) -> None:
    """Bytes as they were leave nothing."""
    content, unity = wav(white_noise(9_999, 2)), Gain(1.0, dithered=False, source_sha256=SHA256, silences=no_runs())
    left = found(tmp_path, content, content, unity, rounded=False)
    assert (left.peak_lsb, left.rms_lsb, left.expected_rms_lsb, left.wrong) == (0.0, 0.0, 0.0, 0)
