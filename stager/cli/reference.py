"""Reads the pages of `stager/reference`: an entry is a heading of level 3, its words in backquotes, and its text."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Final

FOLDER: Final = Path(__file__).parent.parent / "reference"
MOST_NAMED: Final = 3
"""Words that an answer names where no entry explains the one that was asked for."""
LEAST_LETTERS: Final = 3
"""Letters of a known word from which it counts as part of another."""
_HEADING: Final = re.compile(r"^(#{1,3}) (.*)$", re.MULTILINE)


@dataclass(frozen=True)
class Entry:
    """One entry: the words that it explains, the page and the title that it stands under, and its text."""

    words: tuple[str, ...]
    page: str
    title: str
    text: str

    def explains(self, word: str) -> bool:
        """Return whether a word is one of the entry's, by its whole dotted key or by its last part."""
        return any(word in (known, known.rpartition(".")[2]) for known in map(folded, self.words))


def folded(word: str) -> str:
    """Return a word as it is compared: in lower case, with blanks and hyphens as underscores."""
    return word.strip().casefold().replace(" ", "_").replace("-", "_")


@cache
def entries() -> tuple[Entry, ...]:
    """Return every entry of every page."""
    return tuple(entry for page in sorted(FOLDER.glob("*.md")) for entry in _of_page(page))


def entries_for(word: str) -> list[Entry]:
    """Return the entries that explain a word; those with exactly this key come first."""
    wanted = folded(word)
    found = [entry for entry in entries() if entry.explains(wanted)]
    return sorted(found, key=lambda entry: wanted not in map(folded, entry.words))


def mentions(word: str) -> list[str]:
    """Return the first words of at most three entries whose text has a word that no entry explains."""
    whole = re.compile(rf"\b{re.escape(word.strip())}\b", re.IGNORECASE)
    return [entry.words[0] for entry in entries() if whole.search(entry.text)][:MOST_NAMED]


def nearest(word: str, more: tuple[str, ...] = ()) -> list[str]:
    """Return the three known words that are nearest to one that is not known; `more` are words beside the pages'.

    Words that hold it, or that it holds, come before those that are only spelt alike.
    """
    words = (full if "." in word else full.rpartition(".")[2] for entry in entries() for full in entry.words)
    known = {folded(other): other for other in (*words, *more)}
    wanted = folded(word)
    holding = [near for near in known if len(near) >= LEAST_LETTERS and (wanted in near or near in wanted)]
    alike = get_close_matches(wanted, known, n=MOST_NAMED, cutoff=0.0)
    ordered = [*get_close_matches(wanted, holding, n=MOST_NAMED, cutoff=0.0), *alike] if len(wanted) > 1 else alike
    return list(dict.fromkeys(known[near] for near in ordered))[:MOST_NAMED]


def _of_page(page: Path) -> Iterator[Entry]:
    text = page.read_text("utf-8")
    found = list(_HEADING.finditer(text))
    ends = [*(heading.start() for heading in found[1:]), len(text)]
    title = ""
    for heading, end in zip(found, ends, strict=True):
        if len(heading[1]) < 3:
            title = heading[2].replace("`", "")
            continue
        words = tuple(re.findall(r"`([^`]+)`", heading[2])) or (heading[2].strip(),)
        yield Entry(words, page.stem, title, text[heading.end() : end].strip())
