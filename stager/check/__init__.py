"""The set of stems as a whole: can it be sent, are doubles two performances, will the bus clip."""

from stager.check.bus_offset import asked_offset_db
from stager.check.examine import MOST_COMPARED, Wish, examine, state_of

__all__ = ["MOST_COMPARED", "Wish", "asked_offset_db", "examine", "state_of"]
