"""The most memory that staging one long stem of eight channels holds, beside that of a stem of one minute."""

from collections.abc import Iterator
from typing import Final

from tests.bench.kinds import RATE_HZ, eight_channels
from tests.bench.rows import TIMES, Row, alone
from tests.bench.stems import Room, Stems, needs
from tests.bench.timing import in_turn

BOUND_MB, APART_MB, MOST_ROUNDS = 280.0, 10.0, 3
FRAME_BYTES: Final = 24


def bench(room: Room) -> Iterator[Row | str]:
    """Stage both in turn; ru_maxrss of the process, in MB (10^6 bytes).

    Raises:
        Skipped: where the long stem and its copy don't fit on the disk.
    """
    minutes, rounds = (120, 1) if room.full else (20, min(room.rounds, MOST_ROUNDS))
    needs(room.folder, 2.1 * minutes * 60 * RATE_HZ * FRAME_BYTES)
    songs = [_song(room, f"{minutes} min", minutes), _song(room, "1 min", 1)]
    songs[1].staged()  # compiles what more than two channels need
    yield f"8 channels, 48 kHz, 24 bits, RF64: {minutes} min (2 h with --full), {rounds} rounds."
    long, short = in_turn(rounds, *(song.staged for song in songs))
    work = f"stage {minutes} min {TIMES} 8 channels"
    peaks = [cost.peak_mb for cost in long]
    yield alone(f"{work}, peak memory", "MB", peaks, bound=BOUND_MB)
    over = [peak - cost.peak_mb for peak, cost in zip(peaks, short, strict=True)]
    yield alone(f"{work}, over 1 min's", "MB", over, bound=APART_MB)
    yield alone(f"{work}, wall a minute of sound", "s", [cost.wall_s / minutes for cost in long])


def _song(room: Room, name: str, minutes: int) -> Stems:
    song = Stems.made(room.folder / name)
    eight_channels(song.folder / "bounces" / "long.wav", minutes)
    return song.rested()
