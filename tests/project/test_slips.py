"""Slips in a line: what is told, and what is not taken for one."""

import pytest

from stager.project.slips import slip_hint

SOUND = [
    "level_db = -18.0",
    "match = [1,2]",
    "inbox = 'C:\\songs'",
    'notes = "one, 2,5 metres"',
    "x = 1 # -18,0",
    "x = {a = 1, b = 2}",
]


@pytest.mark.parametrize("line", SOUND)
def test_sound_line_has_no_hint(line: str) -> None:
    """A line without such a slip is left to the parser's own words."""
    assert slip_hint(line) is None


def test_comma_in_an_inline_table() -> None:
    """A decimal comma is found wherever a number stands."""
    assert "-10.5" in (slip_hint("target = { level_db = -10,5 }") or "")
