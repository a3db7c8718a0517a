"""What is wrong with a project file, in a musician's words: where, what was expected, what was found."""

import json
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from stager.errors import ConfigError
from stager.model import Words
from stager.project.lines import Where, line_of
from stager.project.schema import known_keys, tables_with
from stager.project.settings import WHOLE_NUMBER_BITS, Settings

_EXPECTED: Final = {
    "float_type": "a number",
    "finite_number": "a finite number",
    "string_type": "text in quotes",
    "string_too_short": "some text",
    "bool_type": "true or false",
    "tuple_type": "a list in [ ]",
    "too_short": "at least one entry",
    "dict_type": "a table",
    "model_type": "a table",
    "greater_than_equal": "at least {ge:g}",
    "greater_than": "more than {gt:g}",
    "less_than_equal": "at most {le:g}",
    "value_error": "{error}",
}
_LONGEST_SHOWN: Final = 60
_LONGEST_CHOICE: Final = 8


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a project file: the path to the value, and a sentence without file and line."""

    where: Where
    says: str


def shown(value: object) -> str:
    """Return a value as it would stand in the file, short enough for one line."""
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    if isinstance(value, int) and value.bit_length() >= WHOLE_NUMBER_BITS:
        return "a number of more than 64 bits"
    text = json.dumps(value, ensure_ascii=False) if isinstance(value, str | bool) else str(value)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…"


def full_key(where: Where, data: Mapping[str, Any]) -> str:
    """Return the dotted key of a value; an entry of a list goes by its name, or by its number counted from 1."""
    parts = []
    node: Any = data
    for part in where:
        node = _inside(node, part)
        parts.append(_entry_name(part, node) if isinstance(part, int) else _key_text(part))
    return ".".join(parts)


def _inside(node: Any, part: str | int) -> Any:  # noqa: ANN401 - any TOML value
    if isinstance(part, int):
        return node[part] if isinstance(node, list) and part < len(node) else None
    return node.get(part) if isinstance(node, Mapping) else None


def _entry_name(place: int, entry: object) -> str:
    name = entry.get("name") if isinstance(entry, Mapping) else None
    return shown(name) if isinstance(name, str) and name else str(place + 1)


def _key_text(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else shown(key)


def model_faults(data: Mapping[str, Any], words: Words | str | None = None) -> list[Fault]:
    """Return a fault for each key or value that is invalid by itself; `words` are those that plug-ins bring."""
    try:
        Settings.model_validate(data, context=words)
    except ValidationError as error:
        return [_fault(details, data) for details in error.errors()]
    return []


def _fault(error: ErrorDetails, data: Mapping[str, Any]) -> Fault:
    where = error["loc"]
    if error["type"] == "extra_forbidden":
        return Fault(where, _unknown_key(where, data))
    if error["type"] == "missing":
        return Fault(where, f"missing key {_quoted(where[-1])} {_in_table(where[:-1], data)}")
    expected = _expected(error, where)
    return Fault(where, f"{full_key(where, data)}: expected {expected}, found {shown(error['input'])}{_nearest(error)}")


def _expected(error: ErrorDetails, where: Where) -> str:
    if len(where) == 1 and isinstance(error["input"], Mapping):
        return f"a list of tables, [[{where[0]}]] with two brackets"
    if len(where) == 1 and isinstance(error["input"], list):
        return f"one table, [{where[0]}] with one bracket"
    if error["type"] == "literal_error":
        return _choice(error["ctx"]["expected"], is_short=bool(_nearest(error)))
    known = _EXPECTED.get(error["type"])
    return known.format_map(error.get("ctx", {})) if known else error["msg"]


def _choice(expected: str, *, is_short: bool) -> str:
    """Return the allowed words; their number alone where the list is long and a nearest one is named."""
    words = re.findall(r"'([^']+)'", expected)
    return f"one of {len(words)} words" if is_short and len(words) > _LONGEST_CHOICE else expected.replace("'", '"')


def _nearest(error: ErrorDetails) -> str:
    """Return the hint that names the nearest allowed word, empty where none is near."""
    if error["type"] != "literal_error" or not isinstance(error["input"], str):
        return ""
    words = re.findall(r"'([^']+)'", error["ctx"]["expected"])
    near = get_close_matches(error["input"], words, n=1)
    return f"; did you mean {_quoted(near[0])}?" if near else ""


def setting_says(error: ErrorDetails, known: Collection[str]) -> str:
    """Return what is wrong with one setting of a plug-in, without the setting's name; `known` are all its settings."""
    key = str(error["loc"][-1]) if error["loc"] else ""
    if error["type"] == "extra_forbidden":
        near = get_close_matches(key, known, n=1)
        hint = f"; did you mean {_quoted(near[0])}?" if near else f"; known here: {', '.join(known) or 'none'}"
        return f"unknown setting{hint}"
    if error["type"] == "missing":
        return "expected this setting, found none"
    return f"expected {_expected(error, ('', *error['loc']))}, found {shown(error['input'])}{_nearest(error)}"


def _unknown_key(where: Where, data: Mapping[str, Any]) -> str:
    key = str(where[-1])
    known = known_keys(where[:-1])
    start = f"unknown key {_quoted(key)} {_in_table(where[:-1], data)}"
    if homes := tables_with(key):
        return f"{start}; it is a key of [{homes[0]}]"
    if near := get_close_matches(key, known, n=1):
        return f"{start}; did you mean {_quoted(near[0])}?"
    return f"{start}; known here: {', '.join(known)}"


def _in_table(table: Where, data: Mapping[str, Any]) -> str:
    return f"in [{full_key(table, data)}]" if table else "outside of all tables"


def _quoted(key: object) -> str:
    return json.dumps(str(key), ensure_ascii=False)


def config_error(file: Path, faults: Iterable[Fault], lines: Mapping[Where, int]) -> ConfigError:
    """Return the error that lists all faults of a file, one a line, in the order of the file's lines."""
    placed = sorted(((line_of(fault.where, lines), fault.says) for fault in faults), key=lambda pair: pair[0])
    return ConfigError("\n".join(f"{file}:{line}: {says}" for line, says in placed))
