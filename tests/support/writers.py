"""Writes a WAVE file as one kind of program does; a process of its own.

`python writers.py MODE SOURCE PLACE SETTLE_S [AWAIT ...]`. SOURCE is a finished file with a header of 44 bytes. Some
modes make an earlier version first, and go on once every file of AWAIT is there. The SHA-256 of each version that was
whole when it was left alone is printed, a line each; the last is the file at rest. Pauses of `LONG` settling times are
longer than a watch waits, pauses of `SHORT` ones are not.
"""

import hashlib
import mmap
import os
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

HEADER: Final = 44
PIECES: Final = 5
SHORT, LONG = 0.3, 3.0
OLD_S: Final = 1_000_000_000.0
PATIENCE_S: Final = 120.0


@dataclass(frozen=True)
class Writing:
    """What is written where, and how patiently."""

    raw: bytes
    place: Path
    settle_s: float
    awaited: tuple[Path, ...]

    @property
    def pieces(self) -> list[bytes]:
        """The samples in pieces of whole frames."""
        body, size = self.raw[HEADER:], (len(self.raw) - HEADER) // PIECES & ~3
        return [body[: size * 1], *(body[size * n : size * (n + 1)] for n in range(1, PIECES - 1)), body[4 * size :]]

    @property
    def beside(self) -> Path:
        """A name in the same folder that is no stem's."""
        return self.place.with_name(f"{self.place.stem}.part")

    @property
    def elsewhere(self) -> Path:
        """A name outside the inbox, on the same disk."""
        return self.place.parent.parent / f"{self.place.stem}.elsewhere"

    def head(self, samples_bytes: int) -> bytes:
        """Return a header for so many bytes of samples."""
        riff, data = struct.pack("<I", 36 + samples_bytes), struct.pack("<I", samples_bytes)
        return self.raw[:4] + riff + self.raw[8:40] + data

    def open_head(self, sizes: int) -> bytes:
        """Return a header whose two sizes are this number."""
        return self.raw[:4] + struct.pack("<I", sizes) + self.raw[8:40] + struct.pack("<I", sizes)

    def first(self) -> bytes:
        """Return an earlier version: whole, of the first two pieces."""
        samples = b"".join(self.pieces[:2])
        return self.head(len(samples)) + samples

    def rest(self, times: float) -> None:
        """Pause for so many settling times."""
        time.sleep(times * self.settle_s)

    def leave(self, whole: bytes) -> None:
        """Report this version as whole and left alone, and wait until it was seen, where that can be known."""
        print(hashlib.sha256(whole).hexdigest(), flush=True)
        deadline = time.monotonic() + PATIENCE_S
        while not all(path.exists() for path in self.awaited):
            assert time.monotonic() < deadline, f"{self.place.name} was not seen"
            time.sleep(0.02)


def _in_pieces(writing: Writing, out: BinaryIO, pause: float) -> None:
    """Write the samples piece by piece, with a pause before each."""
    for piece in writing.pieces:
        writing.rest(pause)
        out.write(piece)
        out.flush()


def _with_head(writing: Writing, head: bytes, pause: float) -> None:
    """Write this header, then the samples in pieces, then the true header, all in one go with the file held open."""
    with writing.place.open("wb") as out:
        out.write(head)
        out.flush()
        _in_pieces(writing, out, pause)
        out.seek(0)
        out.write(writing.raw[:HEADER])


def zero_sizes(writing: Writing) -> None:
    """Sizes of 0 until the end, long pauses."""
    _with_head(writing, writing.open_head(0), LONG / 2)


def open_sizes(writing: Writing) -> None:
    """Sizes of FFFFFFFFh until the end, long pauses."""
    _with_head(writing, writing.open_head(0xFFFFFFFF), LONG / 2)


def patched_at_the_end(writing: Writing) -> None:
    """A header that is true of the first piece alone until it is patched at the end."""
    _with_head(writing, writing.head(len(writing.pieces[0])), SHORT)


