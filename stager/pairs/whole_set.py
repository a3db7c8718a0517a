"""A whole set of stems: every print taken, the likely pairs chosen, and each of them compared, on several threads."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from stager.judge.pairs import Pair
from stager.pairs.candidates import Candidate, candidates
from stager.pairs.comparing import compare
from stager.pairs.keeping import Kept
from stager.pairs.prints import SoundPrint, sound_print


@dataclass(frozen=True)
class NamedStem:
    """A stem of the set: its file, its name as findings give it, and its role, where it has one."""

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
    """All compared pairs, the surest candidates first, and how many likely ones were left out."""

    pairs: tuple[ComparedPair, ...]
    left_out: int


def compare_set(
    stems: Sequence[NamedStem], *, jobs: int = 2, settle_s: float = 0.0, kept: Kept | None = None
) -> ComparedSet:
    """Compare the stems of a set that by name, role or sound may be a pair. Reads only.

    `kept` has what earlier comparisons told; what this one tells is added to it.

    Raises:
        StemError: where a stem can't be read as a whole: hand over only those that can.
        Stopped: where the process was told to stop.
    """
    known = kept or Kept()

    def printed(stem: NamedStem) -> SoundPrint:
        return known.print_of(stem.path, lambda: sound_print(stem.path, settle_s=settle_s))

    with ThreadPoolExecutor(max_workers=max(1, jobs)) as pool:
        prints = list(pool.map(printed, stems))
        chosen, left_out = candidates(prints, [stem.name for stem in stems], [stem.role for stem in stems])

        def compared(candidate: Candidate) -> ComparedPair:
            one, other = stems[candidate.one], stems[candidate.other]
            both = prints[candidate.one], prints[candidate.other]
            told = known.likeness_of(
                one.path, other.path, lambda: compare(one.path, other.path, prints=both, settle_s=settle_s)
            )
            return ComparedPair(Pair((one.name, other.name), told), candidate)

        return ComparedSet(tuple(pool.map(compared, chosen)), left_out)
