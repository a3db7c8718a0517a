"""Pieces that sentences are put together from: lists of names, counts, places in time. Pure."""

from collections.abc import Sequence
from typing import Final

MOST_LISTED: Final = 3
"""Names that a sentence lists before it counts the rest."""


def listed(names: Sequence[str]) -> str:
    """Return names joined as a sentence joins them: "a, b and c"; of more than four, three and the number of others."""
    if len(names) > MOST_LISTED + 1:
        return f"{', '.join(names[:MOST_LISTED])} and {len(names) - MOST_LISTED} more"
    return " and ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else "".join(names)


def counted(count: int, noun: str) -> str:
    """Return a count with its noun: 1 stem, 2 stems."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def times(count: int) -> str:
    """Return how often something happens: once, 2 times."""
    return "once" if count == 1 else f"{count} times"


def capitalised(sentence: str) -> str:
    """Return a sentence with a capital letter at its start; the rest stays as it is."""
    return sentence[:1].upper() + sentence[1:]


def clock(seconds: float) -> str:
    """Return a place in a file in minutes and seconds, to a tenth: 1:02.5."""
    tenths = round(seconds * 10.0)
    return f"{tenths // 600}:{tenths % 600 / 10.0:04.1f}"


def exact_clock(seconds: float) -> str:
    """Return a time to the millisecond, in minutes and seconds, with hours where there are any: 1:02.500."""
    thousandths = round(seconds * 1000.0)
    minutes, rest = divmod(thousandths, 60_000)
    hours, left = divmod(minutes, 60)
    return f"{hours}:{left:02d}:{rest / 1000:06.3f}" if hours else f"{minutes}:{rest / 1000:06.3f}"
