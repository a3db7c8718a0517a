"""Every table and key of a project file, as frozen records with the default of each key.

The descriptions go into the JSON Schema, where an editor shows them beside the key.
"""

from math import isfinite
from typing import Annotated, Final, Literal, get_args

from pydantic import AfterValidator, ConfigDict, Field, WithJsonSchema

from stager.model import ANY_WORDS, Record, Target
from stager.model.limits import Limits
from stager.model.words import word_of, word_schema
from stager.project.copy_name import checked_name

FindingCode = Literal[
    "clipped",
    "clipped_upstream",
    "clipped_before_coding",
    "over_full_scale",
    "inter_sample_over",
    "dropout",
    "corrupt",
    "nothing_recorded",
    "silent",
    "out_of_reach",
    "noise_raised",
    "hum",
    "dc_offset",
    "over_ceiling",
    "dual_mono",
    "one_sided",
    "side_imbalance",
    "polarity_flipped",
    "mono_loss",
    "delay",
    "double_is_copy",
    "rate_differs",
    "depth_differs",
    "start_differs",
    "length_differs",
    "padded_bits",
    "same_peak_everywhere",
    "name_unclear",
    "rule_not_used",
    "check_failed",
    "link_incomplete",
]
"""Built-in finding codes; `allow` may also name those of the checks in force."""

_OWN_CODES: Final[tuple[str, ...]] = get_args(FindingCode)

AUDIO_PATTERNS: Final = ("*.wav", "*.w64", "*.rf64", "*.bw64", "*.aif", "*.aiff", "*.caf", "*.flac")
"""What counts as a stem where `include` is not given."""


WHOLE_NUMBER_BITS: Final = 64
"""Whole numbers of TOML 1.0 have 64 bits with their sign."""


def _checked_folder(text: str) -> str:
    """Return the folder, or raise for control characters and `~`: a project file means the same for every user."""
    if any(letter in "\t\b\n\r\f\x1b" for letter in text):
        raise ValueError("a folder; a path with backslashes goes in single quotes, or takes / instead")
    if not text.isprintable() or text.startswith("~"):
        raise ValueError("a folder relative to this file, or an absolute one without ~")
    return text


def _plain(value: object) -> object:
    """Return a plug-in's setting where it is a plain value or a table of them; the plug-in checks the rest."""
    if isinstance(value, int) and value.bit_length() >= WHOLE_NUMBER_BITS:
        raise ValueError("a whole number of at most 64 bits")
    if isinstance(value, bool | int | str) or (isinstance(value, float) and isfinite(value)):
        return value
    if isinstance(value, dict) and not any(isinstance(inner, dict) for inner in value.values()):
        return {key: _plain(inner) for key, inner in value.items()}
    raise ValueError("a finite number, text, true or false, or a table of these")


Text = Annotated[str, Field(min_length=1)]
Folder = Annotated[Text, AfterValidator(_checked_folder)]
Patterns = Annotated[tuple[Text, ...], Field(strict=False, min_length=1)]
Code = Annotated[
    str,
    word_of(_OWN_CODES, lambda words: words.codes),
    WithJsonSchema(word_schema(_OWN_CODES, "a code of a check that is a plug-in")),
]
Codes = Annotated[tuple[Code, ...], Field(strict=False)]
StepSetting = Annotated[
    object,
    AfterValidator(_plain),
    WithJsonSchema({"type": ["number", "string", "boolean", "object"], "description": "setting"}),
]


class ProjectSettings(Record):
    """`[project]`: the song, its folders, and which files in them count."""

    name: Text | None = Field(None, description="the song; default: the folder's name")
    inbox: Folder = Field("bounces", description="folder of bounced stems, read only; relative to this file")
    outbox: Folder = Field("staged", description="folder of trimmed copies; not the inbox, inside it, or around it")
    takes: Folder | None = Field(None, description="a recorder's folder to judge takes in, never staged")
    include: Patterns = Field(AUDIO_PATTERNS, description="patterns of names that count as stems")
    exclude: Annotated[tuple[Text, ...], Field(strict=False)] = Field((), description="patterns that do not count")
    settle_s: float = Field(1.0, ge=0.0, le=3600.0, description="seconds a file must rest before it is read")
    allow: Codes = Field((), description="finding codes that are deliberate in this project")
    tempo_bpm: float | None = Field(None, gt=0.0, le=1000.0, description="beats per minute, for the notes only")
    key: str | None = Field(None, description="musical key, for the notes only")
    notes: str = Field("", description="anything to remember, for the notes only")


class RecordingSettings(Record):
    """`[recording]`: what a good take looks like, for input advice."""

    peak_dbfs: float = Field(-12.0, ge=-60.0, le=0.0, description="sample peak of a good take")
    average_dbfs: float = Field(-18.0, ge=-80.0, le=0.0, description="average of a good take, dBFS RMS of a sine")
    tolerance_db: float = Field(3.0, ge=0.0, le=24.0, description="inside it nothing is said")
    learn: bool = Field(
        default=False, description="learn by how much each part is played louder than in its level check, over songs"
    )


class TargetTable(Target):
    """`[target]`, with the word that a level or a boost which can hurt ears and speakers is meant."""

    i_mean_it: bool = Field(
        default=False,
        description="a level above 0 or a boost above 24 dB is meant, though it can hurt ears and speakers",
    )

    def plain(self) -> Target:
        """Return the target alone, as it is decided by and written down."""
        return Target.model_validate(self.model_dump(exclude={"i_mean_it"}), context=ANY_WORDS)


