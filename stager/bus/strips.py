"""One file of a sum, ready to be read from any frame on.

A file of the WAVE family is opened for each stretch and closed again, so that any number of files needs no open file
between two stretches. The others are decoded in order, held open between stretches; beyond `HELD_OPEN` of them each is
opened anew for every stretch, and decoded up to it.
"""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Final

from stager.bus.panning import Placement, placement
from stager.containers import AudioFile, open_audio, start_frames
from stager.containers.pcm import decode
from stager.containers.wave import WaveFile
from stager.errors import ChangedStem, StemError
from stager.meters import Samples
from stager.model import Fingerprint, StreamInfo
from stager.model.bus import LeftOut, Part
from stager.names import shown
from stager.stopping import check_stop
from stager.units import linear_from_db

HELD_OPEN: Final = 64
"""Files held open, two descriptors each: systems allow 256 and more."""
PIECE_SAMPLES: Final = 1 << 17
"""Samples read at a time."""


class PartLost(Exception):
    """A part can't be read, or not to its end; the sum is begun again without it."""

    def __init__(self, part: Part, error: StemError) -> None:
        super().__init__(str(error))
        self.part, self.error = part, error

    @property
    def left_out(self) -> LeftOut:
        """What is said of it."""
        return LeftOut(name=self.part.name, reason=self.error.code, says=str(self.error))


@dataclass(eq=False)
class Strip:
    """One part, its header read: it starts at frame `first` of the sum, multiplied by `factor`."""

    part: Part
    info: StreamInfo
    fingerprint: Fingerprint
    is_wave: bool
    factor: float
    first: int = 0
    held: bool = False
    _stack: ExitStack = field(default_factory=ExitStack, init=False)
    _blocks: Iterator[Samples] | None = field(default=None, init=False)
    _next: int = field(default=0, init=False)
    _rest: Samples | None = field(default=None, init=False)

    @property
    def end(self) -> int:
        """The frame of the sum behind its last."""
        return self.first + self.info.frames

    @cached_property
    def placement(self) -> Placement:
        """Its gains to left and right."""
        return placement(self.info, self.part.pan)

    def frames(self, start: int, stop: int) -> Iterator[tuple[int, Samples]]:
        """Give its samples in this stretch of the sum: (frame of the sum, block of (frames, channels)).

        Raises:
            PartLost: where it can't be read, or is no longer the file that it was.
            Stopped: where the process was told to stop.
        """
        start, stop = max(start, self.first), min(stop, self.end)
        if start >= stop:
            return
        with losing(self.part):
            read = self._wave_frames if self.is_wave else self._ordered_frames
            for at, block in read(start - self.first, stop - self.first):
                check_stop()
                yield at + self.first, block

    def close(self) -> None:
        """Let go of the file."""
        self._blocks = self._rest = None
        self._stack.close()

    def _wave_frames(self, start: int, stop: int) -> Iterator[tuple[int, Samples]]:
        """The frames from `start` to `stop` of a file that can be read from anywhere."""
        with self._opened() as file:
            assert isinstance(file, WaveFile)
            size = max(1, PIECE_SAMPLES // self.info.channels)
            for at in range(start, stop, size):
                count = min(size, stop - at)
                raw = file.read(file.audio_start + at * file.frame_bytes, count * file.frame_bytes)
                yield at, decode(raw, self.info)

    def _ordered_frames(self, start: int, stop: int) -> Iterator[tuple[int, Samples]]:
        """The same of one that is decoded from its beginning on."""
        if self._blocks is None or start < self._next:
            self._rewind()
        while self._next < stop:
            block = self._take(stop if self._next >= start else start)
            if self._next > start:
                yield self._next - len(block), block
        if not self.held:
            self.close()

    def _rewind(self) -> None:
        self.close()
        file = self._stack.enter_context(self._opened())
        self._blocks, self._next, self._rest = file.blocks(), 0, None

    def _take(self, stop: int) -> Samples:
        """The next block, not beyond `stop`."""
        assert self._blocks is not None
        block = self._rest if self._rest is not None else next(self._blocks)
        count = min(len(block), stop - self._next)
        self._rest = block[count:] if count < len(block) else None
        self._next += count
        return block[:count]

    @contextmanager
    def _opened(self) -> Iterator[AudioFile]:
        with open_audio(self.part.path, settle_s=0.0) as file:
            if file.fingerprint() != self.fingerprint:
                raise ChangedStem(f"{shown(self.part.name)}: it changed while the sum was made")
            yield file


@contextmanager
def losing(part: Part) -> Iterator[None]:
    """Turn what is wrong with one file into its absence from the sum.

    Raises:
        PartLost: for every StemError.
    """
    try:
        yield
    except StemError as error:
        raise PartLost(part, error) from error


def part_of(path: Path, name: str, *, gain_db: float = 0.0, pan: float = 0.0) -> Part:
    """Give a file as a part, with the time stamp of its header; an unreadable one has none, and is left out later."""
    part = Part(path=path, name=name, gain_db=gain_db, pan=pan)
    try:
        with losing(part), open_audio(path, settle_s=0.0) as file:
            return part.model_copy(update={"start_frames": start_frames(file)})
    except PartLost:
        return part


def strip_of(part: Part, polarity: float = 1.0) -> Strip:
    """Read a part's header.

    Raises:
        PartLost: where that can't be done.
    """
    with losing(part), open_audio(part.path, settle_s=0.0) as file:
        factor = polarity * linear_from_db(part.gain_db)
        return Strip(part, file.info, file.fingerprint(), isinstance(file, WaveFile), factor)
