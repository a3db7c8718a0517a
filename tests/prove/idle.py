"""What a watch costs while nothing happens: processor time, by the system's own account (Linux)."""

import time
from pathlib import Path

from tests.prove.proof import Proof
from tests.support.calm import comes_to_rest, processor_s
from tests.support.song import Song

BOUND = 0.01
CALM_S = 3.0


def proof(song: Song, stems: int, log: Path, watched_s: float) -> Proof:
    """Watch a project of so many stems, all of them staged, for a while after it has become calm."""
    with song.stager.started("watch", song.folder, log=log) as watch:
        assert comes_to_rest(watch.pid, CALM_S), "a watch of staged stems must come to rest"
        before_s, begun_s = processor_s(watch.pid), time.monotonic()
        time.sleep(watched_s)
        assert watch.poll() is None
        share = (processor_s(watch.pid) - before_s) / (time.monotonic() - begun_s)
    figure = f"{100 * share:.2f} % of a core"
    return Proof(f"{stems} files watched, nothing happens", "the system", f"under {BOUND:.0%}", figure, share < BOUND)
