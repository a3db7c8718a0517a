"""What is kept between examinations: as long as the file is the same, up to a bound, and never longer."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from stager.errors import UnreadableStem
from stager.model.pairs import PairLikeness
from stager.songset.pairs.cache import ComparisonCache
from stager.songset.pairs.fingerprints import AudioFingerprint
from tests.support.folders import written


def audio_fingerprint_of(size: int = 100) -> AudioFingerprint:
    return AudioFingerprint(np.zeros((size, 5), np.uint8), size / 50, 1)


class Counting:
    """Makes a value and counts how often."""

    def __init__(self, make: Callable[[], AudioFingerprint] = audio_fingerprint_of) -> None:
        self.count, self._make = 0, make

    def __call__(self) -> AudioFingerprint:
        self.count += 1
        return self._make()


def test_a_print_is_taken_once(tmp_path: Path) -> None:
    """Asked twice for the same file, it is taken once; a file that changed is asked for anew."""
    path, kept, take = written(tmp_path / "a.wav", b"one"), ComparisonCache(), Counting()
    assert kept.audio_fingerprint_of(path, take) is kept.audio_fingerprint_of(path, take)
    assert take.count == 1
    written(path, b"other bytes")
    kept.audio_fingerprint_of(path, take)
    assert take.count == 2


def test_a_file_that_changes_meanwhile_is_not_kept(tmp_path: Path) -> None:
    """What was read of a file that is another one at the end belongs to neither."""
    path, kept = written(tmp_path / "a.wav", b"one"), ComparisonCache()

    def changing() -> AudioFingerprint:
        written(path, b"longer than before")
        return audio_fingerprint_of()

    kept.audio_fingerprint_of(path, changing)
    take = Counting()
    kept.audio_fingerprint_of(path, take)
    assert take.count == 1


def test_the_oldest_go_first(tmp_path: Path) -> None:
    """Room for two fingerprints: the third lets go of the one that was not asked for the longest."""
    paths = [written(tmp_path / name, name.encode()) for name in "abc"]
    kept, takes = ComparisonCache(most_fingerprint_bytes=1_000), [Counting() for _ in paths]
    for which in (0, 1, 0, 2, 0, 1):
        kept.audio_fingerprint_of(paths[which], takes[which])
    assert [take.count for take in takes] == [1, 2, 1]


def test_a_print_larger_than_all_room_is_given_and_let_go(tmp_path: Path) -> None:
    """The bound holds whatever is asked."""
    path, kept, take = written(tmp_path / "a", b"a"), ComparisonCache(most_fingerprint_bytes=100), Counting()
    for _ in range(2):
        assert kept.audio_fingerprint_of(path, take).duration_s == 2.0
    assert take.count == 2


def test_pairs_are_kept_by_both_files(tmp_path: Path) -> None:
    """Either file changing makes the pair new; the order of the two counts."""
    one, other = (written(tmp_path / name, name.encode()) for name in "ab")
    kept, asked = ComparisonCache(), list[int]()

    def compare() -> PairLikeness:
        asked.append(1)
        return PairLikeness(windows=len(asked))

    assert kept.likeness_of(one, other, compare) == kept.likeness_of(one, other, compare)
    written(other, b"changed")
    assert kept.likeness_of(one, other, compare).windows == 2
    assert kept.likeness_of(other, one, compare).windows == 3


def test_a_file_that_is_gone_is_said(tmp_path: Path) -> None:
    """No file, no fingerprint, and nothing made up."""
    with pytest.raises(UnreadableStem):
        ComparisonCache().audio_fingerprint_of(tmp_path / "nothing", audio_fingerprint_of)
