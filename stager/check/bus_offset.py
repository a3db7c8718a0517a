"""The offset that the mix bus asks of all trims, from the stems as they are."""

from stager.bus import forecast
from stager.check.gather import gather, parts_of
from stager.judge import needed_offset_db
from stager.project import Project


def asked_offset_db(project: Project) -> float:
    """Give the offset that all trims should have for the bus to keep under its ceiling, 0 or less.

    Raises:
        PlaceError: where the inbox can't be looked through.
    """
    stems, _ = gather(project)
    bus, step_db = project.settings.bus, project.settings.target.step_db
    parts = list(parts_of(project, stems))
    found = forecast(parts, pan_law_db=bus.pan_law_db, ceiling_dbtp=bus.ceiling_dbtp, step_db=step_db)
    return needed_offset_db(found, project.bus_offset_db)
