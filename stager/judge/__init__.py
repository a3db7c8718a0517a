"""Pure functions from measured figures to findings, verdicts, trims and advice."""

from stager.judge.advice import Aim, advise, no_advice_sentence, without_a_raise
from stager.judge.because import figure_name, moved, reason, with_reasons
from stager.judge.bus import needed_offset_db, with_bus_offset
from stager.judge.channels import balance_words, channel_findings
from stager.judge.condition import condition_findings
from stager.judge.crest_piles import clipped_before_coding
from stager.judge.damage import (
    allowed,
    clipped,
    clipped_below_overs,
    corrupt,
    dropout,
    inter_sample_over,
    nothing_recorded,
    over_full_scale,
    silent,
)
from stager.judge.handover import first_lines, handover
from stager.judge.hints import Hint, percussive_hint, second_role_hint
from stager.judge.links import (
    LinkMember,
    LinkTrim,
    decide_link,
    link_incomplete,
    link_member,
    member_trim,
    stored_link_trim,
)
from stager.judge.own_rule import decide_by_rule, rule_not_used
from stager.judge.set_formats import padded_stem
from stager.judge.take_comparison import compare_takes
from stager.judge.trim import FigureAfter, decide_trim
from stager.judge.trim_findings import out_of_reach, over_ceiling

__all__ = [
    "Aim",
    "FigureAfter",
    "Hint",
    "LinkMember",
    "LinkTrim",
    "advise",
    "allowed",
    "balance_words",
    "channel_findings",
    "clipped",
    "clipped_before_coding",
    "clipped_below_overs",
    "compare_takes",
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
    "link_incomplete",
    "link_member",
    "member_trim",
    "moved",
    "needed_offset_db",
    "no_advice_sentence",
    "nothing_recorded",
    "out_of_reach",
    "over_ceiling",
    "over_full_scale",
    "padded_stem",
    "percussive_hint",
    "reason",
    "rule_not_used",
    "second_role_hint",
    "silent",
    "stored_link_trim",
    "with_bus_offset",
    "with_reasons",
    "without_a_raise",
]
