"""The same originals under the same settings give what they gave before, to the bit.

`golden.json` holds what was staged before the loops were made faster; a change of a rule makes it anew, with the rules'
version: `python -m tests.golden.make`. It proves that nothing moved, not that it is right: that is for the other tests.
"""

import json
import math
from pathlib import Path
from typing import Any

import pytest

from tests.golden import originals
from tests.support.song import Song, SongMaker, sha256

GOLDEN = Path(__file__).with_name("golden.json")
TOML = """
[project]
name = "Salt Road"
[[role]]
name = "bass"
match = ["bass*"]
target = { rule = "peak", level_db = -10.0 }
[[role]]
name = "as it is"
match = ["organ*"]
target = { rule = "leave" }
[[role]]
name = "loud"
match = ["strings*"]
target = { rule = "loudness", level_db = -20.0 }
"""
LAST_BITS = 1e-9
"""How far a figure may lie from before: 0 on one machine; another processor sums in another order."""


def staged(song: Song, jobs: str = "2") -> dict[str, Any]:
    """Stage all originals; give every copy's hash and every sidecar but its hour."""
    originals.make_all(song.inbox)
    for name in sorted(path.relative_to(song.inbox).as_posix() for path in song.inbox.rglob("*.wav")):
        song.rest(name)
    told = song.stage("--jobs", jobs)
    assert told.code in (0, 1), told
    return {"sources": {path.name: sha256(path) for path in sorted(song.inbox.rglob("*.wav"))}, **song.settled()}


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_nothing_moved(make_song: SongMaker, jobs: str) -> None:
    """Copies are those of before to the bit, sidecars word by word, whatever the number of workers."""
    song = make_song(TOML)
    found, before = staged(song, jobs), json.loads(GOLDEN.read_text("utf-8"))
    assert found["sources"] == before["sources"], "the originals are others: nothing can be said"
    assert sorted(found) == sorted(before)
    apart = [line for name in before for line in _apart(name, before[name], found[name])]
    assert apart == []


def _apart(where: str, before: Any, now: Any) -> list[str]:
    """Return where two documents differ."""
    if isinstance(before, dict) and isinstance(now, dict) and before.keys() == now.keys():
        return [line for key in before for line in _apart(f"{where} {key}", before[key], now[key])]
    if isinstance(before, list) and isinstance(now, list) and len(before) == len(now):
        pairs = enumerate(zip(before, now, strict=True))
        return [line for number, (one, other) in pairs for line in _apart(f"{where} {number}", one, other)]
    if isinstance(before, float) and isinstance(now, float):
        return [] if math.isclose(before, now, rel_tol=LAST_BITS, abs_tol=LAST_BITS) else [f"{where}: {before} {now}"]
    return [] if before == now else [f"{where}: {before} {now}"]
