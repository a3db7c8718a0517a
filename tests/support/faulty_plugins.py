"""Plug-ins that misbehave, each in its own way; read by the worker as a file of a project, never imported by a test."""

# ruff: noqa: ARG002 - what the protocol hands over is taken, needed or not

import os
import signal
import sys
import time
from typing import Any

import numpy as np

from stager.model import Finding, Levels
from stager.plugins import Check, Meter, Rule, Samples, Step, Stream, Wanted


class Doubled(Step):
    """Twice the samples: one that behaves, and prints."""

    name = "doubled"

    def process(self, block: Samples) -> Samples:
        """Double, and talk."""
        print("this goes nowhere")
        sys.stdout.flush()
        return 2.0 * block


class Crash(Step):
    """Ends its own process as a fault in native code does."""

    name = "crash"

    def process(self, block: Samples) -> Samples:
        """Crash."""
        os.kill(os.getpid(), signal.SIGSEGV)
        return block


class Leave(Step):
    """Ends its own process politely."""

    name = "leave"

    def process(self, block: Samples) -> Samples:
        """Exit, past every handler."""
        os._exit(7)
        return block


class Hang(Step):
    """Never answers."""

    name = "hang"

    def process(self, block: Samples) -> Samples:
        """Sleep."""
        time.sleep(3600)
        return block


class HangInLoading(Step):
    """Never finishes its preparations."""

    name = "hang_in_loading"

    def __init__(self, settings: Any, stream: Stream) -> None:
        super().__init__(settings, stream)
        time.sleep(3600)

    def process(self, block: Samples) -> Samples:
        """Return back."""
        return block


class Glutton(Step):
    """Takes memory without end."""

    name = "glutton"

    def process(self, block: Samples) -> Samples:
        """Take more and more."""
        hoard = []
        while True:
            hoard.append(np.ones(1 << 22))
        return block


class WrongShape(Step):
    """Gives its samples on their side."""

    name = "wrong_shape"

    def process(self, block: Samples) -> Samples:
        """Turn the block."""
        return block[:, 0]


class TooShort(Step):
    """Keeps half of the frames."""

    name = "too_short"

    def process(self, block: Samples) -> Samples:
        """Return every other frame."""
        return block[::2]


class TooLong(Step):
    """Gives frames without end."""

    name = "too_long"

    def process(self, block: Samples) -> Samples:
        """Return a hundred for one."""
        return np.repeat(block, 100, axis=0)


class NoNumber(Step):
    """Gives NaN."""

    name = "no_number"

    def process(self, block: Samples) -> Samples:
        """Divide nothing by nothing."""
        return block * float("nan")


class Raises(Step):
    """Has a slip in it."""

    name = "raises"

    def process(self, block: Samples) -> Samples:
        """Look for what is not there."""
        return {}["gain"] * block  # type: ignore[no-any-return]


class HugePromise(Step):
    """Promises a copy that fills the disk."""

    name = "huge_promise"

    def __init__(self, settings: Any, stream: Stream) -> None:
        super().__init__(settings, stream)
        self.out = Stream(stream.sample_rate_hz, stream.channels, 10**15)

    def process(self, block: Samples) -> Samples:
        """Return back."""
        return block


class Late(Step):
    """Comes 100 frames late, and says so."""

    name = "late"
    latency_frames = 100

    def __init__(self, settings: Any, stream: Stream) -> None:
        super().__init__(settings, stream)
        self._held = np.zeros((100, stream.channels))

    def process(self, block: Samples) -> Samples:
        """Return what went in 100 frames ago."""
        held = np.concatenate((self._held, block))
        self._held = held[len(block) :]
        return held[: len(block)]


class NoFigure(Meter):
    """Measures infinity."""

    name = "no_figure"

    def update(self, block: Samples) -> None:
        """Pass over it."""

    def result(self) -> dict[str, float | None]:
        """Return what is no figure."""
        return {"much": float("inf")}


class NoFinding(Check):
    """Gives text for a finding."""

    name = "no_finding"

    def findings(self, stem: str, levels: Levels, others: Any) -> list[Finding]:
        """Complain in the wrong form."""
        wrong: Any = Finding.model_construct(code="x", says=3)
        return [wrong]


class NoGain(Rule):
    """Wants NaN."""

    name = "no_gain"

    def wanted(self, levels: Levels) -> Wanted:
        """Want nothing that is."""
        return Wanted(float("nan"), "because")
