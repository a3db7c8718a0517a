"""What commands print: talk to stderr, tables to stdout; plain where nobody looks, and never a control character."""

import json
import os
import sys
from collections.abc import Iterable, Sequence
from typing import Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from stager.cli.exits import FailOn
from stager.judge import moved
from stager.model import Outcome, Refused, Sidecar, Verdict
from stager.names import on_screen

WIDTH: Final = 80
LOUDER_DB: Final = 6.0
CAUTION: Final = (
    "Caution: {count} of these copies {are} more than 6 dB louder than the original. Turn your monitors or headphones "
    "down before you first play them."
)
VERDICT_WORDS: Final = {Verdict.USABLE: "usable", Verdict.LISTEN: "LISTEN", Verdict.PLAY_AGAIN: "PLAY AGAIN"}


def say(line: str) -> None:
    """Print a line of talk to stderr."""
    print(on_screen(line), file=sys.stderr, flush=True)


def print_json(document: object) -> None:
    """Print the one JSON document of a command to stdout."""
    print(json.dumps(document, indent=2))


def outcome_line(outcome: Outcome) -> str:
    """Give one calm line about a stem."""
    if isinstance(outcome, Refused):
        return f"refused {outcome.stem}: {outcome.says}"
    sidecar = outcome.sidecar
    what = moved(sidecar.trim.gain_db).lower()
    verdict = "" if sidecar.verdict is Verdict.USABLE else f"; {VERDICT_WORDS[sidecar.verdict]}"
    return f"{'staged' if outcome.fresh else 'up to date'} {outcome.stem}: {what}{verdict}"


def print_outcomes(outcomes: Sequence[Outcome]) -> None:
    """Print the table of a batch: what needs attention comes first."""
    table = _table(
        ("stem", "left"), ("role", "left"), ("average", "right"), ("peak", "right"), ("trim", "right"), ("why", "left")
    )
    for outcome in sorted(outcomes, key=_attention):
        table.add_row(*map(Text, _outcome_cells(outcome)))
    _print(table)


def print_measured(rows: Iterable[Sequence[str]], columns: Sequence[tuple[str, str]]) -> None:
    """Print a table of measured files."""
    table = _table(*columns)
    for row in rows:
        table.add_row(*(Text(on_screen(cell)) for cell in row))
    _print(table)


def say_caution(sidecars: Iterable[Sidecar]) -> None:
    """Say once to turn monitors down, where a copy is much louder than its original."""
    count = sum(sidecar.trim.gain_db > LOUDER_DB for sidecar in sidecars)
    if count:
        say(CAUTION.format(count=count, are="is" if count == 1 else "are"))


def figure(value: float | None, places: int = 1, *, signed: bool = False) -> str:
    """Give a level as it is printed; a dash for silence."""
    if value is None:
        return "-"
    return f"{value:+.{places}f}" if signed else f"{value:.{places}f}"


def fails(verdict: Verdict, fail_on: FailOn | None) -> bool:
    """Say whether a verdict is worse than a run allows."""
    return fail_on is not None and verdict.severity >= Verdict(fail_on.value).severity


def _outcome_cells(outcome: Outcome) -> tuple[str, ...]:
    if isinstance(outcome, Refused):
        return on_screen(outcome.stem), "", "-", "-", "-", f"REFUSED ({outcome.refused}): {on_screen(outcome.says)}"
    sidecar = outcome.sidecar
    levels, trim = sidecar.levels, sidecar.trim
    serious = [finding.says for finding in sidecar.findings if finding.verdict is not Verdict.USABLE]
    why = " ".join([*(f"{VERDICT_WORDS[sidecar.verdict]}:" for _ in serious[:1]), *serious, trim.because])
    numbers = figure(levels.average_dbfs), figure(levels.sample_peak_dbfs), figure(trim.gain_db, signed=True)
    return on_screen(sidecar.stem), trim.role or "", *numbers, why


def _attention(outcome: Outcome) -> tuple[int, str]:
    if isinstance(outcome, Refused):
        return -3, outcome.stem
    return -outcome.sidecar.verdict.severity, outcome.stem


def _table(*columns: tuple[str, Any]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1), header_style="bold")
    for name, justify in columns:
        table.add_column(name, justify=justify, overflow="fold")
    return table


def _print(table: Table) -> None:
    width = WIDTH if "COLUMNS" not in os.environ and not sys.stdout.isatty() else None
    Console(width=width, highlight=False, markup=False).print(table)
