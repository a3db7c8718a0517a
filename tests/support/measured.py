"""Levels of signals by the installed command: written as files, measured in one run, deleted."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.support.command import Command
from tests.support.signals import Array
from tests.support.wavefile import FLOAT, write

Signal = tuple[Array, int, int]
"""Samples, (frames, channels); sample rate in Hz; mask of the speakers or 0."""


def measured(stager: Command, folder: Path, signals: Mapping[str, Signal]) -> dict[str, dict[str, Any]]:
    """Return the levels of each signal by its name; standard error must stay empty."""
    files = [
        write(folder / f"{name}.wav", samples, rate_hz, FLOAT, mask=mask)
        for name, (samples, rate_hz, mask) in signals.items()
    ]
    try:
        result = stager("measure", *files, "--json")
    finally:
        for file in files:
            file.unlink()
    assert (result.code, result.stderr) == (0, "")
    return dict(zip(signals, (stem["levels"] for stem in result.json()["stems"]), strict=True))
