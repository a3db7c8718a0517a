"""Compares stems by their sound: copies, parts played twice, and one take in two files."""

from stager.songset.pairs.cache import ComparisonCache
from stager.songset.pairs.candidates import Candidate, candidates
from stager.songset.pairs.comparing import compare
from stager.songset.pairs.fingerprints import AudioFingerprint, audio_fingerprint
from stager.songset.pairs.whole_set import ComparedPair, ComparedSet, NamedStem, compare_set

__all__ = [
    "AudioFingerprint",
    "Candidate",
    "ComparedPair",
    "ComparedSet",
    "ComparisonCache",
    "NamedStem",
    "audio_fingerprint",
    "candidates",
    "compare",
    "compare_set",
]
