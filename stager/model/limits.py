"""Every threshold of a finding about one stem or take; a role in the project file may set any of them by name."""

from stager.model.condition_limits import ConditionLimits
from stager.model.damage_limits import DamageLimits


class Limits(DamageLimits, ConditionLimits):
    """All of them, each with its default, unit and source in its description."""
