"""Name patterns: which stems a pattern means."""

from collections.abc import Iterable
from fnmatch import fnmatchcase
from unicodedata import normalize


def folded(text: str) -> str:
    """Give text in the one form in which names are compared: case-folded and in NFC.

    Folding can take a letter apart again, so NFC comes before and after.
    """
    return normalize("NFC", normalize("NFC", text).casefold())


def matches(stem: str, pattern: str) -> bool:
    """Say whether a stem, its path below the inbox with `/` and extension, is meant by a pattern.

    `*` stands for any text, `/` included, `?` for one character and `[ab]` for one of those listed: `*.wav` matches
    `drums/kick.wav`. A pattern without `/` is held against the file's own name as well: `voice*` matches
    `lead/voice.wav`. Upper and lower case, and the two ways to write an accented letter, make no difference.
    """
    name, wanted = folded(stem), folded(pattern)
    return fnmatchcase(name, wanted) or fnmatchcase(name.rpartition("/")[2], wanted)


def matches_any(stem: str, patterns: Iterable[str]) -> bool:
    """Say whether at least one of the patterns means this stem."""
    return any(matches(stem, pattern) for pattern in patterns)


def is_hidden(stem: str) -> bool:
    """Say whether a part of the path starts with `.` or `~`: such names never count, whatever the patterns say."""
    return any(part.startswith((".", "~")) for part in stem.split("/"))
