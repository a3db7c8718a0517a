"""Frozen records that pass between rooms; `stager.model.runs` stands apart, since it alone needs numpy."""

from stager.model.base import Record
from stager.model.damage import FlatTop, Gap, Gaps
from stager.model.decision import OWN_RULES, DecidedBy, Reason, ReasonCode, Rule, Target, TrimDecision
from stager.model.finding import Finding, Verdict, worst
from stager.model.levels import ChannelLevels, Levels, Reference
from stager.model.limits import DamageLimits
from stager.model.plugin import PluginSource, PluginUse, StepStamp
from stager.model.sidecar import (
    Advice,
    ChunkLog,
    CopyInfo,
    Outcome,
    ProjectStamp,
    Refused,
    Sidecar,
    Staged,
    StagerStamp,
    read_sidecar,
)
from stager.model.stem import MAX_CHANNELS, Encoding, Fingerprint, SourceInfo, StemName, StreamInfo
from stager.model.words import ANY_WORDS, Words

__all__ = [
    "ANY_WORDS",
    "MAX_CHANNELS",
    "OWN_RULES",
    "Advice",
    "ChannelLevels",
    "ChunkLog",
    "CopyInfo",
    "DamageLimits",
    "DecidedBy",
    "Encoding",
    "Finding",
    "Fingerprint",
    "FlatTop",
    "Gap",
    "Gaps",
    "Levels",
    "Outcome",
    "PluginSource",
    "PluginUse",
    "ProjectStamp",
    "Reason",
    "ReasonCode",
    "Record",
    "Reference",
    "Refused",
    "Rule",
    "Sidecar",
    "SourceInfo",
    "Staged",
    "StagerStamp",
    "StemName",
    "StepStamp",
    "StreamInfo",
    "Target",
    "TrimDecision",
    "Verdict",
    "Words",
    "read_sidecar",
    "worst",
]
