"""Roles, pans and links proposed from the names and the crests of the files that lie in a folder. Pure."""

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Final

from stager.project.patterns import literal_pattern

STRUCK_CREST_DB: Final = 18.0
"""A crest above this stands for a struck or plucked part (common practice, no source)."""
_SIDE: Final = re.compile(r"^(?P<base>.+?)[ _.-](?P<side>l|r|left|right)$", re.IGNORECASE)
_GUIDE: Final = re.compile(r"(^|[^a-z])(click|guide|metronome|count ?in)([^a-z]|$)", re.IGNORECASE)
_TARGETS: Final = {"guide": '{ rule = "leave" }', "struck": '{ rule = "peak", level_db = -10.0 }'}


@dataclass(frozen=True)
class Proposed:
    """What one file is proposed to be: `kind` is guide, struck or steady, `pan` -1, 0 or 1, `pair` its other side."""

    stem: str
    kind: str
    pan: int
    pair: str | None


def proposed(crests_db: Mapping[str, float | None]) -> list[Proposed]:
    """Return what each file is proposed to be; a pair is struck where one of its sides is."""
    pairs = dict(_pairs(crests_db))
    return [_proposed(stem, crests_db, pairs.get(stem)) for stem in crests_db]


def lines_of(found: Iterable[Proposed]) -> str:
    """Return the roles and links for the project file, as TOML."""
    listed = sorted(found, key=lambda one: (one.kind, one.pan, one.stem))
    roles = [
        _role(kind, pan, [one.stem for one in members])
        for (kind, pan), members in groupby(listed, key=lambda one: (one.kind, one.pan))
        if kind != "steady" or pan
    ]
    links = [_link(one) for one in listed if one.pair and one.pan < 0]
    return "\n".join([*roles, *links])


def _proposed(stem: str, crests_db: Mapping[str, float | None], pair: str | None) -> Proposed:
    heights = [crests_db[name] or 0.0 for name in (stem, pair) if name]
    kind = "guide" if _GUIDE.search(_name(stem)) else "struck" if max(heights) > STRUCK_CREST_DB else "steady"
    return Proposed(stem, kind, _pan(stem) if pair else 0, pair)


def _pairs(stems: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Yield each file with its other side, where one of its name and of each side is there."""
    sides: dict[tuple[str, str], list[str]] = {}
    for stem in stems:
        if found := _SIDE.match(_name(stem)):
            sides.setdefault((stem.rpartition("/")[0], found["base"].casefold()), []).append(stem)
    for members in sides.values():
        if sorted(map(_pan, members)) == [-1, 1]:
            yield members[0], members[1]
            yield members[1], members[0]


def _pan(stem: str) -> int:
    found = _SIDE.match(_name(stem))
    return 0 if not found else -1 if found["side"].casefold().startswith("l") else 1


def _name(stem: str) -> str:
    return stem.rpartition("/")[2].rpartition(".")[0]


def _role(kind: str, pan: int, stems: list[str]) -> str:
    words = {"guide": "guide", "struck": "struck or plucked", "steady": ""}[kind]
    side = {-1: "left", 0: "", 1: "right"}[pan]
    lines = ["[[role]]", f"name = {json.dumps(', '.join(filter(None, (words, side))))}", f"match = {_patterns(stems)}"]
    lines += [f"target = {_TARGETS[kind]}"] if kind in _TARGETS else []
    lines += [f"pan = {pan:.1f}"] if pan else []
    return "\n".join([*lines, ""])


def _link(left: Proposed) -> str:
    found = _SIDE.match(_name(left.stem))
    name = found["base"] if found else left.stem
    lines = ["[[link]]", f"name = {_text(name)}", f"match = {_patterns([left.stem, left.pair or left.stem])}"]
    lines += [f"target = {_TARGETS['struck']}"] if left.kind == "struck" else []
    return "\n".join([*lines, ""])


def _patterns(stems: Iterable[str]) -> str:
    return f"[{', '.join(_text(literal_pattern(stem)) for stem in stems)}]"


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
