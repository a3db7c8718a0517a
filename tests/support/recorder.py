"""Writes a WAVE file as a recorder does; run as a process of its own, `python recorder.py MODE SOURCE PLACE PIECE_S`.

`header`: a header whose sizes are 0 first, the samples in pieces, the sizes at the end. `beside`: all of it under
another name in the same folder, then renamed. `stall`: as `header`, and killed before the sizes are written.
"""

import struct
import sys
import time
from pathlib import Path

PIECES = 6


def _pieces(raw: bytes, place: Path, piece_s: float) -> None:
    """Write the file with open sizes, piece by piece."""
    head = bytearray(raw[:44])
    head[4:8], head[40:44] = bytes(4), bytes(4)
    body = raw[44:]
    size = -(-len(body) // PIECES)
    with place.open("wb", buffering=0) as out:
        out.write(head)
        for start in range(0, len(body), size):
            time.sleep(piece_s)
            out.write(body[start : start + size])


def main(mode: str, source: Path, place: Path, piece_s: float) -> None:
    """Record one file."""
    raw = source.read_bytes()
    place.parent.mkdir(parents=True, exist_ok=True)
    if mode == "beside":
        beside = place.with_name(f"{place.stem}.part")
        _pieces(raw, beside, piece_s)
        beside.write_bytes(raw)
        beside.replace(place)
        return
    _pieces(raw, place, piece_s)
    if mode == "stall":
        return
    with place.open("r+b") as out:
        out.write(raw[:8])
        out.seek(40)
        out.write(struct.pack("<I", len(raw) - 44))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), float(sys.argv[4]))
