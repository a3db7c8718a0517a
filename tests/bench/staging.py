"""Stems of four minutes staged with all meters on and durable copies, beside a bare durable copy and two toolkits."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from tests.bench.rows import TIMES, Row, alone, compared
from tests.bench.stems import Room, Stems, album
from tests.bench.timing import Cost, Failed, Line, in_turn, run, warm

QUIET: Final = ("ffmpeg", "-nostdin", "-hide_banner", "-nostats", "-y")


def bench(room: Room) -> Iterator[Row | str]:
    """Compare two workers with copies made in sequence, and one worker with other toolkits."""
    stems = album(room)
    yield f"{len(stems.paths)} stems (60 with --full) of 4 min, stereo, 48 kHz, 24 bits."
    yield "Of eight, four are phrased music, two dense pads, one a steady sine and one white noise."
    work = f"stage {len(stems.paths)} {TIMES} 4 min"
    warm(stems.paths)
    ours, theirs = in_turn(room.rounds, lambda: stems.staged("--jobs", "2"), lambda: _copied(stems))
    yield compared(f"{work}, 2 workers", "cp, sync, sha256sum of both", ours, theirs, bound=1.5)
    yield alone(f"{work}, 2 workers, peak memory", "MB", [cost.peak_mb for cost in ours])
    others = {"ffmpeg ebur128 + volume": _with_ffmpeg, "sox stats + gain": _with_sox}
    for name in [name for name in others if not shutil.which(name.split()[0])]:
        del others[name]
        yield f"{name.split()[0]} is missing here, so nothing is compared with it."
    works = [lambda stems=stems, other=other: other(stems) for other in others.values()]
    ours, *found = in_turn(room.rounds, lambda: stems.staged("--jobs", "1"), *works)
    for name, theirs in zip(others, found, strict=True):
        yield compared(f"{work}, 1 worker", name, ours, theirs, bound=0.6 if "ffmpeg" in name else None)


def _copied(stems: Stems) -> Cost:
    """Copy each stem, have the disk confirm it, and hash both, one stem after the other."""
    lines: list[Line] = []
    for path, copy in _places(stems):
        lines += [("cp", path, copy), ("sync", copy), ("sha256sum", path, copy)]
    return _made(stems, lines)


def _with_ffmpeg(stems: Stems) -> Cost:
    """Measure loudness and true peak in one pass, write an attenuated copy in another; nothing is synced or hashed."""
    lines: list[Line] = []
    for path, copy in _places(stems):
        lines.append((*QUIET, "-i", path, "-af", "ebur128=peak=true:framelog=verbose", "-f", "null", "-"))
        lines.append((*QUIET, "-i", path, "-af", "volume=-3dB", "-c:a", "pcm_s24le", copy))
    cost = _made(stems, lines)
    if (stems.folder / "other.err").read_text("utf-8").count("Integrated loudness:") != len(stems.paths):
        raise Failed("ffmpeg did not measure each stem")
    return cost


def _with_sox(stems: Stems) -> Cost:
    """Measure RMS and peaks in one pass, write an attenuated copy in another; nothing is synced or hashed."""
    lines: list[Line] = []
    for path, copy in _places(stems):
        lines += [("sox", path, "-n", "stats"), ("sox", path, copy, "gain", "-3")]
    return _made(stems, lines)


def _places(stems: Stems) -> list[tuple[Path, Path]]:
    return [(path, stems.folder / "other" / path.name) for path in stems.paths]


def _made(stems: Stems, lines: list[Line]) -> Cost:
    """Run what others do, and look whether each copy is there."""
    others = stems.folder / "other"
    stems.clear()
    shutil.rmtree(others, ignore_errors=True)
    others.mkdir()
    cost = run(*lines, log=stems.folder / "other.log")
    for path, copy in _places(stems):
        if copy.stat().st_size < path.stat().st_size:
            raise Failed(f"{lines[0][0]} left no whole copy of {path.name}")
    shutil.rmtree(others)
    return cost
