"""What commands print: messages on stderr, results on stdout, never a control character."""

import json
import sys
from collections.abc import Iterable
from contextlib import suppress

from stager.cli.exits import QUIET, FailOn
from stager.judge.louder import louder_caution
from stager.model import Sidecar, Verdict
from stager.staging.documents import Document
from stager.system.printable import on_screen


def say(line: str, *, always: bool = False) -> None:
    """Print a message to stderr, not under `--quiet` unless `always`; a closed stderr is ignored."""
    if QUIET and not always:
        return
    with suppress(OSError):
        print(on_screen(line), file=sys.stderr, flush=True)


def say_phase(line: str) -> None:
    """Print what a long command is doing to stderr, on a terminal only."""
    if sys.stderr.isatty():
        say(f"{line} …")


def print_json(document: object) -> None:
    """Print the one JSON document of a command to stdout."""
    print(json.dumps(document, indent=2))


def say_displaced(documents: Iterable[Document]) -> None:
    """Print, for each report that was written beside a person's file of the usual name, where it is."""
    for document in documents:
        if document.says:
            say(document.says)


def say_tracebacks(tracebacks: Iterable[str]) -> None:
    """Print the tracebacks of unexpected errors, for commands that write no file where they could be kept."""
    for traceback in filter(None, tracebacks):
        say("A fault inside stager; a report of it needs these lines:", always=True)
        for line in traceback.splitlines():
            say(line, always=True)


def say_caution(sidecars: Iterable[Sidecar]) -> None:
    """Print the caution to turn monitors down, where a copy is much louder than its original."""
    if caution := caution_text(sidecars):
        say(caution, always=True)


def caution_text(sidecars: Iterable[Sidecar]) -> str | None:
    """Return the caution as a line of its own, None where there is none."""
    caution = louder_caution(sidecars)
    return f"Caution: {caution[0].lower()}{caution[1:]}" if caution else None


def fails(verdict: Verdict, fail_on: FailOn | None) -> bool:
    """Return whether a verdict is worse than a run allows."""
    return fail_on is not None and verdict.severity >= Verdict(fail_on.value).severity
