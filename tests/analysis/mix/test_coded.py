"""Peaks after lossy coding, against another decoder."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from stager.analysis.mix import coded as room
from stager.analysis.mix.coded import coded_peaks
from stager.containers.lossy import CODECS, LossyCodec, coded_bytes
from stager.model import Encoding, StreamInfo
from tests.support.finished_mix import RATE, clean
from tests.support.signals import Samples

pytestmark = pytest.mark.long


def info(samples: Samples, rate_hz: int = RATE) -> StreamInfo:
    """The stream of these samples."""
    return StreamInfo(
        container="WAVE",
        encoding=Encoding.DOUBLE,
        valid_bits=0,
        sample_rate_hz=rate_hz,
        channels=samples.shape[1],
        frames=len(samples),
    )


def loud() -> Samples:
    """Eight seconds of a mix whose samples reach -0.1 dBFS."""
    part = clean()[: 8 * RATE]
    return part * (10 ** (-0.1 / 20) / np.abs(part).max())


@pytest.mark.parametrize("codec", CODECS, ids=lambda codec: codec.name)
def test_another_decoder_finds_the_same_peak(codec: LossyCodec, tmp_path: Path) -> None:
    """Ffmpeg's decoder, oversampled 8 times by scipy, finds the true peak within 0.1 dB of ours."""
    samples = loud()
    path = tmp_path / "coded"
    path.write_bytes(coded_bytes(codec, iter([samples]), RATE, 2).getbuffer())
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-c:a", "pcm_f32le", str(tmp_path / "decoded.wav")]
    subprocess.run(command, check=True)
    decoded, _ = soundfile.read(tmp_path / "decoded.wav", always_2d=True)
    expected = 20 * np.log10(np.abs(resample_poly(decoded, 8, 1, axis=0)).max())
    found, _ = coded_peaks(lambda: iter([samples]), info(samples), 6.0)
    peak = next(each.true_peak_dbtp for each in found if each.codec == codec.name)
    assert peak == pytest.approx(expected, abs=0.1)


def test_the_lowering_holds() -> None:
    """Lowered by what is advised, the mix comes back from each codec at -1 dBTP or less, and needs nothing more."""
    samples = loud()
    found, missing = coded_peaks(lambda: iter([samples]), info(samples), -1.0)
    assert [each.codec for each in found] == [codec.name for codec in CODECS]
    assert missing == ()
    lower_db = max(each.lower_db for each in found)
    assert lower_db >= 0.5
    lowered = samples * 10 ** (-(lower_db + 0.1) / 20)
    again, _ = coded_peaks(lambda: iter([lowered]), info(samples), -1.0)
    assert [each.lower_db for each in again] == [0.0] * len(CODECS)


def test_rates_that_a_codec_does_not_take_are_converted() -> None:
    """A mix at 96 kHz is coded at 48 kHz where the codec knows no other, and keeps its level within 1 dB."""
    samples = resample_poly(loud()[: 4 * RATE], 2, 1, axis=0)

    def blocks() -> Iterator[Samples]:
        yield from np.array_split(samples, 7)

    found, _ = coded_peaks(blocks, info(samples, 2 * RATE), 6.0)
    assert {round(each.true_peak_dbtp or -99.0) for each in found} <= {-2, -1, 0, 1}


def test_missing_codecs_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A codec that the library lacks, and files of more than two channels, are told and not measured."""
    odd = LossyCodec("Odd", "NONE", "NONE", 0.5, (48_000,))
    monkeypatch.setattr(room, "CODECS", (odd,))
    samples = loud()[:RATE]
    found, missing = coded_peaks(lambda: iter([samples]), info(samples), -1.0)
    assert (found, [each.codec for each in missing]) == ((), ["Odd"])
    monkeypatch.undo()
    wide = np.zeros((RATE, 6))
    found, missing = coded_peaks(lambda: iter([wide]), info(wide), -1.0)
    assert (found, len(missing)) == ((), len(CODECS))
