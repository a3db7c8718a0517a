"""Name patterns: which stems a pattern matches."""

from collections.abc import Iterable
from fnmatch import fnmatchcase
from functools import lru_cache
from unicodedata import normalize


@lru_cache(maxsize=1 << 14)
def folded(text: str) -> str:
    """Return text in the form in which names are compared: case-folded and in NFC.

    Folding can take a letter apart again, so NFC comes before and after.
    """
    return normalize("NFC", normalize("NFC", text).casefold())


def matches(stem: str, pattern: str) -> bool:
    """Return whether a pattern matches a stem: its path below the inbox, with `/` and extension.

    `*` stands for any text, `/` included, `?` for one character and `[ab]` for one of those listed: `*.wav` matches
    `drums/kick.wav`. A pattern without `/` is held against the file's own name as well: `voice*` matches
    `lead/voice.wav`. Upper and lower case, and the two ways to write an accented letter, make no difference.
    """
    name, wanted = folded(stem), folded(pattern)
    return fnmatchcase(name, wanted) or fnmatchcase(name.rpartition("/")[2], wanted)


def literal_pattern(stem: str) -> str:
    """Return the pattern that matches this name alone: its own `[`, `?` and `*` stand for themselves."""
    return "".join(f"[{char}]" if char in "[?*" else char for char in stem)


def matches_any(stem: str, patterns: Iterable[str]) -> bool:
    """Return whether at least one of the patterns matches this stem."""
    return any(matches(stem, pattern) for pattern in patterns)


def is_hidden(stem: str) -> bool:
    """Return whether a part of the path starts with `.` or `~`: such names never count, whatever the patterns say."""
    return any(part.startswith((".", "~")) for part in stem.split("/"))
