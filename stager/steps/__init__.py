"""Plug-ins: what one is made of. Everything here is light, so that a plug-in's worker process starts quickly."""

from stager.steps.kinds import AnySettings, Check, Meter, NoSettings, Rule, Samples, Step, Stream, Wanted

__all__ = ["AnySettings", "Check", "Meter", "NoSettings", "Rule", "Samples", "Step", "Stream", "Wanted"]
