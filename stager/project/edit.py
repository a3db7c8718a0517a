"""Changes to the text of a project file that keep its comments and its layout."""

from collections.abc import Mapping, Sequence
from typing import Any, Final, cast

import tomlkit
from tomlkit.items import AoT, Array, InlineTable, Table

from stager.project.patterns import literal_pattern

WIDTH: Final = 100
"""A longer list of patterns gets a line an entry."""


def with_link(text: str, name: str, stems: Sequence[str], target: Mapping[str, Any]) -> str:
    """Return the text with one more `[[link]]` at its end; `target` has the keys that differ from [target]."""
    table = _table({"name": name, "match": _patterns(stems)})
    if target:
        table["target"] = _inline(target)
    return _appended(text, "link", table)


def with_allowed(text: str, code: str, stems: Sequence[str]) -> str:
    """Return the text with a finding allowed in these stems: in the `[[allow]]` of that code, or in a new one."""
    document = tomlkit.parse(text)
    tables = document.get("allow")
    for table in tables if isinstance(tables, AoT) else ():
        if table.get("code") == code and isinstance(table.get("match"), Array):
            listed = cast("Array", table["match"])
            new = [pattern for pattern in map(literal_pattern, stems) if pattern not in listed.unwrap()]
            for pattern in new:
                listed.append(pattern)
            return tomlkit.dumps(document) if new else text
    return _appended(text, "allow", _table({"code": code, "match": _patterns(stems)}))


def _appended(text: str, kind: str, table: Table) -> str:
    """Return the text with a table of a list of tables behind its last line, in the file's own line ends."""
    break_ = "\r\n" if "\r\n" in text else "\n"
    entry = tomlkit.dumps(table).strip().replace("\n", break_)
    gap = "" if not text or text.endswith(2 * break_) else break_ if text.endswith(break_) else 2 * break_
    return f"{text}{gap}[[{kind}]]{break_}{entry}{break_}"


def _table(values: Mapping[str, Any]) -> Table:
    table = tomlkit.table()
    for key, value in values.items():
        table[key] = value
    return table


def _inline(values: Mapping[str, Any]) -> InlineTable:
    table = tomlkit.inline_table()
    table.update(values)
    return table


def _patterns(stems: Sequence[str]) -> Array:
    listed = tomlkit.array()
    listed.extend(map(literal_pattern, stems))
    return listed.multiline(len(listed.as_string()) > WIDTH)
