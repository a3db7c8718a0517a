"""The offset of all trims that keeps the mix bus under its ceiling, from the stems as they are.

Stems under the rule `leave`, such as a click, don't move with the others, so they don't count here.
"""

from stager.judge import needed_offset_db
from stager.model import DecidedBy
from stager.project import Project
from stager.songset.bus import forecast
from stager.songset.gather import Gathered, gather, parts_of


def asked_offset_db(project: Project) -> float:
    """Return the offset that all trims should have for the bus to keep under its ceiling, 0 or less.

    Raises:
        PlaceError: where the inbox can't be looked through.
    """
    return offset_db_of(project, gather(project)[0])


def offset_db_of(project: Project, stems: list[Gathered]) -> float:
    """Return the same for stems that were gathered already."""
    bus, step_db = project.settings.bus, project.settings.target.step_db
    moving = [stem for stem in stems if stem.sidecar.trim.decided_by is not DecidedBy.LEAVE]
    parts = list(parts_of(project, moving))
    found = forecast(parts, pan_law_db=bus.pan_law_db, ceiling_dbtp=bus.ceiling_dbtp, step_db=step_db)
    return needed_offset_db(found, project.bus_offset_db)
