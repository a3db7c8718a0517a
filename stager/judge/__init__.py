"""Pure functions from records to records: what a figure means, and what is to be done."""

from stager.judge.because import figure_name, moved
from stager.judge.damage import (
    allowed,
    clipped,
    clipped_below_overs,
    corrupt,
    dropout,
    inter_sample_over,
    over_ceiling,
    over_full_scale,
    silent,
)
from stager.judge.hints import Hint, percussive_hint, second_role_hint
from stager.judge.trim import FigureAfter, decide_trim

__all__ = [
    "FigureAfter",
    "Hint",
    "allowed",
    "clipped",
    "clipped_below_overs",
    "corrupt",
    "decide_trim",
    "dropout",
    "figure_name",
    "inter_sample_over",
    "moved",
    "over_ceiling",
    "over_full_scale",
    "percussive_hint",
    "second_role_hint",
    "silent",
]
