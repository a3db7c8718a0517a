"""The set of stems as a whole: can it be sent, are doubles two performances, will the bus clip."""

from stager.songset.bus_offset import asked_offset_db
from stager.songset.examine import MOST_COMPARED, CheckOptions, examine, state_of

__all__ = ["MOST_COMPARED", "CheckOptions", "asked_offset_db", "examine", "state_of"]
