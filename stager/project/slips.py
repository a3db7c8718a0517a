"""Slips in a line of a project file that a TOML parser can't explain to a musician."""

import re
from typing import Final

_CURLY: Final = re.compile("[\u201c\u201d\u201e\u2018\u2019]")
_DECIMAL_COMMA: Final = re.compile(r"=\s*([+-]?\d+),(\d+)\s*(?:[,}#]|$)")
_BACKSLASHES: Final = re.compile(r'"([^"\']*\\[^"\']*)"')


def slip_hint(line: str) -> str | None:
    """Return what to type instead of a decimal comma, curly quotes or a path with backslashes, None for other slips.

    Source: TOML 1.0.0, sections Float and String: decimals take a point, text straight quotes, and a backslash in
    double quotes begins an escape sequence, which it doesn't in single quotes.
    """
    code = line.partition("#")[0]
    if found := _DECIMAL_COMMA.search(code):
        return f'can\'t read "{found[1]},{found[2]}". Decimals take a point: {found[1]}.{found[2]}'
    if found := _CURLY.search(code):
        return f'can\'t read the curly quote {found[0]}. Text takes straight quotes: "text"'
    if found := _BACKSLASHES.search(code):
        return f"can't read \"{found[1]}\". A path with backslashes goes in single quotes: '{found[1]}'"
    return None
