"""An open original: its bytes, its stream, its samples block by block."""

import os
from abc import ABC, abstractmethod
from bisect import bisect_right
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Protocol

from stager.containers.pcm import Samples
from stager.errors import ChangedStem, UnreadableStem
from stager.model import Fingerprint, StreamInfo
from stager.system.cancel import check_stop
from stager.system.files import fingerprint
from stager.system.printable import shown

BLOCK_SAMPLES: Final = 1 << 17
COPY_BYTES: Final = 1 << 20


class Digest(Protocol):
    """A running hash, as hashlib makes them."""

    def update(self, data: bytes, /) -> None:
        """Take in the next bytes."""


class KeptBytes:
    """The bytes of a file in the pieces it was read in, kept on their way into a digest, so that none is read again."""

    def __init__(self, digest: Digest) -> None:
        self._digest, self._length = digest, 0
        self._starts: list[int] = []
        self._pieces: list[bytes] = []

    def update(self, data: bytes, /) -> None:
        """Take in the next bytes."""
        self._digest.update(data)
        if data:
            self._starts.append(self._length)
            self._pieces.append(data)
            self._length += len(data)

    def read(self, start: int, count: int) -> bytes:
        """Return bytes of the file, fewer where it ends before them; a piece as it was read is not copied."""
        at = bisect_right(self._starts, start) - 1
        first = self._pieces[at]
        if start == self._starts[at] and count == len(first):
            return first
        found = first[start - self._starts[at] :][:count]
        while len(found) < count and at + 1 < len(self._pieces):
            at += 1
            found += self._pieces[at][: count - len(found)]
        return found


@dataclass(frozen=True)
class AudioFile(ABC):
    """An open file of audio; `info` is its stream, `file_bytes` its length. Made by `open_audio`.

    With `kept`, its bytes come from memory, as they were when it was read before.
    """

    path: Path
    descriptor: int
    info: StreamInfo
    file_bytes: int
    kept: KeptBytes | None = field(default=None, kw_only=True, repr=False, compare=False)

    @property
    @abstractmethod
    def unfinished(self) -> str | None:
        """Why header and length disagree, or None where the file is whole."""

    @property
    @abstractmethod
    def promised_s(self) -> float | None:
        """How many seconds the header promises, where it says."""

    @property
    def may_be_kept(self) -> bool:
        """Whether its samples can come from bytes in memory."""
        return False

    @abstractmethod
    def blocks(self, digest: Digest | None = None) -> Iterator[Samples]:
        """Yield the samples in order, (frames, channels) float64, at most `BLOCK_SAMPLES` samples a block.

        With a digest, every byte of the file passes through it in order, those around the samples too.

        Raises:
            ChangedStem: where the file turns out shorter than it was when it was opened.
            Stopped: where the process was told to stop.
        """

    @abstractmethod
    def stretch(self, start: int, stop: int) -> Iterator[Samples]:
        """Yield the frames from `start` up to `stop`, which lie inside the file, in order, in blocks as `blocks` does.

        Raises:
            ChangedStem, TruncatedStem: where the file turns out shorter.
            Stopped: where the process was told to stop.
        """

    def fingerprint(self) -> Fingerprint:
        """Ask the system what this open file is now."""
        return fingerprint(os.fstat(self.descriptor))

    def read(self, start: int, count: int) -> bytes:
        """Read exactly `count` bytes.

        Raises:
            ChangedStem: where they are not there.
        """
        raw = self.kept.read(start, count) if self.kept else self._read(start, count)
        if len(raw) != count:
            name = shown(self.path.name)
            raise ChangedStem(name, f"expected {count} bytes at {start}, and the file ends before them")
        return raw

    def _read(self, start: int, count: int) -> bytes:
        with reading(self.path):
            raw = os.pread(self.descriptor, count, start)
            while raw and len(raw) < count:
                more = os.pread(self.descriptor, count - len(raw), start + len(raw))
                raw = raw + more if more else b""
        return raw

    def raw(self, start: int, end: int) -> Iterator[bytes]:
        """Yield the bytes from `start` up to `end` in portions."""
        for position in range(start, end, COPY_BYTES):
            check_stop()
            yield self.read(position, min(COPY_BYTES, end - position))

    def digest_stretch(self, digest: Digest | None, start: int, end: int) -> None:
        """Pass the bytes of a stretch through a digest, where there is one."""
        if digest:
            for portion in self.raw(start, end):
                digest.update(portion)


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Translate what the system says while a stem is opened or read into one sentence about that stem.

    Raises:
        UnreadableStem: for every OSError.
    """
    try:
        yield
    except PermissionError as error:
        raise UnreadableStem(shown(path.name), "expected a readable file, found no permission to read it") from error
    except FileNotFoundError as error:
        raise UnreadableStem(shown(path.name), "expected a file, found nothing under this name") from error
    except OSError as error:
        raise UnreadableStem(shown(path.name), f"the system can't read it: {error.strerror}") from error


def fingerprint_of(path: Path) -> Fingerprint:
    """Return the fingerprint of the file that has this name now.

    Raises:
        UnreadableStem: where nothing can be asked.
    """
    with reading(path):
        return fingerprint(path.stat())
