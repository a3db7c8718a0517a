"""Long proofs, a line each: `python -m tests.prove [--short] [--only NAME]`; exit status 1 where one does not hold."""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.outside.command import Command
from tests.prove import (
    bus,
    copies_headers,
    copies_wide,
    crowd,
    dither,
    gains,
    kills,
    latency,
    memory,
    meters_music,
    pairs,
    peaks,
    seams,
    steps,
    takes,
    whole_set,
)
from tests.prove.proof import Bench, Proof, Theme

THEMES: dict[str, Theme] = {
    "dither": dither.prove,
    "gains": gains.prove,
    "peaks": peaks.prove,
    "meters": meters_music.prove,
    "kills": kills.prove,
    "memory": memory.prove,
    "wide": copies_wide.prove,
    "headers": copies_headers.prove,
    "takes": takes.prove,
    "pairs": pairs.prove,
    "bus": bus.prove,
    "seams": seams.prove,
    "steps": steps.prove,
    "crowd": crowd.prove,
    "latency": latency.prove,
    "set": whole_set.prove,
}

WHOLE_ONLY = frozenset({"takes", "set"})
"""Themes whose bounds are shares of a thousand cases, which a tenth can't show, or of which a tenth takes minutes: run
in short only where named."""


def _line(proof: Proof) -> str:
    state = "ok  " if proof.ok else "FAIL"
    return f"{state}  {proof.claim:<62}  {proof.figure:>24}  {proof.bound:<26}  {proof.source}"


def main() -> int:
    """Run the proofs that were asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.prove", description=__doc__)
    parser.add_argument("--short", action="store_true", help="a seeded tenth of each")
    parser.add_argument("--only", choices=THEMES, help="one theme alone")
    options = parser.parse_args()
    all_hold = True
    for name, theme in THEMES.items():
        if options.only not in (None, name) or (options.short and options.only is None and name in WHOLE_ONLY):
            continue
        with tempfile.TemporaryDirectory(prefix=f"prove-{name}-") as folder:
            for proof in theme(Bench(Command(), Path(folder), options.short)):
                print(_line(proof), flush=True)
                all_hold = all_hold and proof.ok
    return 0 if all_hold else 1


if __name__ == "__main__":
    sys.exit(main())
