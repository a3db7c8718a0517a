"""Lossy codecs, to learn what they do to a mix: it is encoded into memory and decoded again, and nothing is kept.

What the library's version 1.2.2 gives was measured: MP3 of constant rate and Vorbis and Opus of a quality come back in
their full length, in time with the original. A codec that a build of the library lacks is told by `is_available`.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from typing import Any, Final

import numpy as np
import soundfile

from stager.containers.pcm import Samples
from stager.system.cancel import check_stop

BLOCK_FRAMES: Final = 1 << 15
"""Frames that are handed over at once; some versions of the library's Vorbis writer fail with very large blocks."""


@dataclass(frozen=True)
class LossyCodec:
    """A codec at one setting; `rates_hz` are the sample rates that it takes."""

    name: str
    container: str
    subtype: str
    compression: float
    rates_hz: tuple[int, ...]
    is_constant_rate: bool = False

    @property
    def is_available(self) -> bool:
        """Whether the library on this machine carries it."""
        return self.container in soundfile.available_formats() and soundfile.check_format(self.container, self.subtype)


MPEG_RATES_HZ: Final = (32_000, 44_100, 48_000)
CODECS: Final = (
    LossyCodec("MP3 320 kbit/s", "MP3", "MPEG_LAYER_III", 0.0, MPEG_RATES_HZ, is_constant_rate=True),
    LossyCodec("MP3 128 kbit/s", "MP3", "MPEG_LAYER_III", 0.67, MPEG_RATES_HZ, is_constant_rate=True),
    LossyCodec("Vorbis quality 5", "OGG", "VORBIS", 0.5, (22_050, 32_000, 44_100, 48_000, 88_200, 96_000)),
    LossyCodec("Opus 128 kbit/s", "OGG", "OPUS", 0.77, (48_000,)),
)
"""Codecs and rates in common use for music (common practice, no source)."""


def coded_bytes(codec: LossyCodec, blocks: Iterator[Samples], sample_rate_hz: int, channels: int) -> BytesIO:
    """Return a stream of samples, (frames, channels) each, encoded in memory."""
    out = BytesIO()
    options: dict[str, Any] = {"bitrate_mode": "CONSTANT"} if codec.is_constant_rate else {}
    with soundfile.SoundFile(
        out,
        "w",
        sample_rate_hz,
        channels,
        format=codec.container,
        subtype=codec.subtype,
        compression_level=codec.compression,
        **options,
    ) as sound:
        for block in blocks:
            for first in range(0, len(block), BLOCK_FRAMES):
                check_stop()
                sound.write(np.ascontiguousarray(block[first : first + BLOCK_FRAMES]))
    out.seek(0)
    return out


def decoded(coded: BytesIO) -> Iterator[Samples]:
    """Yield the samples that a decoder makes of it, (frames, channels) float64; they may lie beyond full scale."""
    with soundfile.SoundFile(coded) as sound:
        while len(block := sound.read(BLOCK_FRAMES, dtype="float64", always_2d=True)):
            check_stop()
            yield block
