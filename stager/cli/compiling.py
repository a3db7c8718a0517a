"""What is said while the measuring loops compile, which takes up to a minute on a machine where they never ran."""

import sys
from contextlib import suppress
from typing import Final

ONCE: Final = "First run on this machine: compiling the measuring loops takes up to a minute, once. Nothing hangs."
EACH_TIME: Final = (
    "Compiling the measuring loops takes up to a minute. No folder could be written that keeps them: each run does it; "
    "NUMBA_CACHE_DIR can name one."
)


def compiling_text(*, kept: bool) -> str:
    """Return the sentence, for loops that are `kept` for later runs or that each run compiles."""
    return ONCE if kept else EACH_TIME


def tell_of_compiling() -> None:
    """Have it said on a terminal if it takes long. Does nothing for a command that has not loaded the loops."""
    loops = sys.modules.get("stager.system.jit")
    if loops is None or not (sys.stderr and sys.stderr.isatty()):
        return

    def tell() -> None:
        with suppress(OSError):
            print(compiling_text(kept=loops.is_kept()), file=sys.stderr, flush=True)

    loops.tell_of_compiling(tell)
