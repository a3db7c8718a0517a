"""The report of `check` for a terminal: at most ten lines of findings, worst first, then the bus."""

import textwrap
from collections.abc import Iterator
from typing import Final

from stager.judge import first_lines
from stager.judge.bus import bus_sentences
from stager.judge.handover import MOST_LINES
from stager.model import Verdict
from stager.model.check import SetReport
from stager.model.pairs import Kinship
from stager.report.terminal import FINDING_WORDS, WIDTH, taken_out_sentence
from stager.system.printable import on_screen

INDENT: Final = "  "
SET_WORDS: Final = {
    Verdict.USABLE: "ready to send",
    Verdict.LISTEN: "LISTEN before you send it",
    Verdict.PLAY_AGAIN: "DO NOT SEND IT YET",
}
MARGIN: Final = " " * 13


def check_text(found: SetReport, *, everything: bool = False) -> str:
    """Return the report as text."""
    return "\n".join(_lines(found, len(found.findings) if everything else MOST_LINES))


def _lines(found: SetReport, most: int) -> Iterator[str]:
    count = "1 stem" if found.stems == 1 else f"{found.stems} stems"
    yield on_screen(f"{found.project}: {count}, the set as a whole: {_answer(found)}")
    for refused in found.refused:
        yield from _wrapped("REFUSED", f"{refused.stem}: {refused.says}")
    for each in found.taken_out:
        yield from _wrapped("taken out", taken_out_sentence(each.stem, each.copy_path))
    for verdict, says in first_lines(found.findings, most):
        yield from _wrapped(FINDING_WORDS[verdict], says)
    if found.stems and not (found.findings or found.refused):
        yield from _wrapped("nothing", "One rate, one depth, one start, names that say what they are.")
    doubles = [double for double in found.doubles if double.kind not in (Kinship.COPY, Kinship.SAME_TAKE)]
    if doubles or found.pairs_left_out:
        yield from ("", "doubles")
    for double in doubles:
        yield from _wrapped("", double.says)
    if found.pairs_left_out:
        yield from _wrapped("", _left_out(found))
    yield from _links(found)
    yield from _bus(found)


def _answer(found: SetReport) -> str:
    """Return whether the set can be sent."""
    if found.refused:
        return "NOT COMPLETE, some stems were refused"
    return SET_WORDS[found.verdict] if found.stems else "nothing to send yet"


def _left_out(found: SetReport) -> str:
    if found.pairs_compared:
        return f"{found.pairs_left_out} more likely pairs were not compared."
    return f"{found.pairs_left_out} pairs were not compared: the set has too many stems to look for copies among them."


def _links(found: SetReport) -> Iterator[str]:
    if found.links_proposed:
        yield from ("", "links that would keep a balance (nothing is linked by itself)")
    for link in found.links_proposed:
        says, _, lines = link.says.partition("[[link]]")
        yield from _wrapped("", says.strip())
        if lines:
            yield from (f"{INDENT}    {on_screen(line)}" for line in f"[[link]]{lines}".splitlines())


def _bus(found: SetReport) -> Iterator[str]:
    if found.bus is None:
        return
    yield from ("", "the mix bus, all copies at unity faders")
    others = [part.says for part in (found.room, found.planned, found.balance, found.rough) if part]
    for says in (*bus_sentences(found.bus), *others):
        yield from _wrapped("", says)


def _wrapped(what: str, says: str) -> Iterator[str]:
    """A sentence behind a word in the margin, within the width of a terminal."""
    first = f"{INDENT}{what:<11}" if what else INDENT
    later = MARGIN if what else INDENT
    yield from textwrap.wrap(on_screen(says), WIDTH, initial_indent=first, subsequent_indent=later)
