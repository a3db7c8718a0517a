"""`stager demo`: stages an invented song live."""

from pathlib import Path

from stager.cli.exits import Exit
from stager.cli.screen import say
from stager.demo.show import set_up, show


def run(*, folder: Path | None, pace_s: float) -> Exit:
    """Set the demo up and run it."""
    return Exit.SOME if show(set_up(folder), pace_s, say) else Exit.DONE
