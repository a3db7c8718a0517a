"""How fast the installed `stager` is, beside others in turn: `python -m tests.bench`. It prints and asserts nothing."""

import argparse
import json
import os
import platform
import sys
import tempfile
from importlib import import_module
from pathlib import Path

from tests.bench import checking, comparing, idle, long_stem, measuring, rows, short_stems, staging, start
from tests.bench.rows import Row
from tests.bench.stems import Room, Skipped, StemQueue, compiled
from tests.bench.timing import Failed

BENCHES: dict[str, StemQueue] = {
    "staging": staging.bench,
    "comparing": comparing.bench,
    "checking": checking.bench,
    "measuring": measuring.bench,
    "short": short_stems.bench,
    "long": long_stem.bench,
    "start": start.bench,
    "idle": idle.bench,
}


def main() -> int:
    """Run the benches that were asked for, and show what they found; 1 where one could not do its work."""
    options = _options()
    if options.panel:
        import_module("tests.bench.panel").main()  # the one part that loads the package into this process
        return 0
    print(_machine(), file=sys.stderr)
    found: list[Row] = []
    told: list[str] = []
    failed = False
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        room = Room(Path(folder), options.rounds, options.full)
        compiled(room)
        for name in options.only:
            try:
                for row in BENCHES[name](room):
                    _tell(row)
                    found += [row] if isinstance(row, Row) else []
                    told += [row] if isinstance(row, str) else []
            except (Skipped, Failed) as error:
                failed = failed or isinstance(error, Failed)
                told.append(f"{name}: {error}.")
                _tell(told[-1])
    _show(options, found, told)
    return int(failed)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--only", type=_names, default=list(BENCHES), metavar="NAME[,NAME]", help=", ".join(BENCHES))
    parser.add_argument("--rounds", type=int, default=5, help="how often each side runs; default: 5")
    parser.add_argument(
        "--full", action="store_true", help="60 stems of 4 min, not 8; 2 h, not 20 min; 2000 of 1 s, not 500"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write everything as one JSON document too")
    parser.add_argument("--markdown", action="store_true", help="print the table as README has it")
    parser.add_argument("--panel", action="store_true", help="only the meters, in this process, beside decoding")
    return parser.parse_args()


def _names(text: str) -> list[str]:
    names = text.split(",")
    if unknown := [name for name in names if name not in BENCHES]:
        raise argparse.ArgumentTypeError(f"no bench is called {unknown[0]}; there are {', '.join(BENCHES)}")
    return names


def _machine() -> str:
    return f"{os.cpu_count()} cores, {platform.machine()}, {platform.system()}, Python {platform.python_version()}"


def _tell(row: Row | str) -> None:
    """Print at once what was found: a whole run takes many minutes."""
    print(row if isinstance(row, str) else " | ".join(row.cells()), file=sys.stderr, flush=True)


def _show(options: argparse.Namespace, found: list[Row], told: list[str]) -> None:
    head = f"{_machine()}; medians of {options.rounds} rounds in turn, all from memory (warm page cache)"
    print("\n".join([head, *told, "", rows.markdown(found) if options.markdown else rows.text(found)]))
    if options.json:
        data = {"machine": _machine(), "rounds": options.rounds, "told": told, "rows": [row.to_data() for row in found]}
        options.json.write_text(json.dumps(data, indent=2), "utf-8")


if __name__ == "__main__":
    sys.exit(main())
