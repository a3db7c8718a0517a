"""Gain-stages newly bounced stems: measures each, works out one clip-safe trim, writes trimmed copies with a log.

Nothing below is loaded before it is used. Full scale is 1.0, samples are float64 of (frames, channels), levels carry
their unit in their name (_dbfs, _dbtp, _lufs, _db), silence is None. Originals are only ever read.

    >>> import stager
    >>> stager.measure("voice.wav").levels.average_dbfs            # one file, no project needed
    >>> project = stager.load_project("lantern road")              # a folder with a stager.toml
    >>> for outcome in stager.stage(project): print(outcome.stem)  # copies and sidecars into the outbox

Functions
    measure(path, *, reference="sine")   levels, findings and input advice of a file, as a MeasuredFile
    load_project(path)                   a project file with its plug-ins, as a frozen Project
    stage(project, *, only=(), again=False, dry_run=False, jobs=None, on_outcome=None)
                                         stages the inbox once; a list of Staged and Refused
    check(project)                       the set as a whole, as a SetReport; writes nothing
    verify(project)                      yields a Verified for each copy: do they differ in level alone?
    read_sidecar(text)                   the JSON beside a copy, as a Sidecar

Records (frozen)
    MeasuredFile, Levels, ChannelLevels, Finding, Verdict, Advice, SourceInfo, Sidecar, TrimDecision, Target,
    CopyInfo, Staged, Refused, SetReport, SetFinding, Verified, Project

Errors
    StagerError                          the root of all that is raised on purpose
        StemError                        one stem can't be used; `code` is its refusal code
        ConfigError                      the project file or the call is wrong
        PlaceError                       a folder or disk is broken

Packages
    stager.meters                        published meters: feed blocks with update(), ask with result()
    stager.plugins                       Meter, Check, Rule, Step: base classes of your own plug-ins

CAUTION: copies can be louder than their originals. Turn monitors and headphones down before you first play them.
`stager explain WORD` explains every finding, refusal, project key and sidecar key.
"""

import importlib
import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final

from stager.system.version import VERSION

if TYPE_CHECKING:
    from stager import meters, plugins
    from stager.api import MeasuredFile, check, load_project, measure, stage, verify
    from stager.errors import ConfigError, PlaceError, StagerError, StemError
    from stager.model import (
        Advice,
        ChannelLevels,
        CopyInfo,
        Finding,
        Levels,
        Refused,
        Sidecar,
        SourceInfo,
        Staged,
        Target,
        TrimDecision,
        Verdict,
        read_sidecar,
    )
    from stager.model.check import SetReport
    from stager.model.handover import SetFinding
    from stager.project import Project
    from stager.verify import Verified

__all__ = [
    "Advice",
    "ChannelLevels",
    "ConfigError",
    "CopyInfo",
    "Finding",
    "Levels",
    "MeasuredFile",
    "PlaceError",
    "Project",
    "Refused",
    "SetFinding",
    "SetReport",
    "Sidecar",
    "SourceInfo",
    "Staged",
    "StagerError",
    "StemError",
    "Target",
    "TrimDecision",
    "Verdict",
    "Verified",
    "__version__",
    "check",
    "load_project",
    "measure",
    "meters",
    "plugins",
    "read_sidecar",
    "stage",
    "verify",
]

__version__: Final = VERSION

_PACKAGES: Final = frozenset({"meters", "plugins"})
_ERRORS: Final = frozenset({"ConfigError", "PlaceError", "StagerError", "StemError"})
_PLACES: Final = {
    **dict.fromkeys(_ERRORS, "stager.errors"),
    **dict.fromkeys(("MeasuredFile", "check", "load_project", "measure", "stage", "verify"), "stager.api"),
    "SetReport": "stager.model.check",
    "SetFinding": "stager.model.handover",
    "Project": "stager.project",
    "Verified": "stager.verify",
}
"""Where a name of `__all__` is defined; the others are in `stager.model`."""


def __getattr__(name: str) -> Any:  # noqa: ANN401 - whatever the name is
    """Return a public name, loading what it needs when it is first used."""
    if name not in __all__:
        raise AttributeError(f"module 'stager' has no attribute {name!r}")
    if name in _PACKAGES:
        return importlib.import_module(f"stager.{name}")
    found = getattr(importlib.import_module(_PLACES.get(name, "stager.model")), name)
    globals()[name] = found
    return found


class _Package(ModuleType):
    """This package; the import of its room `verify` does not replace the function of that name."""

    def __setattr__(self, name: str, value: object) -> None:
        """Set an attribute, but for a module under the name of a public function."""
        if not (name == "verify" and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
