"""Pure functions from records to records: what a figure means, and what is to be done."""

from stager.judge.advice import Aim, advise, no_advice_sentence
from stager.judge.because import figure_name, moved
from stager.judge.bus import needed_offset_db, with_bus_offset
from stager.judge.channels import channel_findings
from stager.judge.condition import condition_findings
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
from stager.judge.handover import first_lines, handover
from stager.judge.hints import Hint, percussive_hint, second_role_hint
from stager.judge.learning import learned
from stager.judge.links import LinkMember, LinkTrim, decide_link, link_incomplete, link_member, member_trim
from stager.judge.own_rule import decide_by_rule
from stager.judge.set_formats import padded_stem
from stager.judge.trim import FigureAfter, decide_trim

__all__ = [
    "Aim",
    "FigureAfter",
    "Hint",
    "LinkMember",
    "LinkTrim",
    "advise",
    "allowed",
    "channel_findings",
    "clipped",
    "clipped_below_overs",
    "condition_findings",
    "corrupt",
    "decide_by_rule",
    "decide_link",
    "decide_trim",
    "dropout",
    "figure_name",
    "first_lines",
    "handover",
    "inter_sample_over",
    "learned",
    "link_incomplete",
    "link_member",
    "member_trim",
    "moved",
    "needed_offset_db",
    "no_advice_sentence",
    "over_ceiling",
    "over_full_scale",
    "padded_stem",
    "percussive_hint",
    "second_role_hint",
    "silent",
    "with_bus_offset",
]
