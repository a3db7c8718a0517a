"""The commented project file that a new project starts with."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Final

SCHEMA_NAME: Final = "project.schema.json"
"""The JSON Schema of the project file, in the state folder of a new project, where an editor finds it."""

_TEMPLATE: Final = Path(__file__).with_name("template.toml")
_SCHEMA_LINE: Final = f"#:schema ./.stager/{SCHEMA_NAME}\n"
_NAME_LINE: Final = 'name = "Untitled"'
_INBOX: Final = 'inbox = "bounces"'
_TAKES: Final = '# takes = "audio"'
_DRUM_ROLE: Final = '[[role]]\nname = "hand drum"'


@dataclass(frozen=True)
class NewProject:
    """What is known of a song before its first project file: its folders, and whether struck parts are in it."""

    inbox: str = "bounces"
    takes: str | None = None
    has_drums: bool = True


def new_project_text(name: str, known: NewProject | None = None) -> str:
    """Return the text of a new project file for a song of this name; unprintable characters become `?`."""
    known = known or NewProject()
    printable = "".join(letter if letter.isprintable() else "?" for letter in name) or "Untitled"
    text = _TEMPLATE.read_text(encoding="utf-8").replace(_NAME_LINE, f"name = {_quoted(printable)}", 1)
    text = text.replace(_INBOX, f"inbox = {_quoted(known.inbox)}", 1)
    if known.takes is not None:
        text = text.replace(_TAKES, f"takes = {_quoted(known.takes)}", 1)
    return text if known.has_drums else _without_drums(text)


def with_schema(text: str) -> str:
    """Return the text with the line that names its schema to an editor."""
    return _SCHEMA_LINE + text


def commented(text: str) -> str:
    """Return the text with a `#` before each line that is not empty."""
    return "".join(f"# {line}" if line.strip() else line for line in text.splitlines(keepends=True))


def _without_drums(text: str) -> str:
    before, head, after = text.partition(_DRUM_ROLE)
    block, blank, rest = after.partition("\n\n")
    return before + commented(head + block) + blank + rest


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