class TargetChanges(TargetTable):
    """The keys of `[target]` that one role or link changes. Keys that are not given stay."""

    def over(self, target: Target) -> Target:
        """Return the target with the given keys changed; this record's defaults are not used."""
        changes = self.model_dump(exclude_unset=True, exclude={"i_mean_it"})
        return Target.model_validate(target.model_dump() | changes, context=ANY_WORDS)


class Role(Record):
    """`[[role]]`: what a stem is in the song, by name pattern; the first role that matches wins."""

    name: Text = Field(description="what the stem is, in your words")
    match: Patterns = Field(description="patterns of stem names")
    target: TargetChanges = Field(TargetChanges(), description="keys of [target] that differ for this role")
    pan: float = Field(0.0, ge=-1.0, le=1.0, description="-1 left to 1 right, for the bus forecast only")
    allow: Codes = Field((), description="finding codes that are deliberate in this role")
    limits: Limits = Field(Limits(), description="thresholds of findings, by name; those not given stay")


class Link(Record):
    """`[[link]]`: stems that share one trim, so that the balance between them stays."""

    name: Text = Field(description="what the group is, in your words")
    match: Patterns = Field(description="patterns of stem names")
    target: TargetChanges = Field(TargetChanges(), description="keys of [target] that differ for this group")


class Planned(Record):
    """`[[planned]]`: a part that is not recorded yet, for the bus forecast only; as loud as a stem, or as a role."""

    name: Text = Field(description="what the part will be, in your words")
    like: Text | None = Field(None, description="the stem that it will be like, by its name")
    role: Text | None = Field(None, description="the role that it will have")
    count: int = Field(1, ge=1, le=64, description="how many of them")


class Allow(Record):
    """`[[allow]]`: a finding that is deliberate in some stems, whatever their role."""

    code: Code = Field(description="finding code that is deliberate")
    match: Patterns = Field(description="patterns of stem names")


class Step(Record):
    """`[[step]]`: processing before the trim, in the order of the file; the step's own settings stand beside `use`."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, StepSetting] = Field(init=False)

    use: Text = Field(description="which step")
    match: Patterns = Field(description="patterns of stem names")


class Plugin(Record):
    """`[[plugin]]`: a file with plug-ins, or a meter, check or rule put in force; its settings stand beside `use`.

    `use` names one of the file, where there is a `file`, or else an installed one. Steps have their own table. A rule
    with an empty `match` has its settings here, and is in force where a target names it.
    """

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, StepSetting] = Field(init=False)

    file: Folder | None = Field(None, description="Python file, relative to this file; not from inbox, outbox or takes")
    use: Text | None = Field(None, description="which meter, check or rule is in force")
    match: Annotated[tuple[Text, ...], Field(strict=False)] = Field(
        ("*",), description="patterns of stem names that it is used for; [] for a rule that a target names"
    )


class CopySettings(Record):
    """`[copy]`: name and encoding of the copies."""

    name: Annotated[Text, AfterValidator(checked_name)] = Field(
        "{stem}{suffix}", description="fields: stem, suffix, role, rate, depth"
    )
    encoding: Literal["same", "PCM_16", "PCM_24", "FLOAT"] = Field("same", description="how samples are stored")
    dither: Literal["tpdf", "none"] = Field("tpdf", description="used when samples land on an integer grid again")


class BusSettings(Record):
    """`[bus]`: the forecast of the sum of all copies."""

    ceiling_dbtp: float = Field(-6.0, ge=-60.0, le=0.0, description="true peak that the sum should keep under")
    pan_law_db: float = Field(-3.0, ge=-6.0, le=0.0, description="level of a centred mono stem on each side")
    apply: bool = Field(default=False, description="one offset for all trims keeps the bus under its ceiling")


class Settings(Record):
    """A whole project file."""

    version: Literal[1] = Field(1, description="version of this file's layout")
    project: ProjectSettings = Field(ProjectSettings(), description="the song and its folders")
    target: TargetTable = Field(TargetTable(), description="what a stem is brought to; a role may override any key")
    recording: RecordingSettings = Field(RecordingSettings(), description="what a good take looks like")
    roles: Annotated[tuple[Role, ...], Field(strict=False)] = Field(
        (), alias="role", description="what stems are in the song; the first that matches wins"
    )
    links: Annotated[tuple[Link, ...], Field(strict=False)] = Field(
        (), alias="link", description="stems that share one trim"
    )
    allowed: Annotated[tuple[Allow, ...], Field(strict=False)] = Field(
        (), alias="allow", description="findings that are deliberate in some stems"
    )
    steps: Annotated[tuple[Step, ...], Field(strict=False)] = Field(
        (), alias="step", description="processing before the trim, in order"
    )
    plugins: Annotated[tuple[Plugin, ...], Field(strict=False)] = Field(
        (), alias="plugin", description="plug-ins from files"
    )
    planned: Annotated[tuple[Planned, ...], Field(strict=False)] = Field(
        (), description="parts that are not recorded yet, for the bus forecast"
    )
    copy_: CopySettings = Field(CopySettings(), alias="copy", description="name and encoding of the copies")
    bus: BusSettings = Field(BusSettings(), description="the forecast of the sum")
