"""The command line: one module a command, which loads, calls, prints and returns an exit status."""

from stager.cli.app import main

__all__ = ["main"]
