"""A padded file byte for byte: its header against struct, and what a second reader of the same file finds."""

import io
import struct
from pathlib import Path

import numpy as np
import pytest

from stager.containers import Padding, open_audio, padded_difference, padded_pieces, wave_head
from stager.model import Encoding, StreamInfo
from tests.support import wavefile
from tests.support.wavefile import DOUBLE, FLOAT, KINDS, PCM_20_IN_24, Kind


def padded(path: Path, padding: Padding) -> bytes:
    """Return the bytes of a padded file."""
    with open_audio(path, settle_s=0.0) as source:
        return b"".join(padded_pieces(source, padding))


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("channels", [1, 3])
def test_silence_samples_silence(tmp_path: Path, kind: Kind, channels: int) -> None:
    """Every encoding, odd lengths too: the payload is zeros, the payload of the source, zeros."""
    samples = np.random.default_rng(3).uniform(-0.9, 0.9, (101, channels))
    path = wavefile.write(tmp_path / "a.wav", samples, 48_000, kind)
    (tmp_path / "b.wav").write_bytes(padded(path, Padding(7, 12, 4711)))
    found, before = wavefile.read(tmp_path / "b.wav"), wavefile.read(path)
    frame = channels * kind.container_bytes
    assert found.payload(b"data") == bytes(7 * frame) + before.payload(b"data") + bytes(12 * frame)
    assert struct.unpack_from("<Q", found.payload(b"bext"), 338)[0] == 4711
    assert (b"fact" in found.names) is kind.is_float
    if kind is not PCM_20_IN_24:
        assert (found.kind.container_bytes, found.rate_hz) == (kind.container_bytes, 48_000)
    if kind in (FLOAT, DOUBLE):
        assert found.payload(b"fmt ")[16:18] == b"\0\0"


@pytest.mark.parametrize(
    ("at", "says"), [(5, "header"), (760, "silence before"), (1000, "samples"), (-9, "silence behind")]
)
def test_any_byte_that_differs_is_told_by_its_part(tmp_path: Path, at: int, says: str) -> None:
    """One byte turned in each part, and one more at the end."""
    path = wavefile.write(tmp_path / "a.wav", np.full((100, 1), 0.5))
    padding = Padding(50, 100, 1)
    raw = bytearray(padded(path, padding))
    with open_audio(path, settle_s=0.0) as source:
        assert padded_difference(io.BytesIO(raw), source, padding) is None
        assert padded_difference(io.BytesIO(bytes(raw) + b"\0"), source, padding) == "it goes on behind its end"
        raw[at] ^= 1
        assert says in (padded_difference(io.BytesIO(raw), source, padding) or "")


def test_a_file_beyond_riff_is_rf64() -> None:
    """Sizes that 32 bits don't hold stand in `ds64` (ITU-R BS.2088): RIFF size, data size, frames."""
    info = StreamInfo(
        container="RIFF", encoding=Encoding.PCM_24, valid_bits=24, sample_rate_hz=48_000, channels=2, frames=2**30
    )
    head = wave_head(info, None, "")
    assert head[:4] + head[8:16] == b"RF64WAVEds64"
    riff, data, frames = struct.unpack_from("<QQQ", head, 20)
    assert (riff, data, frames) == (len(head) + 6 * 2**30 - 8, 6 * 2**30, 2**30)
    assert head[-8:] == b"data\xff\xff\xff\xff"
