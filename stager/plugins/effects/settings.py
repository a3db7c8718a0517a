"""The built-in steps as a project file knows them: name, settings, and a line about each.

Loads no array library, so that a project file is checked and the steps are listed without one. What a step does to the
samples is its class, in a module beside this one; a test compares each class with its entry here.
"""

from dataclasses import dataclass
from typing import Any, Final, Literal

from pydantic import Field

from stager.model import Record
from stager.plugins.groups import STEPS, NoSettings


class AlignSettings(Record):
    """Settings of `align`."""

    delay_frames: int = Field(
        ge=-1_000_000, le=1_000_000, description="frames by which the stem comes later; negative: earlier"
    )


class FlipPolaritySettings(Record):
    """Settings of `flip_polarity`."""

    channel: int = Field(0, ge=0, le=32, description="which channel, counted from 1; 0: all of them")


class FoldMonoSettings(Record):
    """Settings of `fold_mono`."""

    take: Literal["mean", "left", "right"] = Field("mean", description="the mean of all channels, or one of two")


class HighPassSettings(Record):
    """Settings of `high_pass`."""

    cutoff_hz: float = Field(40.0, gt=0.0, le=20_000.0, description="3 dB down here, 12 dB an octave below; Hz")


class HostSettings(Record):
    """Settings of `host`."""

    file: str = Field(min_length=1, description="the effect's .vst3, absolute or relative to the project file")
    plugin: str | None = Field(None, description="which effect, where the file holds several")
    preset: str | None = Field(None, description="a .vstpreset file, loaded before the parameters are set")
    parameters: dict[str, float | str | bool] = Field(default_factory=dict, description="values by parameter name")
    tail_s: float = Field(0.0, ge=0.0, le=60.0, description="seconds added behind the stem for what rings on")


class ResampleSettings(Record):
    """Settings of `resample`."""

    rate_hz: int = Field(ge=8_000, le=384_000, description="sample rate of the copy, Hz")


@dataclass(frozen=True)
class OwnStep:
    """A built-in step: its settings, the first line of its class's docstring, and whether a worker process runs it."""

    settings: type[Record]
    says: str
    isolated: bool = False

    def description(self, name: str) -> dict[str, Any]:
        """Return it as plain data, as `describing.description` does for a class."""
        return {
            "group": STEPS,
            "name": name,
            "version": "1",
            "deterministic": True,
            "isolated": self.isolated,
            "codes": [],
            "schema": self.settings.model_json_schema(),
            "says": self.says,
        }


OWN_STEPS: Final = {
    "align": OwnStep(
        AlignSettings,
        "Moves a stem by whole frames. Later: zeros come first, and the stem grows, so that nothing is lost at its "
        "end.",
    ),
    "flip_polarity": OwnStep(FlipPolaritySettings, "Inverts the polarity of one channel, or of all."),
    "fold_mono": OwnStep(
        FoldMonoSettings, "Makes one channel of several. The mean of two equal channels is that channel, to the bit."
    ),
    "high_pass": OwnStep(
        HighPassSettings,
        "Removes rumble: second order, 12 dB an octave, minimum phase. No latency; its tail is cut at the stem's end.",
    ),
    "host": OwnStep(
        HostSettings,
        "Runs a VST3 effect, with a preset and parameters by name; in 32-bit float, its latency made up for.",
        isolated=True,
    ),
    "remove_dc": OwnStep(
        NoSettings, "Removes the constant part: each channel's mean over the whole stem. No latency, no tail."
    ),
    "resample": OwnStep(
        ResampleSettings,
        "Brings a stem to another sample rate, its length and time stamp with it. One at that rate passes as it is.",
    ),
}
"""Every built-in step by its name."""
