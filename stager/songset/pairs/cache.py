"""Fingerprints and comparisons of earlier checks, cached in memory: a re-bounced stem costs only its own.

The key is a file's path with its device, number, size and times, so a changed file is never taken for its former self.
The least recently used entries go first.
"""

from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from threading import Lock
from typing import Final, Generic, TypeVar

from stager.containers import fingerprint_of
from stager.model import Fingerprint
from stager.model.pairs import PairLikeness
from stager.songset.pairs.fingerprints import AudioFingerprint

MOST_FINGERPRINT_BYTES: Final = 64_000_000
"""Bytes of fingerprints that are cached (own figure: a thousand stems of four minutes)."""
MOST_PAIRS: Final = 5_000
"""Compared pairs that are cached, about a kilobyte each (own figure)."""
FileKey = tuple[Path, Fingerprint]
K = TypeVar("K")
V = TypeVar("V")


class ComparisonCache:
    """Fingerprints and compared pairs of any number of projects; used by several threads at once."""

    def __init__(self, *, most_fingerprint_bytes: int = MOST_FINGERPRINT_BYTES, most_pairs: int = MOST_PAIRS) -> None:
        self._fingerprints = _Recent[FileKey, AudioFingerprint](
            most_fingerprint_bytes, lambda fingerprint: fingerprint.steps.nbytes
        )
        self._pairs = _Recent[tuple[FileKey, FileKey], PairLikeness](most_pairs, lambda _: 1)

    def audio_fingerprint_of(self, path: Path, take: Callable[[], AudioFingerprint]) -> AudioFingerprint:
        """Return a file's fingerprint, taken anew where the file changed.

        Raises:
            StemError: what `take` raises.
        """
        return self._fingerprints.value(lambda: _key(path), take)

    def likeness_of(self, one: Path, other: Path, compare: Callable[[], PairLikeness]) -> PairLikeness:
        """Return the likeness of two files, compared anew where either changed.

        Raises:
            StemError: what `compare` raises.
        """
        return self._pairs.value(lambda: (_key(one), _key(other)), compare)


class _Recent(Generic[K, V]):
    """The most recently used values, up to a total size."""

    def __init__(self, most: int, size: Callable[[V], int]) -> None:
        self._most, self._size, self._total = most, size, 0
        self._values: OrderedDict[K, V] = OrderedDict()
        self._lock = Lock()

    def value(self, key: Callable[[], K], make: Callable[[], V]) -> V:
        """Return a value, made where none is cached; one whose file changed meanwhile is returned but not cached."""
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
