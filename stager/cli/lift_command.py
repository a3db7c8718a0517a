"""`stager measure --lift`: by how much each part is played louder than in its level checks, as far as it is known."""

from typing import Final

from stager.analysis.lifts import lift_file, read_pairs
from stager.cli.exits import Exit
from stager.cli.screen import print_json
from stager.judge.lift import FEWEST_PAIRS, known_lifts
from stager.model.takes import LIFT_SCHEMA, LearnedLift
from stager.report import Row, figure, rows_text
from stager.system.printable import shown

COLUMNS: Final = ("part", "pairs", "median", "lowest", "highest")


def run(*, as_json: bool) -> Exit:
    """Print what is known of each part; from fewer pairs than needed it is shown, and not used yet."""
    lifts = known_lifts(read_pairs())
    if as_json:
        parts = [lift.model_dump() | {"used": lift.pairs >= FEWEST_PAIRS} for lift in lifts]
        print_json({"schema": LIFT_SCHEMA, "parts": parts})
    elif lifts:
        print(rows_text(COLUMNS, [_row(lift) for lift in lifts], left=1))
        print(
            f"\nBy how many dB the peaks of a take exceed those of the level check before it. From {FEWEST_PAIRS} pairs"
        )
        print("on, the median is allowed for in advice on a level check. A pair is a check and its takes,")
        print(f"recorded without turning the input between. To forget all of it, remove {shown(lift_file())}")
    else:
        print(
            "Nothing is known yet. With learn = true under [recording] in stager.toml, a watch learns from each level"
        )
        print(
            "check (a take with check or level in its name, or the first short one of a part) and the takes after it."
        )
    return Exit.DONE


def _row(lift: LearnedLift) -> Row:
    missing = FEWEST_PAIRS - lift.pairs
    notes = (f"not used yet: {missing} more to come",) if missing > 0 else ()
    levels = (figure(value, signed=True) for value in (lift.median_db, lift.lowest_db, lift.highest_db))
    return Row((lift.part, str(lift.pairs), *levels), notes)