def closed_with_open_sizes(writing: Writing) -> None:
    """Sizes of 0, and the file is closed through every long pause: nothing says that it goes on."""
    writing.place.write_bytes(writing.open_head(0))
    for piece in writing.pieces:
        writing.rest(LONG / 2)
        with writing.place.open("ab") as out:
            out.write(piece)
    with writing.place.open("r+b") as out:
        out.write(writing.raw[:HEADER])


def appended(writing: Writing) -> None:
    """The whole length in the header from the start, closed after every piece, short pauses."""
    writing.place.write_bytes(writing.raw[:HEADER])
    for piece in writing.pieces:
        writing.rest(SHORT)
        with writing.place.open("ab") as out:
            out.write(piece)


def true_at_every_piece(writing: Writing) -> None:
    """Closed with a true header after every piece: each version is whole, and rests shorter than the watch waits."""
    samples = b""
    for piece in writing.pieces:
        samples += piece
        with writing.place.open("r+b" if writing.place.exists() else "wb") as out:
            out.write(writing.head(len(samples)) + samples)
        print(hashlib.sha256(writing.head(len(samples)) + samples).hexdigest(), flush=True)
        writing.rest(SHORT)


def renamed(writing: Writing) -> None:
    """Written beside, then renamed."""
    with writing.beside.open("wb") as out:
        out.write(writing.raw[:HEADER])
        _in_pieces(writing, out, SHORT)
    writing.beside.rename(writing.place)


def moved_in(writing: Writing) -> None:
    """Moved in from another folder, with an old time stamp."""
    writing.elsewhere.write_bytes(writing.raw)
    os.utime(writing.elsewhere, (OLD_S, OLD_S))
    writing.elsewhere.rename(writing.place)


def preallocated(writing: Writing) -> None:
    """A true header and the full length of zeros at once, filled in with long pauses, held open."""
    with writing.place.open("wb") as out:
        out.truncate(len(writing.raw))
        out.write(writing.raw[:HEADER])
        out.flush()
        _in_pieces(writing, out, LONG / 2)


def too_much_allocated(writing: Writing) -> None:
    """More than the full length at once, cut to size at the end."""
    with writing.place.open("wb") as out:
        out.truncate(2 * len(writing.raw))
        out.write(writing.raw[:HEADER])
        _in_pieces(writing, out, SHORT)
        out.truncate(len(writing.raw))


def backwards(writing: Writing) -> None:
    """The last piece first and the header last, as parallel downloads do, held open."""
    with writing.place.open("wb") as out:
        position = len(writing.raw)
        for piece in (*reversed(writing.pieces), writing.raw[:HEADER]):
            position -= len(piece)
            out.seek(position)
            out.write(piece)
            out.flush()
            writing.rest(LONG / 3)


def mapped(writing: Writing) -> None:
    """Through mapped memory, the file's descriptor closed, a true header at once, long pauses."""
    with writing.place.open("w+b") as out:
        out.truncate(len(writing.raw))
        memory = mmap.mmap(out.fileno(), len(writing.raw))
    position = HEADER
    memory[:HEADER] = writing.raw[:HEADER]
    for piece in writing.pieces:
        writing.rest(LONG / 2)
        memory[position : position + len(piece)] = piece
        position += len(piece)
    memory.close()


def held_open(writing: Writing) -> None:
    """A version whose header is true, then silence, with the file held open for writing; then the rest of it."""
    with writing.place.open("wb") as out:
        out.write(writing.first())
        out.flush()
        writing.rest(LONG)
        out.seek(0)
        out.write(writing.raw)


def copied(writing: Writing) -> None:
    """Copied in by cp, which gets its bytes slowly."""
    with subprocess.Popen(["cp", "/dev/stdin", writing.place], stdin=subprocess.PIPE) as copying:
        assert copying.stdin
        copying.stdin.write(writing.raw[:HEADER])
        _in_pieces(writing, copying.stdin, LONG / 2)  # type: ignore[arg-type]
        copying.stdin.close()
        assert copying.wait() == 0


