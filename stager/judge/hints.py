"""Hints about the project file, each given once: what a person would do well to set there. Pure."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from stager.model import Levels, TrimDecision
from stager.units import SINE_CREST_DB

PERCUSSIVE_CREST_DB: Final = 18.0
"""Sample peak over the average, in mathematical RMS, above which the average says little about a part (common practice,
no source)."""


@dataclass(frozen=True)
class Hint:
    """A sentence for the person; `once` is the key by which a project gives it one time only."""

    once: str
    says: str


def percussive_hint(stem: str, levels: Levels, trim: TrimDecision) -> Hint | None:
    """Return the hint that a struck part, brought to an average, needs a role with a peak target; None elsewhere."""
    if trim.target.rule != "average" or levels.average_dbfs is None or levels.sample_peak_dbfs is None:
        return None
    rms_dbfs = levels.average_dbfs - (SINE_CREST_DB if levels.average_reference == "sine" else 0.0)
    crest_db = levels.sample_peak_dbfs - rms_dbfs
    if crest_db <= PERCUSSIVE_CREST_DB:
        return None
    percussive = f"{stem} is percussive: its peaks stand {crest_db:.0f} dB over its RMS while it plays"
    lines = f'match = [{json.dumps(stem, ensure_ascii=False)}] and target = {{ rule = "peak", level_db = -10.0 }}'
    says = f"{percussive}, so a peak target suits it. Add a [[role]] with {lines}"
    return Hint("percussive", says)


def second_role_hint(stem: str, roles: Sequence[str]) -> Hint | None:
    """Return the hint that more than one role matches a stem, and which one counts; None where at most one does."""
    if len(roles) < 2:
        return None
    says = f'{stem} has the role "{roles[0]}"; "{roles[1]}" matches too, and the first in the file wins'
    return Hint(f"roles of {stem}", says)
