"""The line of each key in a TOML file: tomllib keeps no positions, and an error message needs one.

Reads only text that tomllib has accepted, so nothing is refused here.

Source: TOML 1.0.0, sections Keys, String, Array, Inline Table, Array of Tables.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

Where = tuple[str | int, ...]
"""The path to a value: keys, and positions in lists counted from 0."""

_TOKEN: Final = re.compile(
    r'''
    (?P<comment> \#[^\n]* )
  | (?P<string> """(?:\\.|[^\\])*?"{3,5} | \'\'\'.*?\'{3,5} | "(?:\\.|[^"\\\n])*" | '[^'\n]*' )
  | (?P<mark> [\[\]{},=.\n] )
  | (?P<word> [^\s\[\]{},=."'\#]+ )
    ''',
    re.DOTALL | re.VERBOSE,
)


_NUMBER: Final = re.compile(r"[+-]?[0-9]")


class _Token(NamedTuple):
    text: str
    line: int


def key_lines(text: str) -> dict[Where, int]:
    """Return the line, counted from 1, of every table, key and list entry in a TOML text."""
    return _Scanner(text).lines


def line_of(where: Where, lines: Mapping[Where, int]) -> int:
    """Return the line of a value, or, where it is not in the file, of the nearest table around it."""
    inner_first = (where[:length] for length in range(len(where), 0, -1))
    return next((lines[part] for part in inner_first if part in lines), 1)


def _tokens(text: str) -> Iterator[_Token]:
    """Yield every token but comments and blanks, then one more newline."""
    line, counted_to = 1, 0
    for found in _TOKEN.finditer(text):
        line += text.count("\n", counted_to, found.start())
        counted_to = found.start()
        if found.lastgroup != "comment":
            yield _Token(found.group(), line)
    yield _Token("\n", line)


def _unquoted(key: str) -> str:
    """Return the text of a bare or quoted key."""
    return str(tomllib.loads(f"key = {key}")["key"]) if key[0] in "\"'" else key


def longest_key(text: str) -> tuple[int, int]:
    """Return the most parts that a dotted key in a text has, and the line of it; the text need not be valid TOML."""
    parts, most, line = 1, 1, 1
    was_dot = False
    for token in _tokens(text):
        is_dot = token.text == "."
        parts = parts + 1 if was_dot and not is_dot else parts if is_dot else 1
        was_dot = is_dot
        if parts > most:
            most, line = parts, token.line
    return most, line


def longest_number(text: str) -> tuple[int, int]:
    """Return the most characters that a number in a text has, and the line of it; the text need not be valid TOML."""
    numbers = [(len(token.text), token.line) for token in _tokens(text) if _NUMBER.match(token.text)]
    return max(numbers, default=(0, 1), key=lambda number: number[0])


class _Scanner:
    """Walks the tokens once and notes where each value starts."""

    def __init__(self, text: str) -> None:
        self.lines: dict[Where, int] = {}
        self._tokens = list(_tokens(text))
        self._at = 0
        self._entries: dict[Where, int] = {}
        table: Where = ()
        while self._at < len(self._tokens):
            if self._peek() == "\n":
                self._at += 1
            elif self._peek() == "[":
                table = self._header()
            else:
                self._pair(table)

    def _peek(self) -> str:
        return self._tokens[self._at].text

    def _line(self) -> int:
        return self._tokens[self._at].line

    def _key(self, end: str) -> list[str]:
        """Read the parts of a dotted key and the mark that ends it."""
        parts = []
        while self._peek() != end:
            if self._peek() != ".":
                parts.append(_unquoted(self._peek()))
            self._at += 1
        self._at += 1
        return parts

    def _header(self) -> Where:
        """Read `[table]` or `[[table]]` and return the path to it."""
        line = self._line()
        is_list = self._tokens[self._at + 1].text == "["
        self._at += 1 + is_list
        where = self._opened(self._key("]"), is_list=is_list)
        self._at += is_list
        self.lines.setdefault(where, line)
        return where

    def _opened(self, parts: list[str], *, is_list: bool) -> Where:
        """Return the path with the position of its current entry behind each list of tables."""
        where: Where = ()
        for count, part in enumerate(parts, start=1):
            where += (part,)
            self.lines.setdefault(where, self._line())
            if is_list and count == len(parts):
                self._entries[where] = self._entries.get(where, 0) + 1
            if where in self._entries:
                where += (self._entries[where] - 1,)
        return where

    def _pair(self, table: Where) -> None:
        """Read `key = value`, noting the tables that a dotted key opens."""
        line = self._line()
        where = table
        for part in self._key("="):
            where += (part,)
            self.lines.setdefault(where, line)
        self._value(where)

    def _value(self, where: Where) -> None:
        self.lines.setdefault(where, self._line())
        if self._peek() in ("[", "{"):
            self._nested(where, is_list=self._peek() == "[")
            return
        while self._peek() not in (",", "]", "}", "\n"):
            self._at += 1

    def _nested(self, where: Where, *, is_list: bool) -> None:
        """Read a list or an inline table to its closing bracket."""
        self._at += 1
        entry = 0
        while self._peek() not in ("]", "}"):
            if self._peek() in (",", "\n"):
                self._at += 1
            elif is_list:
                self._value((*where, entry))
                entry += 1
            else:
                self._pair(where)
        self._at += 1
