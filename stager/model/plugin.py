"""A plug-in that a project uses: where its code comes from, its settings, its entry in a sidecar."""

from pydantic import Field, JsonValue

from stager.model.base import Record


class PluginSource(Record):
    """A plug-in that was found: its kind's entry-point group, its name, and where its code lies.

    `entry` is `module:Class` of an installed package, `file` the path of a Python file; one of them is empty. `own`
    says that it is this package's; only what is `own` and not `isolated` runs in our process. `origin` is for people,
    `codes` are those that a check's findings may have.
    """

    group: str
    name: str
    version: str
    origin: str
    entry: str = ""
    file: str = ""
    own: bool = False
    isolated: bool = True
    deterministic: bool = True
    codes: tuple[str, ...] = ()

    @property
    def kind(self) -> str:
        """Its kind in a word: meter, check, rule or step."""
        return self.group.removeprefix("stager.").removesuffix("s")


class PluginUse(Record):
    """A plug-in in force for the stems whose names match, with all its settings, those left out too."""

    source: PluginSource
    match: tuple[str, ...]
    settings: dict[str, JsonValue] = Field(default_factory=dict)

    def stamp(self) -> "StepStamp":
        """Return its entry in a sidecar."""
        return StepStamp(
            name=self.source.name, version=self.source.version, origin=self.source.origin, settings=self.settings
        )


class StepStamp(Record):
    """A step as it was applied to a copy."""

    name: str
    version: str
    origin: str
    settings: dict[str, JsonValue] = Field(default_factory=dict)
