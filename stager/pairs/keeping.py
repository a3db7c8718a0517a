"""What earlier examinations of the same files told, kept in memory: a stem that was bounced anew costs its own print.

Everything is kept under a file's path and what the system says the file is, so that a changed file is never taken for
its former self. What was not asked for the longest goes first once there is too much.
"""

from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from threading import Lock
from typing import Final, Generic, TypeVar

from stager.containers import fingerprint_of
from stager.model import Fingerprint
from stager.model.pairs import PairLikeness
from stager.pairs.prints import SoundPrint

MOST_PRINT_BYTES: Final = 64_000_000
"""Bytes of prints that are kept (own figure: a thousand stems of four minutes)."""
MOST_PAIRS: Final = 5_000
"""Compared pairs that are kept, about a kilobyte each (own figure)."""
FileKey = tuple[Path, Fingerprint]
K = TypeVar("K")
V = TypeVar("V")


class Kept:
    """Prints and compared pairs of any number of projects; used by several threads at once."""

    def __init__(self, *, most_print_bytes: int = MOST_PRINT_BYTES, most_pairs: int = MOST_PAIRS) -> None:
        self._prints = _Recent[FileKey, SoundPrint](most_print_bytes, lambda print_: print_.steps.nbytes)
        self._pairs = _Recent[tuple[FileKey, FileKey], PairLikeness](most_pairs, lambda _: 1)

    def print_of(self, path: Path, take: Callable[[], SoundPrint]) -> SoundPrint:
        """Give a file's print, taken anew where the file changed.

        Raises:
            StemError: what `take` raises.
        """
        return self._prints.value(lambda: _key(path), take)

    def likeness_of(self, one: Path, other: Path, compare: Callable[[], PairLikeness]) -> PairLikeness:
        """Give what comparing two files told, compared anew where either changed.

        Raises:
            StemError: what `compare` raises.
        """
        return self._pairs.value(lambda: (_key(one), _key(other)), compare)


class _Recent(Generic[K, V]):
    """The values asked for last, up to a total size."""

    def __init__(self, most: int, size: Callable[[V], int]) -> None:
        self._most, self._size, self._total = most, size, 0
        self._values: OrderedDict[K, V] = OrderedDict()
        self._lock = Lock()

    def value(self, key: Callable[[], K], make: Callable[[], V]) -> V:
        """Give a value, made where none is kept; one whose file changed while it was made is given and not kept."""
        before = key()
        with self._lock:
            if before in self._values:
                self._values.move_to_end(before)
                return self._values[before]
        made = make()
        if key() == before:
            self._keep(before, made)
        return made

    def _keep(self, key: K, value: V) -> None:
        with self._lock:
            if key not in self._values:
                self._values[key] = value
                self._total += self._size(value)
            while self._total > self._most:
                _, gone = self._values.popitem(last=False)
                self._total -= self._size(gone)


def _key(path: Path) -> FileKey:
    return path, fingerprint_of(path)
