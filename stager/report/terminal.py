"""Tables and lines for a terminal, as text: 80 columns, no colour, never a control character."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rich.cells import cell_len, set_cell_size

from stager.judge import balance_words, moved
from stager.judge.closing import left_db
from stager.model import Outcome, Reference, Refused, Staged, Verdict
from stager.model.takes import RefusedTake, TakeOutcome
from stager.system.printable import on_screen

WIDTH: Final = 80
INDENT: Final = " " * 4
MOST_NAMED: Final = 3
VERDICT_WORDS: Final = {Verdict.USABLE: "usable", Verdict.LISTEN: "LISTEN", Verdict.PLAY_AGAIN: "PLAY AGAIN"}
FINDING_WORDS: Final = {**VERDICT_WORDS, Verdict.USABLE: "to know"}
"""The word before the sentence of a finding: a stem is usable, a fact about it is to know."""


@dataclass(frozen=True)
class Row:
    """One row of a table: its cells, and whole lines under them."""

    cells: tuple[str, ...]
    notes: tuple[str, ...] = ()


def outcome_line(outcome: Outcome) -> str:
    """Return one line about a stem."""
    if isinstance(outcome, Refused):
        return f"refused {outcome.stem}, {outcome.refused}: {outcome.says}"
    sidecar = outcome.sidecar
    what = moved(sidecar.trim.gain_db)
    verdict = "" if sidecar.verdict is Verdict.USABLE else f"; {VERDICT_WORDS[sidecar.verdict]}"
    return f"{'staged' if outcome.fresh else 'up to date'} {outcome.stem}: {what[0].lower()}{what[1:]}{verdict}"


def take_lines(take: TakeOutcome) -> list[str]:
    """Return the lines about a take: its verdict, what to do with the input, and in stereo how its sides compare."""
    if isinstance(take, RefusedTake):
        return [f"take {take.take}: can't be judged: {take.says}"]
    change = f", input {take.advice.input_change_db:+d} dB" if take.advice and take.advice.clear_change_db else ""
    lines = [f"take {take.take}: {VERDICT_WORDS[take.verdict]}{change}"]
    lines += [f"  {finding.says}" for finding in take.findings if finding.verdict is take.verdict is not Verdict.USABLE]
    lines += [f"  {take.advice.says}"] if take.advice else []
    balance = balance_words(take.levels.side_balance_db)
    return [*lines, *([f"  Balance: {balance}."] if balance else [])]


def gone_line(stems: Sequence[str]) -> str:
    """Return the line that says which stems were taken out of the inbox."""
    more = f" and {len(stems) - MOST_NAMED} more" if len(stems) > MOST_NAMED else ""
    stay = "its copy stays" if len(stems) == 1 else "their copies stay"
    return f"taken out of the inbox: {', '.join(stems[:MOST_NAMED])}{more}; {stay}"


def taken_out_sentence(stem: str, copy_path: str) -> str:
    """Return the sentence about a stem without an original."""
    return f"{stem} is no longer in the inbox. If that is meant, remove its copy: {copy_path}"


def outcomes_text(outcomes: Sequence[Outcome]) -> str:
    """Return the table of a batch: one line of figures for each stem, its reason below; what needs attention first."""
    rows = [_outcome_row(outcome) for outcome in sorted(outcomes, key=_attention)]
    table = rows_text(("stem", "role", "average", "peak", "trim"), rows, left=2)
    references = sorted({o.sidecar.levels.average_reference for o in outcomes if isinstance(o, Staged)})
    if not references:
        return table
    average = f"average: dBFS RMS while the part plays ({', '.join(map(convention, references))});"
    stepped = any(isinstance(o, Staged) and o.sidecar.steps for o in outcomes)
    whose = "the original, or of what its steps made of it" if stepped else "the original"
    return f"{table}\n\n{average}\npeak: dBFS, largest sample; trim: dB. Both levels are of {whose}."


def rows_text(columns: Sequence[str], rows: Sequence[Row], *, left: int) -> str:
    """Return rows under their columns: the first is as wide as there is room, the first `left` are left-aligned."""
    cells = [tuple(columns), *(row.cells for row in rows)]
    widths = [max(cell_len(on_screen(line[i])) for line in cells) for i in range(len(columns))]
    widths[0] = min(widths[0], WIDTH - sum(widths[1:]) - 2 * (len(columns) - 1))
    lines = [_line(columns, widths, left)]
    for row in rows:
        lines.append(_line(row.cells, widths, left))
        lines += [
            textwrap.fill(on_screen(note), WIDTH, initial_indent=INDENT, subsequent_indent=INDENT) for note in row.notes
        ]
    return "\n".join(lines)


def convention(reference: Reference) -> str:
    """Return which signal's RMS reads 0 dBFS."""
    return "AES17: a full-scale sine reads 0" if reference == "sine" else "a full-scale square reads 0"


def figure(value: float | None, places: int = 1, *, signed: bool = False) -> str:
    """Return a level as it is printed; a dash for silence."""
    if value is None:
        return "-"
    rounded = round(value, places) + 0.0  # no minus before nothing
    return f"{rounded:+.{places}f}" if signed else f"{rounded:.{places}f}"


def exact_gain(gain_db: float) -> str:
    """Return a gain with its sign and all decimals of its step, one at least; 0 has no sign."""
    text = f"{gain_db:+.10g}" if gain_db else "0"
    return text if "." in text else f"{text}.0"


def _outcome_row(outcome: Outcome) -> Row:
    if isinstance(outcome, Refused):
        return Row(
            (
                outcome.stem,
                "",
                "-",
                "-",
                "-",
            ),
            (f"REFUSED, {outcome.refused}: {outcome.says}",),
        )
    sidecar = outcome.sidecar
    levels, trim = sidecar.levels, sidecar.trim
    serious = [f for f in sidecar.findings if f.verdict is not Verdict.USABLE]
    notes = [f"{VERDICT_WORDS[finding.verdict]}: {finding.says}" for finding in serious]
    balance = balance_words(levels.side_balance_db)
    notes += [f"balance: {balance}"] if balance else []
    figures = figure(levels.average_dbfs), figure(levels.sample_peak_dbfs), figure(trim.gain_db, signed=True)
    return Row((sidecar.stem, trim.role or "", *figures), (*notes, trim.because))


def _attention(outcome: Outcome) -> tuple[int, float, str]:
    """Return what a batch is sorted by: the verdict, what is left to the target, the name."""
    if isinstance(outcome, Refused):
        return -3, 0.0, outcome.stem
    left = round(left_db(outcome.sidecar.trim), 1)
    return -outcome.sidecar.verdict.severity, -left, outcome.stem


def _line(cells: Sequence[str], widths: Sequence[int], left: int) -> str:
    parts = []
    for i, (cell, width) in enumerate(zip(cells, widths, strict=True)):
        text = _fit(on_screen(cell), width)
        pad = " " * (width - cell_len(text))
        parts.append(text + pad if i < left else pad + text)
    return "  ".join(parts).rstrip()


def _fit(text: str, width: int) -> str:
    """A text of at most this width; a longer one loses its beginning."""
    if cell_len(text) <= width:
        return text
    return f"…{set_cell_size(text[::-1], width - 1)[::-1].lstrip()}"
