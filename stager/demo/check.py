"""The demo's final check, a process of its own: `python -m stager.demo.check DIR`.

It reads the recorder's log and the files themselves, and fails where an original changed, a copy is missing or differs
from its sidecar, a copy is older than the moment its stem was closed, or a temporary file was left behind.
"""

import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from shutil import which
from typing import Any

from stager.demo.show import Stage
from stager.demo.song import SONG
from stager.model import Staged
from stager.report import outcomes_text
from stager.staging.outbox import sidecar_of
from stager.system.files import sha256_of
from stager.system.printable import shown


def main(arguments: Sequence[str]) -> int:
    """Check a demo's folder, print its table, and return the exit status."""
    stage = Stage(Path(arguments[0]))
    bounced = [json.loads(line) for line in stage.log.read_text("utf-8").splitlines()]
    differences = [says for entry in bounced for says in _differences(stage, entry)]
    differences += [f"{path.name}: a temporary file that was left behind" for path in stage.outbox.glob(".*")]
    sidecars = [sidecar_of(stage.outbox / entry["name"]) for entry in bounced]
    sys.stdout.write(f"\n{outcomes_text([Staged(sidecar) for sidecar in sidecars if sidecar])}\n\n")
    for says in differences:
        sys.stderr.write(f"wrong: {says}\n")
    sys.stdout.write(_summary(stage, len(bounced), len(differences)))
    return 1 if differences or len(bounced) != len(SONG) else 0


def _differences(stage: Stage, entry: dict[str, Any]) -> Iterator[str]:
    """Yield what is wrong with one stem."""
    name, copy = entry["name"], stage.outbox / entry["name"]
    sidecar = sidecar_of(copy)
    if sha256_of(stage.inbox / name) != entry["sha256"]:
        yield f"{name}: the original is no longer what the recorder wrote"
    if sidecar is None or sidecar.copy_ is None:
        yield f"{name}: has no copy with a sidecar"
        return
    if sha256_of(copy) != sidecar.copy_.sha256:
        yield f"{name}: its copy is not the one that its sidecar describes"
    if sidecar.source.sha256 != entry["sha256"]:
        yield f"{name}: its copy was made of something else than what the recorder wrote"
    if copy.stat().st_mtime_ns < entry["closed_at_ns"]:
        yield f"{name}: its copy is older than the moment its stem was closed"


def _command() -> str:
    """Return how to call the command here: by its name, or by its path where it is not on the search path."""
    return "stager" if which("stager") else shown(Path(sys.executable).with_name("stager"))


def _summary(stage: Stage, stems: int, wrong: int) -> str:
    folder = shown(stage.folder)
    state = "all as they should be" if not wrong else f"{wrong} things wrong, see above"
    return (
        f"Verified {stems} originals and their copies: {state}.\n"
        "Some were raised by more than 6 dB: turn your monitors down before you first play them.\n\n"
        f"Look in {folder}:\n"
        f"  bounces/       the originals, as the recorder left them\n"
        f"  staged/        the trimmed copies, each with its log in a .json beside it\n"
        f"  staged/report.csv and report.json: the table above, for spreadsheets and scripts\n"
        f"  stager.toml    the project file: change the target, then run:\n"
        f"                 {_command()} stage {folder}\n\n"
        f"Doubles, links, the mix bus, and whether it can be sent; and a page to look at:\n"
        f"                 {_command()} check {folder}\n"
        f"                 {_command()} report {folder}\n"
    )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
