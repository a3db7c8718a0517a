"""The commented project file that a new project starts with."""

import json
from pathlib import Path
from typing import Final

_TEMPLATE: Final = Path(__file__).with_name("template.toml")
_NAME_LINE: Final = 'name = "Untitled"'


def new_project_text(name: str) -> str:
    """Give the text of a new project file for a song of this name; characters that can't be shown become `?`."""
    printable = "".join(letter if letter.isprintable() else "?" for letter in name) or "Untitled"
    named = f"name = {json.dumps(printable, ensure_ascii=False)}"
    return _TEMPLATE.read_text(encoding="utf-8").replace(_NAME_LINE, named, 1)