def copied_with_its_times(writing: Writing) -> None:
    """Copied in by cp -p: the time stamp is old, and only the system's own says that it just came."""
    writing.elsewhere.write_bytes(writing.raw)
    os.utime(writing.elsewhere, (OLD_S, OLD_S))
    subprocess.run(["cp", "-p", writing.elsewhere, writing.place], check=True)


def linked_in(writing: Writing) -> None:
    """Written elsewhere, and linked in by a hard link."""
    writing.elsewhere.write_bytes(writing.raw)
    os.utime(writing.elsewhere, (OLD_S, OLD_S))
    os.link(writing.elsewhere, writing.place)


def replaced(writing: Writing) -> None:
    """Seen as one version, then another is renamed over it."""
    writing.place.write_bytes(writing.first())
    writing.leave(writing.first())
    writing.beside.write_bytes(writing.raw)
    writing.beside.replace(writing.place)


def rewritten(writing: Writing) -> None:
    """Seen as one version, then emptied and written anew in place, with short pauses."""
    writing.place.write_bytes(writing.first())
    writing.leave(writing.first())
    with writing.place.open("wb") as out:
        out.write(writing.raw[:HEADER])
        _in_pieces(writing, out, SHORT)


def gone_on(writing: Writing) -> None:
    """Closed as a whole file and seen as such, then opened again and gone on with, sizes last."""
    writing.place.write_bytes(writing.first())
    writing.leave(writing.first())
    with writing.place.open("r+b") as out:
        out.seek(0, os.SEEK_END)
        for piece in writing.pieces[2:]:
            writing.rest(LONG / 2)
            out.write(piece)
            out.flush()
        out.seek(0)
        out.write(writing.raw[:HEADER])


def stamped_back(writing: Writing) -> None:
    """Seen as one version, then other samples of the same length, and the time stamp put back as it was."""
    first = writing.raw[:HEADER] + writing.raw[HEADER:][::-1]
    writing.place.write_bytes(first)
    before = writing.place.stat()
    writing.leave(first)
    with writing.place.open("r+b") as out:
        out.write(writing.raw)
    os.utime(writing.place, ns=(before.st_atime_ns, before.st_mtime_ns))


def removed(writing: Writing) -> None:
    """Seen as one version, removed, and written anew after a pause."""
    writing.place.write_bytes(writing.first())
    writing.leave(writing.first())
    writing.place.unlink()
    writing.rest(LONG)
    writing.place.write_bytes(writing.raw)


SEEN_TWICE: Final = (replaced, rewritten, gone_on, stamped_back, removed)
"""These are seen as one whole version, and then as another."""
LISTED: Final = (
    zero_sizes,
    open_sizes,
    patched_at_the_end,
    closed_with_open_sizes,
    appended,
    true_at_every_piece,
    renamed,
    moved_in,
    too_much_allocated,
    backwards,
    copied,
    copied_with_its_times,
    linked_in,
    *SEEN_TWICE,
)
HOLDING: Final = (preallocated, mapped, held_open)
"""These have a true header long before they are done: only the system can say that someone still writes."""
MODES: Final[dict[str, Callable[[Writing], None]]] = {mode.__name__: mode for mode in (*LISTED, *HOLDING)}


def main(mode: str, source: Path, place: Path, settle_s: float, awaited: tuple[Path, ...]) -> None:
    """Write one file."""
    writing = Writing(source.read_bytes(), place, settle_s, awaited)
    MODES[mode](writing)
    assert place.read_bytes() == writing.raw
    writing.elsewhere.unlink(missing_ok=True)
    print(hashlib.sha256(writing.raw).hexdigest(), flush=True)


if __name__ == "__main__":
    assert shutil.which("cp")
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), float(sys.argv[4]), tuple(map(Path, sys.argv[5:])))
