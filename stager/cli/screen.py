"""What commands print: talk to stderr, tables to stdout; plain where nobody looks, and never a control character."""

import json
import sys
from collections.abc import Iterable
from contextlib import suppress
from typing import Final

from stager.cli.exits import FailOn
from stager.model import Sidecar, Verdict
from stager.names import on_screen

LOUDER_DB: Final = 6.0
CAUTION: Final = "turn your monitors or headphones down before you first play {what}."


def say(line: str) -> None:
    """Print a line of talk to stderr; where nobody takes it any more, the work goes on."""
    with suppress(OSError):
        print(on_screen(line), file=sys.stderr, flush=True)


def print_json(document: object) -> None:
    """Print the one JSON document of a command to stdout."""
    print(json.dumps(document, indent=2))


def say_caution(sidecars: Iterable[Sidecar]) -> None:
    """Say once to turn monitors down, where a copy is much louder than its original."""
    if caution := caution_text(sidecars):
        say(caution)


def caution_text(sidecars: Iterable[Sidecar]) -> str | None:
    """Give the caution where a copy is much louder than its original, else None."""
    count = sum(map(is_louder, sidecars))
    if count == 1:
        return f"Caution: one copy is more than {LOUDER_DB:g} dB louder than its original; {CAUTION.format(what='it')}"
    if not count:
        return None
    return f"Caution: {count} copies are more than {LOUDER_DB:g} dB louder; {CAUTION.format(what='them')}"


def is_louder(sidecar: Sidecar) -> bool:
    """Say whether a copy asks for the caution."""
    return sidecar.trim.gain_db > LOUDER_DB


def fails(verdict: Verdict, fail_on: FailOn | None) -> bool:
    """Say whether a verdict is worse than a run allows."""
    return fail_on is not None and verdict.severity >= Verdict(fail_on.value).severity
