"""The options and arguments that commands share."""

from pathlib import Path
from typing import Annotated

import typer

from stager.cli.exits import FailOn, LogKind

ProjectPath = Annotated[Path, typer.Argument(metavar="PROJECT", help="a folder with a stager.toml, or that file")]
AsJson = Annotated[bool, typer.Option("--json", help="print one JSON document")]
FailOnOption = Annotated[FailOn | None, typer.Option("--fail-on", help="exit 1 where a verdict is this or worse")]
Jobs = Annotated[int | None, typer.Option("--jobs", min=1, max=64, help="stems at work at once; default: one a core")]

Discover = Annotated[bool, typer.Option("--discover", help="watch every project below these folders, new ones too")]
LogOption = Annotated[LogKind, typer.Option("--log", help="lines for people, or one JSON object a line")]
PageOption = Annotated[bool, typer.Option("--page", help="serve a page for a tablet: the last takes and stems, live")]
PageHost = Annotated[
    str | None,
    typer.Option(help="this machine's address in the network, or 0.0.0.0; default: for this machine alone"),
]
PagePort = Annotated[int | None, typer.Option(min=0, max=65535, help="0: any that is free; default: 8537, or any")]
PageToken = Annotated[
    str | None,
    typer.Option(envvar="STAGER_PAGE_TOKEN", help="12 letters or more that the address holds; default: new each time"),
]
Cluster = Annotated[
    str | None,
    typer.Option(
        metavar="ADDRESS|local",
        help="let the workers of a scheduler at this address do it, or processes here; only in a trusted network: "
        "whoever reaches a scheduler can run any code on its workers",
    ),
]
Yes = Annotated[bool, typer.Option("--yes", help="write without asking")]
Undo = Annotated[bool, typer.Option("--undo", help="take the last change back, byte for byte")]
