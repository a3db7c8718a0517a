"""What the tests of `stager verify` share: running it, and letting a sidecar name the hash that its copy has now."""

import json
from typing import Any

from tests.roundtrip.originals import LATE, OLD_LINE
from tests.support import layouts
from tests.support.song import Song, sha256

CHUNKS = [(b"bext", layouts.bext(1, time_reference=LATE, history=OLD_LINE)), (b"zOdd", b"seven b")]


def verified(song: Song) -> tuple[int, dict[str, dict[str, Any]]]:
    """Run the command on a project; nothing in it may change."""
    result = song.stager("verify", song.folder, "--json")
    document = result.json()
    assert document["schema"] == "stager/verify/1"
    return result.code, {stem["stem"]: stem for stem in document["stems"]}


def with_true_hash(song: Song, name: str) -> None:
    """Write the hash that a copy has now into its sidecar."""
    place = song.outbox / f"{name}.json"
    sidecar = json.loads(place.read_text("utf-8"))
    sidecar["copy"]["sha256"] = sha256(song.outbox / name)
    place.write_text(json.dumps(sidecar), "utf-8")
