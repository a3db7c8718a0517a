"""The sum of all parts as a file: stereo, 24 bits, lowered as a whole where its true peak would pass a ceiling."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from stager.containers import Gain, wave_head
from stager.errors import PackRefused
from stager.model import Encoding, StreamInfo
from stager.model.bus import LeftOut, Part
from stager.model.runs import no_runs
from stager.songset.bus.forecasting import forecast
from stager.songset.bus.inputs import MixInputs, summed
from stager.songset.bus.summing import mixing
from stager.units import linear_from_db

SIDES: Final = 2
BITS: Final = 24


class Sink(Protocol):
    """What takes the bytes of a file in order."""

    def write(self, data: bytes, /) -> int:
        """Take the next bytes."""


@dataclass(frozen=True)
class Rendered:
    """What was written: its gain in dB, 0 or below, and the levels that it has; silence is None."""

    gain_db: float
    true_peak_dbtp: float | None
    loudness_lufs: float | None


def render_sum(
    parts: Sequence[Part], out: Sink, *, pan_law_db: float, ceiling_dbtp: float = -1.0, start_frames: int | None
) -> Rendered:
    """Write the sum as a whole file, with triangular dither; `start_frames` is the time stamp that it gets.

    The ceiling of -1 dBTP is that of EBU R 128 for a programme.

    Raises:
        PackRefused: where a part can't be read, or has another rate than most.
        Stopped: where the process was told to stop.
    """
    found = forecast(parts, pan_law_db=pan_law_db, ceiling_dbtp=ceiling_dbtp)
    _refuse(found.left_out)
    gain_db = min(0.0, found.uniform_offset_db or 0.0)

    def work(inputs: MixInputs) -> None:
        _refuse(inputs.left_out)
        _write(inputs, out, linear_from_db(gain_db), linear_from_db(pan_law_db), start_frames)

    summed(parts, work)
    peak, loudness = found.true_peak_dbtp, found.loudness_lufs
    return Rendered(gain_db, None if peak is None else peak + gain_db, None if loudness is None else loudness + gain_db)


def _write(inputs: MixInputs, out: Sink, factor: float, centre_linear: float, start_frames: int | None) -> None:
    info = StreamInfo(
        container="RIFF",
        encoding=Encoding.PCM_24,
        valid_bits=BITS,
        sample_rate_hz=inputs.rate_hz or 1,
        channels=SIDES,
        frames=inputs.frames,
    )
    gain = Gain(factor, dithered=True, source_sha256="sum", silences=no_runs())
    out.write(wave_head(info, start_frames, "sum of all parts with their faders"))
    with mixing(inputs, centre_linear) as mixer:
        for sums in mixer.sums(0, inputs.frames):
            out.write(gain.encode(sums.bus(centre_linear), info, sums.start))


def _refuse(left_out: Sequence[LeftOut]) -> None:
    for left in left_out:
        raise PackRefused(left.says)
