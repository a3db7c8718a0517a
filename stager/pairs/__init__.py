"""Stems compared by their sound: copies that pass for doubles, true doubles, and one take in two files."""

from stager.pairs.candidates import Candidate, candidates
from stager.pairs.comparing import compare
from stager.pairs.keeping import Kept
from stager.pairs.prints import SoundPrint, sound_print
from stager.pairs.whole_set import ComparedPair, ComparedSet, NamedStem, compare_set

__all__ = [
    "Candidate",
    "ComparedPair",
    "ComparedSet",
    "Kept",
    "NamedStem",
    "SoundPrint",
    "candidates",
    "compare",
    "compare_set",
    "sound_print",
]
