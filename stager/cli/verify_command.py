"""`stager verify`: proves that originals are untouched and copies differ in level alone."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from stager.cli.exits import Exit
from stager.cli.screen import print_json, say, say_tracebacks
from stager.judge.sentences import counted
from stager.plugins.projects import load_project
from stager.report import Row, rows_text
from stager.verify import Verified, VerifiedPack, verify_packs, verify_project

COLUMNS: Final = ("stem", "result", "residual peak", "residual RMS", "expected RMS")
OTHERS: Final = {
    "DIFFERS": "Different, each with its reason above",
    "stale": "Bounced anew since, so stage them again",
    "taken out": "No longer in the inbox",
}
"""The results that are not ok, and the words for them in the summary."""


def run(*, project: Path, as_json: bool) -> Exit:
    """Prove every copy of a project."""
    loaded = load_project(project)
    proofs, packs = list(verify_project(loaded)), list(verify_packs(loaded))
    if not proofs:
        say("Nothing to verify: no stem was staged here yet.")
    packed = [pack.to_data() for pack in packs]
    if as_json:
        print_json({"schema": "stager/verify/1", "stems": [proof.to_data() for proof in proofs], "packs": packed})
    elif proofs:
        print(rows_text(COLUMNS, [_row(proof) for proof in proofs], left=2))
        print("\nresidual: copy less gain x original, in LSB of the copy (of 24 bits where it is float);")
        print("expected RMS: what rounding and dither leave.")
        print(_summary(proofs))
    if packs and not as_json:
        print("\n".join(line for pack in packs for line in _pack_lines(pack)))
    say_tracebacks(proof.traceback for proof in proofs)
    return Exit.DONE if all([*(proof.ok for proof in proofs), *(pack.ok for pack in packs)]) else Exit.SOME


def _pack_lines(pack: VerifiedPack) -> list[str]:
    """Return what is proven of a pack, or what differs in it."""
    if not pack.ok:
        return [f"pack {pack.place} DIFFERS:", *(f"  {says}" for says in pack.differences)]
    proof = (
        f"pack {pack.place} ok: {pack.files} files, each silence, its source bit for bit, silence; all sums are right"
    )
    stale = [f"  {stem}: its source changed since; pack it again" for stem in pack.stale]
    return [proof if not stale else f"pack {pack.place}: stale", *stale]


def _summary(proofs: Sequence[Verified]) -> str:
    """Return how many copies hold, and how many do not, of those that could be compared."""
    states = Counter(map(_state, proofs))
    holds = f"{states['ok']} of {counted(len(proofs), 'stem')}: the copy differs from its original in level alone."
    return " ".join([holds, *(f"{OTHERS[state]}: {states[state]}." for state in OTHERS if states[state])])


def _state(proof: Verified) -> str:
    if not proof.ok:
        return "DIFFERS"
    return "stale" if proof.stale else "taken out" if proof.taken_out else "ok"


def _row(proof: Verified) -> Row:
    state = _state(proof)
    stale = ["its original was bounced anew since: stage it again"] if proof.stale else []
    notes = [*proof.notes, *proof.differences, *stale]
    left = proof.residual
    figures = (
        (f"{left.peak_lsb:.3f}", f"{left.rms_lsb:.4f}", f"{left.expected_rms_lsb:.4f}") if left else ("-", "-", "-")
    )
    return Row((proof.stem, state, *figures), tuple(notes))
