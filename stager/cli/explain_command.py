"""`stager explain WORD`: what a code, a key or a column means, where it comes from, and what to do."""

import re
from typing import Final

from stager.cli.app import app
from stager.cli.exits import Exit
from stager.cli.reference import Entry, entries, entries_for, folded, mentions, nearest
from stager.cli.screen import say
from stager.errors import ConfigError
from stager.project.schema import thresholds
from stager.system.printable import on_screen

PAGES: Final = {
    "findings": "finding",
    "refusals": "refusal",
    "project_file": "stager.toml",
    "sidecar": "sidecar, JSON, CSV",
    "measures": "measure",
    "pack": "pack",
    "limits": "limits",
    "python": "Python",
}
"""What the entries of each page are about."""


_SOFT_BREAK: Final = re.compile(r"\n(?!\n|    |Cause:|Threshold:|Do:|Source:|CAUTION:)")
"""A line break of a page that is none for the reader."""


def run(*, word: str | None) -> Exit:
    """Print every entry for a word, or without one the words that there are.

    Raises:
        ConfigError: where there is no such word; names the nearest ones.
    """
    if word is None:
        print(
            "\n\n".join(
                f"{PAGES.get(page, page)}:\n{_listed(page)}" for page in dict.fromkeys(e.page for e in entries())
            )
        )
        say("stager explain WORD explains one of them.")
        return Exit.DONE
    texts = [_text(entry) for entry in entries_for(word)]
    if says := _commands().get(folded(word)):
        texts.append(says)
    if text := thresholds().get(folded(word)):
        texts.append("\n".join([f"limits.{folded(word)} (stager.toml: [[role]])", *_wrapped(text)]))
    if not texts:
        raise ConfigError(_unknown(word))
    print("\n\n".join(texts))
    return Exit.DONE


def _commands() -> dict[str, str]:
    """Return what each command does, by its name, from its help."""
    named = {each.callback.__name__: each.callback.__doc__ or "" for each in app.registered_commands if each.callback}
    return {
        name: f"stager {name} (command)\n{' '.join(text.split())}\n`stager {name} --help` has its options.".replace(
            "`", ""
        )
        for name, text in named.items()
    }


def _unknown(word: str) -> str:
    """Return the sentence about a word that nothing explains."""
    found = f"expected a code, a key, a column or a command, found {on_screen(word)!r}"
    near = ", ".join(nearest(word, (*thresholds(), *_commands())))
    mentioned = f"; mentioned under: {', '.join(mentions(word))}" if mentions(word) else ""
    return f"{found}; nearest: {near}{mentioned}; `stager explain` lists all"


def _text(entry: Entry) -> str:
    head = f"{', '.join(entry.words)} ({PAGES.get(entry.page, entry.page)}: {entry.title})"
    text = _SOFT_BREAK.sub(" ", entry.text).replace("`", "")
    return "\n".join(part for line in (head, *text.splitlines()) for part in _wrapped(line))


def _wrapped(line: str) -> list[str]:
    """Return a line in pieces of at most 80 characters, broken at blanks."""
    pieces, piece = [], ""
    for word in line.split(" "):
        if piece and len(piece) + 1 + len(word) > 80:
            pieces.append(piece)
            piece = word
        else:
            piece = f"{piece} {word}" if piece else word
    return [*pieces, piece]


def _listed(page: str) -> str:
    words = sorted({word.rpartition(".")[2] for entry in entries() if entry.page == page for word in entry.words})
    return "\n".join(f"  {line}" for line in _wrapped(", ".join(words)))
