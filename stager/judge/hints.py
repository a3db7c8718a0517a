"""Things worth saying once a project, not once a stem. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from stager.model import Levels, TrimDecision
from stager.units import SINE_CREST_DB

PERCUSSIVE_CREST_DB: Final = 18.0
"""Peak over RMS, while a part plays, above which its average says little about it (common practice, no source)."""


@dataclass(frozen=True)
class Hint:
    """A sentence, and the key under which it counts as said."""

    once: str
    says: str


def percussive_hint(stem: str, levels: Levels, trim: TrimDecision) -> Hint | None:
    """Say where a struck part is brought to an average: a target by peak would suit it."""
    if trim.target.rule != "average" or levels.average_dbfs is None or levels.sample_peak_dbfs is None:
        return None
    rms_dbfs = levels.average_dbfs - (SINE_CREST_DB if levels.average_reference == "sine" else 0.0)
    crest_db = levels.sample_peak_dbfs - rms_dbfs
    if crest_db <= PERCUSSIVE_CREST_DB:
        return None
    says = f"the peaks of {stem} stand {crest_db:.0f} dB over its RMS: percussive, a role by peak would suit"
    return Hint("percussive", says)


def second_role_hint(stem: str, roles: Sequence[str]) -> Hint | None:
    """Say where more than one role matches a stem."""
    if len(roles) < 2:
        return None
    says = f'{stem} has the role "{roles[0]}"; "{roles[1]}" matches too, and the first in the file wins'
    return Hint(f"roles of {stem}", says)
