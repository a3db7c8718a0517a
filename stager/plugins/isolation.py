"""Runs a plug-in in a worker process under a time and a memory limit; every failure there becomes one `StepFailed`.

A request that is not answered in time ends the process and everything it started. Answers are untrusted data: shapes,
sizes and numbers are checked before use.
"""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Timer
from typing import Any, Final, cast

from stager.errors import StepFailed
from stager.model import PluginSource
from stager.plugins.wire import WireError, receive, send


@dataclass(frozen=True)
class Limits:
    """How long a plug-in may take for one answer, how long for loading, and how much memory it may add.

    Own figures: one answer is at most some seconds of audio, so fifteen seconds are far slower than real time even on a
    busy machine; loading may read a lot from a disk; two gigabytes hold ten minutes of 64-bit stereo many times over.
    """

    answer_s: float = 15.0
    load_s: float = 30.0
    memory_bytes: int = 2 << 30


LIMITS: Final = Limits()


@dataclass(frozen=True)
class Label:
    """How errors name a plug-in, and the stem that it works on; empty where it works on none."""

    plugin: str
    stem: str = ""

    def failed(self, says: str) -> StepFailed:
        """Return the error that says what went wrong with this plug-in."""
        return StepFailed(self.stem, f"{self.plugin}: {says}")


class Worker:
    """One plug-in's process; made by `worker`. `label` names it in every error."""

    def __init__(self, source: PluginSource, folder: Path, label: Label, limits: Limits) -> None:
        self._source, self._label, self._limits = source, label, limits
        place = {"file": source.file} if source.file else source.model_dump(include={"group", "name", "entry"})
        place_text = json.dumps({**place, "memory_bytes": limits.memory_bytes})
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "stager.plugins.worker", place_text],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            cwd=folder,
            start_new_session=True,
        )

    def ask(self, do: str, payload: bytes = b"", **asked: Any) -> tuple[dict[str, Any], bytes]:  # noqa: ANN401
        """Send one request with the plug-in's `group` and `name`, and return the answer and its payload.

        Raises:
            StepFailed: where the plug-in raises, crashes, hangs, or takes too much memory.
        """
        loads = do in ("describe", "check", "open")
        limit_s = self._limits.load_s if loads else self._limits.answer_s
        with self._ended_after(limit_s) as is_late:
            try:
                send(cast("Any", self._process.stdin), {"do": do, **self._named(), **asked}, payload)
                answer, back = receive(cast("Any", self._process.stdout))
            except (OSError, WireError) as error:
                raise self._failed(self._end_sentence(limit_s, error, late=is_late.is_set())) from error
        if "error" in answer:
            raise self._failed(self._raised(answer))
        return answer, back

    def close(self) -> None:
        """End the process and everything it started."""
        self._kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                cast("Any", pipe).close()

    def failed(self, says: str) -> StepFailed:
        """Return the error for an answer that can't be used; it names the plug-in."""
        return self._failed(says)

    def _named(self) -> dict[str, str]:
        return {"group": self._source.group, "name": self._source.name}

    @contextmanager
    def _ended_after(self, limit_s: float) -> Iterator[Event]:
        late = Event()

        def end() -> None:
            late.set()
            self._kill()

        timer = Timer(limit_s, end)
        timer.daemon = True
        timer.start()
        try:
            yield late
        finally:
            timer.cancel()

    def _kill(self) -> None:
        if hasattr(os, "killpg"):
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(self._process.pid, signal.SIGKILL)
        else:
            self._process.kill()

    def _end_sentence(self, limit_s: float, error: Exception, *, late: bool) -> str:
        """Return how the process ended; where it still runs, its answer was no message, as `error` says."""
        if late:
            return f"no answer within {limit_s:g} s, so it was ended"
        try:
            status = self._process.wait(timeout=1.0)
        except subprocess.TimeoutExpired:
            return str(error)
        if status < 0:
            with suppress(ValueError):
                return f"its process was ended by {signal.Signals(-status).name}"
        return f"its process ended with status {status}"

    def _raised(self, answer: dict[str, Any]) -> str:
        if answer["error"] == "memory":
            return f"it asked for more than {self._limits.memory_bytes >> 20} MiB of memory"
        said, kind = str(answer["error"]), answer.get("type")
        return said if kind in (None, "ValueError") else f"{kind}: {said}"

    def _failed(self, says: str) -> StepFailed:
        return self._label.failed(says)


@contextmanager
def worker(source: PluginSource, folder: Path, label: Label, limits: Limits = LIMITS) -> Iterator[Worker]:
    """Start a plug-in's process in the project's folder, yield it, and end it in every case.

    Raises:
        StepFailed: where it can't be started.
    """
    try:
        started = Worker(source, folder, label, limits)
    except OSError as error:
        raise label.failed(f"its process can't be started: {error.strerror}") from error
    try:
        yield started
    finally:
        started.close()
