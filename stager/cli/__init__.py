"""The command line: parse, load, call, print, exit."""

from stager.cli.app import main

__all__ = ["main"]
