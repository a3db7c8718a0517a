"""Every key of a TOML text is found on the line where a person sees it."""

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stager.project.lines import Where, key_lines, line_of

TEXT = """\
# [not.a.table]
top = "a # [b] = c"
[project] # comment with "quote
name = '''
[still] text = 1
"" and on'''
include = [
    "*.wav",  # ] not the end
    "*.flac",
]
[[role]]
name = 'it"s'
match = ["a", "[b]"]
target = { rule = "peak", level_db = -10.0 }
[[role]]
name = "two"
target.level_db = -1.5
[role.limits]
"odd key".'x.y' = 1979-05-27 07:32:00
[[role]]
"""

PLACES: list[tuple[Where, int]] = [
    (("top",), 2),
    (("project",), 3),
    (("project", "name"), 4),
    (("project", "include"), 7),
    (("project", "include", 0), 8),
    (("project", "include", 1), 9),
    (("role",), 11),
    (("role", 0), 11),
    (("role", 0, "name"), 12),
    (("role", 0, "match", 1), 13),
    (("role", 0, "target", "level_db"), 14),
    (("role", 1), 15),
    (("role", 1, "target"), 17),
    (("role", 1, "target", "level_db"), 17),
    (("role", 1, "limits"), 18),
    (("role", 1, "limits", "odd key", "x.y"), 19),
    (("role", 2), 20),
]

SHAPES = {
    "nothing": "",
    "only a comment": "# a = 1",
    "no newline at the end": "a = 1",
    "carriage returns": "a = 1\r\n[b]\r\nc = [\r\n1,\r\n2]\r\n",
    "four quotes at the end": 'a = """x""""\nb = 1',
    "five quotes at the end": "a = '''x'''''\nb = 1",
    "empty strings": 'a = ""\nb = \'\'\nc = """"""\nd = 1',
    "escaped quote": 'a = "\\"["\nb = "\\\\"\nc = 1',
    "lists in lists": "a = [[1, 2], [3], [], [[4]]]\nb = [{x = [1]}, {y = {z = 2}}]",
    "number keys": "1.2 = 3\n[3]\n-4 = 5",
    "signs and dates": "a = +1.5e-3\nb = -inf\nc = 07:32:00\nd = 1979-05-27T07:32:00.5-01:00\ne = 0xff",
    "table in a list's entry": "[[a]]\n[a.b]\nc = 1\n[[a.d]]\n[[a.d]]\ne = 1\n[[a]]\n[[a.d]]\nf = 2",
    "blanks in headers": "[ a . 'b c' ]\nx = 1\n[[ d ]]\ny = 2",
    "escapes in keys": '"\\u00e9\\n" = 1',
}


def ways(value: object, where: Where = ()) -> Iterator[Where]:
    """Return the way to every table, key and entry in parsed TOML."""
    if where:
        yield where
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from ways(inner, (*where, key))
    if isinstance(value, list):
        for place, inner in enumerate(value):
            yield from ways(inner, (*where, place))


@pytest.mark.parametrize(("where", "line"), PLACES, ids=str)
def test_line_of_each_kind_of_key(where: Where, line: int) -> None:
    """Tables, dotted and quoted keys, list entries and inline tables each have the line they are written on."""
    assert key_lines(TEXT)[where] == line


@pytest.mark.parametrize("text", [TEXT, *SHAPES.values()], ids=["the long one", *SHAPES])
def test_no_key_is_missed_and_none_invented(text: str) -> None:
    """The keys found are exactly those that the TOML parser reads."""
    assert set(key_lines(text)) == set(ways(tomllib.loads(text)))


@pytest.mark.parametrize("name", ["songwriter", "five_piece_band", "spoken_word"])
def test_no_key_of_an_example_is_missed(name: str) -> None:
    """The same holds for the example project files."""
    text = (Path(__file__).parents[2] / "configs" / f"{name}.toml").read_text(encoding="utf-8")
    assert set(key_lines(text)) == set(ways(tomllib.loads(text)))


@given(st.text(alphabet="ab[]{}=.,#\"' \n1-", max_size=40))
def test_any_text_that_is_toml_is_followed(text: str) -> None:
    """Whatever odd text the parser accepts, the scanner finds the same keys in it."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert set(key_lines(text)) == set(ways(data))


@pytest.mark.parametrize(
    ("where", "line"),
    [
        (("project", "name"), 4),
        (("project", "tempo_bpm"), 3),
        (("role", 0, "match", 9), 13),
        (("role", 2, "name"), 20),
        (("bus", "apply"), 1),
        ((), 1),
    ],
    ids=str,
)
def test_a_missing_key_has_the_line_of_its_table(where: Where, line: int) -> None:
    """What is not in the file is placed at the nearest table around it, at worst at the start."""
    assert line_of(where, key_lines(TEXT)) == line
