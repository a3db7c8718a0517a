"""What a copy must be, said once: read by the writer, by the preview of a set, and by the proof."""

from collections.abc import Sequence
from dataclasses import dataclass

from stager.containers import Gain
from stager.model import Encoding, Sidecar, StreamInfo
from stager.model.runs import Runs
from stager.project import CopySettings
from stager.system.version import VERSION
from stager.units import linear_from_db


@dataclass(frozen=True)
class CopySpec:
    """What a copy must be: `before` is the stream that the trim is applied to, `after` that of the copy.

    `history` is its line for the coding history; `steps` are the names of what came before the trim.
    """

    before: StreamInfo
    after: StreamInfo
    gain_db: float
    dithered: bool
    steps: tuple[str, ...]
    version: str = VERSION

    @property
    def is_original(self) -> bool:
        """Whether the copy is its original byte for byte: no gain, no other encoding, no step."""
        return self.gain_db == 0.0 and self.after == self.before and not self.steps

    @property
    def is_rounded(self) -> bool:
        """Whether samples land on an integer grid again, other than on its points."""
        return needs_rounding(self.before, self.after, self.gain_db)

    @property
    def history(self) -> str:
        """The words for the coding history of the copy; no clock is in them."""
        dither = ("TPDF dither",) if self.dithered else ()
        return "; ".join((f"stager {self.version}", *self.steps, f"gain {self.gain_db:+g} dB", *dither))

    def gain(self, source_sha256: str, silences: Runs, equal_channels: tuple[int, ...]) -> Gain:
        """Return the gain as it is applied; the dither follows from the original's hash."""
        return Gain(linear_from_db(self.gain_db), self.dithered, source_sha256, silences, equal_channels)


def planned_copy(
    original: StreamInfo, before: StreamInfo, settings: CopySettings, gain_db: float, steps: Sequence[str] = ()
) -> CopySpec:
    """Return what a project's settings make of a stem; `before` is its original's stream, or what its steps gave."""
    after = copy_stream(original, before, settings)
    dithered = settings.dither == "tpdf" and needs_rounding(before, after, gain_db)
    return CopySpec(before, after, gain_db, dithered, tuple(steps))


def recorded_copy(sidecar: Sidecar, before: StreamInfo, after: StreamInfo) -> CopySpec:
    """Return what a sidecar says that its copy is."""
    dithered = sidecar.copy_ is not None and sidecar.copy_.dither == "tpdf"
    steps = tuple(step.name for step in sidecar.steps)
    return CopySpec(before, after, sidecar.trim.gain_db, dithered, steps, sidecar.stager.version)


def copy_stream(original: StreamInfo, before: StreamInfo, settings: CopySettings) -> StreamInfo:
    """Return the stream of a copy: the shape of `before`, in the original's encoding or the one asked for."""
    encoding, bits = original.encoding, original.valid_bits
    if settings.encoding not in ("same", encoding.value):
        encoding = Encoding(settings.encoding)
        bits = 8 * encoding.sample_bytes if encoding.is_integer else 0
    return before.model_copy(update={"encoding": encoding, "valid_bits": bits})


def needs_rounding(before: StreamInfo, after: StreamInfo, gain_db: float) -> bool:
    """Return whether samples land on an integer grid again, other than on its points."""
    coarser = not before.encoding.is_integer or after.valid_bits < before.valid_bits
    return after.encoding.is_integer and (gain_db != 0.0 or coarser)
