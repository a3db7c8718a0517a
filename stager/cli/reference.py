"""Reads the pages of `stager/reference`: an entry is a heading of level 3, its words in backquotes, and its text."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Final

FOLDER: Final = Path(__file__).parent.parent / "reference"
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


def nearest(word: str, more: tuple[str, ...] = ()) -> list[str]:
    """Return the three known words that are nearest to one that is not known; `more` are words beside the pages'."""
    known = {
        folded(part): part for entry in entries() for full in entry.words for part in (full, full.rpartition(".")[2])
    }
    known |= {folded(other): other for other in more}
    return [known[near] for near in get_close_matches(folded(word), known, n=3, cutoff=0.0)]


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
