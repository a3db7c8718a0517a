"""The groups of entry points under which plug-ins are announced, one for each kind, and the check of their settings.

Loads no array library: whoever only lists plug-ins or reads a project file does not wait for one.
"""

from collections.abc import Mapping
from typing import Any, Final

from pydantic import ValidationError

from stager.model import Record
from stager.project.faults import setting_says

METERS: Final = "stager.meters"
CHECKS: Final = "stager.checks"
RULES: Final = "stager.rules"
STEPS: Final = "stager.steps"
GROUPS: Final = (METERS, CHECKS, RULES, STEPS)

Says = tuple[tuple[str | int, ...], str]
"""What is wrong with one setting: the path to it, and a sentence."""


class NoSettings(Record):
    """The settings of a plug-in that has none."""


def checked(model: type[Record], settings: Mapping[str, Any]) -> tuple[dict[str, Any], list[Says]]:
    """Return all settings as plain data with defaults filled in, and what is wrong with the given ones."""
    try:
        made = model.model_validate(dict(settings))
    except ValidationError as error:
        known = tuple(model.model_fields)
        return {}, [(tuple(details["loc"]), setting_says(details, known)) for details in error.errors()]
    return made.model_dump(mode="json"), []
