"""The base classes of plug-ins: `Meter`, `Check`, `Rule`, `Step`, and the records that they take and return.

They are loaded when one is first used: listing plug-ins needs none of them, nor the array library that they build on.
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stager.plugins.groups import NoSettings
    from stager.plugins.kinds import AnySettings, Check, Meter, Rule, Samples, Step, Stream, Wanted

__all__ = ["AnySettings", "Check", "Meter", "NoSettings", "Rule", "Samples", "Step", "Stream", "Wanted"]


def __getattr__(name: str) -> Any:  # noqa: ANN401 - whatever the name is
    """Return a public name, loading the base classes when the first is used."""
    if name not in __all__:
        raise AttributeError(f"module 'stager.plugins' has no attribute {name!r}")
    module = "groups" if name == "NoSettings" else "kinds"
    found = getattr(importlib.import_module(f"stager.plugins.{module}"), name)
    globals()[name] = found
    return found
