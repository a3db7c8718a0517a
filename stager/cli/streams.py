"""The standard streams of a command: none is closed, and results are written in one piece."""

import io
import os
import sys
from typing import Final, TextIO

from stager.cli.exits import Exit
from stager.system.printable import on_screen

STDERR: Final = 2


def printable_lines(text: str) -> str:
    """Return the text with control characters written out: names of files, songs and roles come from anywhere."""
    return "\n".join(line if line.isprintable() else on_screen(line) for line in text.split("\n"))


def open_null_on_closed_streams() -> None:
    """Open the null device on closed standard streams, so that no later file is given descriptor 0, 1 or 2."""
    while (descriptor := os.open(os.devnull, os.O_RDWR)) <= STDERR:
        os.set_inheritable(descriptor, True)
    os.close(descriptor)
    if sys.stderr is None:
        sys.stderr = io.TextIOWrapper(io.FileIO(STDERR, "w", closefd=False), "utf-8")


def write_output(out: TextIO | None, text: str, status: int) -> int:
    """Write the output unbuffered; return the status, or another where the pipe is closed or the write fails."""
    if out is None or not text:
        return status
    left = memoryview(printable_lines(text).encode(out.encoding or "utf-8", "backslashreplace"))
    try:
        while left:
            left = left[os.write(out.fileno(), left) :]
    except BrokenPipeError:
        return Exit.PIPE_CLOSED
    except OSError as error:
        print(f"stager: expected to print the result, found: {error.strerror}", file=sys.stderr)
        return Exit.NOTHING_RAN
    return status
