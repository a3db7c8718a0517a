"""Long proofs, a line each: `python -m tests.prove [--short] [--only NAME]`; exit status 1 where one does not hold."""

import argparse
import os
import sys
import tempfile
from pathlib import Path

from tests.prove import (
    advice,
    buffers,
    bus,
    copies_headers,
    copies_wide,
    crowd,
    dither,
    faults,
    gains,
    hum,
    interrupted,
    kills,
    latency,
    lies,
    many_projects,
    memory,
    meters_music,
    noise,
    pairs,
    peaks,
    planned,
    precoded,
    recordings,
    rough_mix,
    seams,
    steps,
    takes,
    true_peak,
    whole_set,
)
from tests.prove.proof import Proof, ProofContext, Theme
from tests.support.command import Command

THEMES: dict[str, Theme] = {
    "dither": dither.prove,
    "gains": gains.prove,
    "peaks": peaks.prove,
    "true_peak": true_peak.prove,
    "meters": meters_music.prove,
    "kills": kills.prove,
    "interrupted": interrupted.prove,
    "memory": memory.prove,
    "wide": copies_wide.prove,
    "headers": copies_headers.prove,
    "lies": lies.prove,
    "takes": takes.prove,
    "precoded": precoded.prove,
    "recordings": recordings.prove,
    "faults": faults.prove,
    "buffers": buffers.prove,
    "advice": advice.prove,
    "hum": hum.prove,
    "noise": noise.prove,
    "pairs": pairs.prove,
    "bus": bus.prove,
    "seams": seams.prove,
    "steps": steps.prove,
    "crowd": crowd.prove,
    "projects": many_projects.prove,
    "latency": latency.prove,
    "set": whole_set.prove,
    "rough": rough_mix.prove,
    "planned": planned.prove,
}

WHOLE_ONLY = frozenset(
    {"takes", "buffers", "set", "hum", "noise", "advice", "projects", "rough", "planned", "recordings", "faults"}
)
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
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="runs at once, of the theme lies")
    parser.add_argument("--first", type=int, default=0, help="the number of the first file, of the theme lies")
    parser.add_argument("--files", type=int, default=0, help="how many files, of the theme lies; default: all")
    options = parser.parse_args()
    all_hold = True
    for name, theme in THEMES.items():
        if options.only not in (None, name) or (options.short and options.only is None and name in WHOLE_ONLY):
            continue
        with tempfile.TemporaryDirectory(prefix=f"prove-{name}-") as folder:
            context = ProofContext(Command(), Path(folder), options.short, options.jobs, options.first, options.files)
            for proof in theme(context):
                print(_line(proof), flush=True)
                all_hold = all_hold and proof.ok
    return 0 if all_hold else 1


if __name__ == "__main__":
    sys.exit(main())
