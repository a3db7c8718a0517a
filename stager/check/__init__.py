"""The set of stems as a whole: can it be sent, are doubles two performances, will the bus clip."""

from stager.check.examine import MOST_COMPARED, Wish, examine, state_of

__all__ = ["MOST_COMPARED", "Wish", "examine", "state_of"]
