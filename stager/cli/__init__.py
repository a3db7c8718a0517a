"""The command line: one module a command, which loads, calls, prints and returns an exit status."""

import importlib
import os
import signal

__all__ = ["main"]


def main() -> None:
    """Run the command line. Until a command begins, nothing was written, and a signal ends the process at once."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, _end)
    importlib.import_module("stager.cli.app").main()


def _end(number: int, _frame: object) -> None:
    """End with the status that shells give to a process which a signal ended: 128 and its number."""
    os._exit(128 + number)
