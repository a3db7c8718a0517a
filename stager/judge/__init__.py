"""Pure functions from records to records: what a figure means, and what is to be done."""

from stager.judge.because import figure_name, moved
from stager.judge.damage import allowed, clipped, corrupt, over_ceiling, over_full_scale, silent
from stager.judge.hints import Hint, percussive_hint, second_role_hint
from stager.judge.trim import FigureAfter, decide_trim

__all__ = [
    "FigureAfter",
    "Hint",
    "allowed",
    "clipped",
    "corrupt",
    "decide_trim",
    "figure_name",
    "moved",
    "over_ceiling",
    "over_full_scale",
    "percussive_hint",
    "second_role_hint",
    "silent",
]
