"""Compares a whole set of stems: fingerprints of all, then the likely pairs, on several threads."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from stager.judge.pairs import Pair
from stager.songset.pairs.cache import ComparisonCache
from stager.songset.pairs.candidates import Candidate, candidates
from stager.songset.pairs.comparing import compare
from stager.songset.pairs.fingerprints import AudioFingerprint, audio_fingerprint


@dataclass(frozen=True)
class NamedStem:
    """A stem of the set: its file, its name as in findings, and its role, where it has one."""

    path: Path
    name: str
    role: str | None = None


@dataclass(frozen=True)
class ComparedPair:
    """A compared pair, and why it was compared."""

    pair: Pair
    candidate: Candidate


@dataclass(frozen=True)
class ComparedSet:
    """All compared pairs, the surest candidates first, and the number of likely ones left out."""

    pairs: tuple[ComparedPair, ...]
    left_out: int


def compare_set(
    stems: Sequence[NamedStem], *, jobs: int = 2, settle_s: float = 0.0, cache: ComparisonCache | None = None
) -> ComparedSet:
    """Compare the stems of a set that by name, role or sound may be a pair. Reads only.

    `cache` has the results of earlier comparisons; this one's are added to it.

    Raises:
        StemError: where a stem can't be read as a whole: hand over only those that can.
        Stopped: where the process was told to stop.
    """
    known = cache or ComparisonCache()

    def fingerprinted(stem: NamedStem) -> AudioFingerprint:
        return known.audio_fingerprint_of(stem.path, lambda: audio_fingerprint(stem.path, settle_s=settle_s))

    with ThreadPoolExecutor(max_workers=max(1, jobs)) as pool:
        fingerprints = list(pool.map(fingerprinted, stems))
        chosen, left_out = candidates(fingerprints, [stem.name for stem in stems], [stem.role for stem in stems])

        def compared(candidate: Candidate) -> ComparedPair:
            one, other = stems[candidate.one], stems[candidate.other]
            both = fingerprints[candidate.one], fingerprints[candidate.other]
            likeness = known.likeness_of(
                one.path, other.path, lambda: compare(one.path, other.path, fingerprints=both, settle_s=settle_s)
            )
            return ComparedPair(Pair((one.name, other.name), likeness), candidate)

        return ComparedSet(tuple(pool.map(compared, chosen)), left_out)
