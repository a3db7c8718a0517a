"""One file of a sum, ready to be read from any frame on.

It is opened for each stretch and closed again, so that any number of files needs no open file between two stretches.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from stager.containers import AudioFile, open_audio, start_frames
from stager.errors import ChangedStem, StemError, internal_errors
from stager.meters import Samples
from stager.model import Fingerprint, StreamInfo
from stager.model.bus import LeftOut, Part
from stager.songset.bus.panning import Placement, placement
from stager.system.printable import shown
from stager.units import linear_from_db


class PartLost(Exception):
    """A part can't be read, or not to its end; the sum is begun again without it."""

    def __init__(self, part: Part, error: StemError) -> None:
        super().__init__(str(error))
        self.part, self.error = part, error

    @property
    def left_out(self) -> LeftOut:
        """The record of its absence from the sum."""
        return LeftOut(name=self.part.name, reason=self.error.code, says=str(self.error))


@dataclass(eq=False)
class MixChannel:
    """One part, its header read: it starts at frame `first` of the sum, multiplied by `factor`."""

    part: Part
    info: StreamInfo
    fingerprint: Fingerprint
    factor: float
    first: int = 0

    @property
    def end(self) -> int:
        """The frame of the sum behind its last."""
        return self.first + self.info.frames

    @cached_property
    def placement(self) -> Placement:
        """Its gains to left and right."""
        return placement(self.info, self.part.pan)

    def frames(self, start: int, stop: int) -> Iterator[tuple[int, Samples]]:
        """Yield its samples in this stretch of the sum: (frame of the sum, block of (frames, channels)).

        Raises:
            PartLost: where it can't be read, or is no longer the file that it was.
            Stopped: where the process was told to stop.
        """
        start, stop = max(start, self.first), min(stop, self.end)
        if start >= stop:
            return
        with losing(self.part), self._opened() as file:
            at = start
            for block in file.stretch(start - self.first, stop - self.first):
                yield at, block
                at += len(block)

    @contextmanager
    def _opened(self) -> Iterator[AudioFile]:
        with open_audio(self.part.path, settle_s=0.0) as file:
            if file.fingerprint() != self.fingerprint:
                raise ChangedStem(shown(self.part.name), "it changed while the sum was made")
            yield file


@contextmanager
def losing(part: Part) -> Iterator[None]:
    """Turn an error of one file into its absence from the sum.

    Raises:
        PartLost: for every StemError, and for every unexpected error.
    """
    try:
        with internal_errors(part.name, PartLost):
            yield
    except StemError as error:
        raise PartLost(part, error) from error


def part_of(path: Path, name: str, *, gain_db: float = 0.0, pan: float = 0.0) -> Part:
    """Return a file as a part with its header's time stamp; an unreadable file has none, and is left out later."""
    part = Part(path=path, name=name, gain_db=gain_db, pan=pan)
    try:
        with losing(part), open_audio(path, settle_s=0.0) as file:
            return part.model_copy(update={"start_frames": start_frames(file)})
    except PartLost:
        return part


def mix_channel_of(part: Part, polarity: float = 1.0) -> MixChannel:
    """Read a part's header.

    Raises:
        PartLost: where that can't be done.
    """
    with losing(part), open_audio(part.path, settle_s=0.0) as file:
        factor = polarity * linear_from_db(part.gain_db)
        return MixChannel(part, file.info, file.fingerprint(), factor)
