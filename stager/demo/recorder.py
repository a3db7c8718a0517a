"""The demo's recorder: bounces the song's stems one by one, in the way recorders write files.

Runs as its own process, `python -m stager.demo.recorder INBOX LOG`. Each file grows under its final name: first a
header that promises nothing, then the audio in pieces, and the true header only at the end. That is why this module
writes files by itself, without the temporary sibling and the rename that this package's own copies get.
"""

import argparse
import hashlib
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO, Final

from stager.demo.score import SAMPLE_RATE_HZ
from stager.demo.song import SONG, Part, header_bytes, render, wav_bytes

PACE_S: Final = 0.8
"""How long the writing of one stem takes unless told otherwise."""

PIECES: Final = 16
"""In how many pieces the audio of a stem reaches the disk."""


class Unwilling(Exception):
    """The recorder can't start or go on; the message says why."""


def bounce(part: Part, inbox: Path, pace_s: float = PACE_S) -> dict[str, str | int]:
    """Write one stem into the inbox as a recorder would, and return its line for the log.

    Raises:
        FileExistsError: A file of this name is there; it is left as it is.
    """
    codes = render(part)
    header, audio = wav_bytes(codes)
    with (inbox / part.name).open("xb") as file:
        opened_at_ns = time.time_ns()
        file.write(header_bytes(codes.shape[1], SAMPLE_RATE_HZ, 0))
        _in_pieces(file, audio, pace_s)
        file.seek(0)
        file.write(header)
    closed_at_ns = time.time_ns()
    sha256 = hashlib.sha256(header + audio).hexdigest()
    return {"name": part.name, "sha256": sha256, "opened_at_ns": opened_at_ns, "closed_at_ns": closed_at_ns}


def main(arguments: Sequence[str] | None = None) -> int:
    """Bounce the song, or the parts that --only names; return 0, or 2 where the recorder can't go on."""
    asked = _parser().parse_args(arguments)
    try:
        parts = _chosen(asked.only)
        _look(asked.inbox, parts)
        _record(parts, asked.inbox, asked.log, asked.pace)
    except Unwilling as unwilling:
        _say(str(unwilling))
        return 2
    return 0


def _in_pieces(file: BinaryIO, audio: bytes, pace_s: float) -> None:
    size = -(-len(audio) // PIECES)
    for start in range(0, len(audio), size):
        file.flush()
        time.sleep(pace_s / PIECES)
        file.write(audio[start : start + size])
    file.flush()


def _chosen(names: Sequence[str] | None) -> tuple[Part, ...]:
    if names is None:
        return SONG
    known = {part.name: part for part in SONG}
    for name in names:
        if name not in known:
            raise Unwilling(f"The song has no part {name}; it has {', '.join(known)}.")
    return tuple(part for part in SONG if part.name in names)


def _look(inbox: Path, parts: tuple[Part, ...]) -> None:
    """Refuse an inbox that is no folder or holds one of the files already, before anything is written."""
    if not inbox.is_dir():
        raise Unwilling(f"{inbox} is not a folder, so there is nowhere to record into.")
    for part in parts:
        if (inbox / part.name).exists():
            raise _already(inbox / part.name)


def _already(path: Path) -> Unwilling:
    return Unwilling(f"{path} is already there, and a recorder never overwrites.")


def _record(parts: tuple[Part, ...], inbox: Path, log: Path, pace_s: float) -> None:
    for part in parts:
        try:
            line = bounce(part, inbox, pace_s)
            with log.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
        except FileExistsError as error:
            raise _already(inbox / part.name) from error
        except OSError as error:
            raise Unwilling(f"{error.filename or inbox} can't be written: {error.strerror}.") from error
        _say(f"bounced {part.name}")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m stager.demo.recorder", description="Bounce the demo's stems.")
    parser.add_argument("inbox", type=Path, help="the folder that the stems are written into")
    parser.add_argument("log", type=Path, help="the file that gets one line of JSON a stem, once it is closed")
    parser.add_argument("--pace", type=float, default=PACE_S, help="seconds that the writing of one stem takes")
    parser.add_argument("--only", nargs="+", action="extend", metavar="NAME", help="file names of the parts to bounce")
    return parser


def _say(sentence: str) -> None:
    sys.stderr.write(sentence + "\n")
    sys.stderr.flush()


if __name__ == "__main__":
    sys.exit(main())
