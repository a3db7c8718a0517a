"""What the page shows besides outcomes: the check of the set, the last takes, the overviews. No lock, no audio.

A file that is missing, damaged, or from another version is left out, and the page says so.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from stager.model import Record
from stager.model.bus import Pairs
from stager.model.check import SetReport
from stager.model.takes import TakeOutcome
from stager.project import Project
from stager.staging.ledger import LEDGER, read_entries
from stager.staging.publish import OVERVIEWS, overview_name
from stager.staging.taken_out import TakenOut, taken_out
from stager.system.files import read_whole

CHECK_NAME: Final = "check.json"
TAKES_NAME: Final = "takes.json"
UNCHECKED: Final = (
    "The set was not checked as a whole yet. A watch does it once the stems rest; "
    "the command stager check tells it at once."
)


class Overview(Record):
    """A stem's picture: smallest and largest sample, full scale 1.0, of each stretch of `stretch_frames` frames."""

    stretch_frames: int
    channels: tuple[Pairs, ...]


class _TakesFile(Record):
    takes: tuple[TakeOutcome, ...]


@dataclass(frozen=True)
class Sources:
    """All of them: `check_says` is why a check is missing, or what to know of it, and empty where it is up to date."""

    check: SetReport | None
    check_says: str
    takes: tuple[TakeOutcome, ...]
    overviews: dict[str, Overview]
    taken_out: tuple[TakenOut, ...] = ()


def read_sources(project: Project, state: str | None, most_takes: int, check: SetReport | None = None) -> Sources:
    """Read them from the project's own folder; `state` is the digest of the stems now, as in a check, None: not known.

    `check` is one made just now, in place of the last one.

    Raises:
        PlaceError: where the ledger can't be read.
    """
    found, says = (check, "") if check else read_check(project.state / CHECK_NAME, state)
    takes = read_takes(project.state / TAKES_NAME, most_takes)
    return Sources(found, says, takes, read_overviews(project), taken_out(project))


def read_check(place: Path, state: str | None) -> tuple[SetReport | None, str]:
    """Return the last check of the set, and a sentence where there is none or it is out of date."""
    text = read_whole(place)
    if text is None:
        return None, UNCHECKED
    try:
        check = SetReport.model_validate_json(text, extra="ignore")
    except ValueError:
        return None, "The check of the set can't be read; it may be from another version."
    if state is None:
        return check, "The stems can't be looked at now: what is said of the set may be out of date."
    if state != check.of:
        return check, "Stems or settings changed since the set was checked: what is said of it may be out of date."
    return check, ""


def read_takes(place: Path, most: int) -> tuple[TakeOutcome, ...]:
    """Return the last takes, newest first; nothing where none were judged."""
    try:
        found = _TakesFile.model_validate_json(read_whole(place) or b"", extra="ignore").takes
    except ValueError:
        return ()
    return tuple(reversed(found[-most:]))


def read_overviews(project: Project) -> dict[str, Overview]:
    """Return the picture of every stem that has one, by stem."""
    folder = project.state / OVERVIEWS
    found = {entry.stem: _overview(folder / overview_name(entry.key)) for entry in read_entries(project.state / LEDGER)}
    return {stem: overview for stem, overview in found.items() if overview}


def _overview(place: Path) -> Overview | None:
    try:
        return Overview.model_validate_json(read_whole(place) or b"", extra="ignore")
    except ValueError:
        return None
