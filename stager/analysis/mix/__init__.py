"""Finished mixes: measured, coded and decoded, held against delivery targets, and judged; never changed."""

from stager.analysis.mix.examine import examine_mix

__all__ = ["examine_mix"]
