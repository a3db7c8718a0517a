"""`stager pack`: the set for whoever mixes, in a folder or a ZIP file that is there whole or not at all."""

from pathlib import Path
from typing import TypedDict, Unpack

from stager.cli.exits import Exit
from stager.cli.screen import print_json, say, say_caution, say_phase
from stager.cli.set_check import checked, state_if_there
from stager.judge.sentences import exact_clock
from stager.pack import USUAL_NAME, Packed, PackOptions, lines_of, plan_of, write_pack
from stager.plugins.projects import load_project
from stager.project import Project
from stager.staging.bus_offset import with_offset
from stager.system.printable import on_screen, shown


class PackCommandOptions(TypedDict):
    """The options of one pack."""

    project: Path
    folder: Path | None
    originals: bool
    as_zip: bool
    rough: Path | None
    replace: bool
    quick: bool
    as_json: bool


def run(**options: Unpack[PackCommandOptions]) -> Exit:
    """Write a pack, and say where it is and what is not in it."""
    loaded = with_offset(load_project(options["project"]))
    plan = plan_of(loaded, of_originals=options["originals"])
    state = None if options["quick"] else state_if_there(loaded)
    check = checked(loaded, state) if state else None
    packed = write_pack(
        loaded,
        plan,
        PackOptions(
            _place(loaded, options["folder"], as_zip=options["as_zip"]),
            as_zip=options["as_zip"],
            replace=options["replace"],
            rough=options["rough"],
            lines=lines_of(check.findings) if check else (),
            on_phase=say_phase,
        ),
    )
    if options["as_json"]:
        document = packed.pack.model_dump(mode="json", by_alias=True)
        print_json({**document, "place": shown(packed.place)})
    else:
        print(on_screen(shown(packed.place)))
    _say(packed)
    if not plan.of_originals:
        say_caution(each.stem.sidecar for each in plan.files)
    return Exit.SOME if plan.refused else Exit.DONE


def _place(project: Project, folder: Path | None, *, as_zip: bool) -> Path:
    """Return where the pack goes: DIR, or beside the project file; a ZIP file has its suffix."""
    place = (folder if folder is not None else project.folder / USUAL_NAME).absolute()
    return place if not as_zip or place.suffix.lower() == ".zip" else place.with_name(f"{place.name}.zip")


def _say(packed: Packed) -> None:
    pack = packed.pack
    length = exact_clock(pack.frames / pack.sample_rate_hz)
    kind = "copies" if pack.made_of == "copies" else "originals"
    say(f"{len(pack.files)} {kind}, one start, {length} each, {pack.sample_rate_hz / 1000:g} kHz. {pack.balance.says}")
    for stem in pack.without_stamp if pack.start_frames is not None else ():
        say(f"{stem}: without a time stamp, put at the beginning; check by ear")
    for stem in pack.stamps_doubted:
        say(f"{stem}: its time stamp lies far from all others, put at the beginning; check by ear")
    for missing in pack.not_packed:
        say(f"not in it: {missing.says}", always=True)
