"""Every command with its options. A command's room is loaded when it runs, so that `--help` waits for none of them."""

import gc
import importlib
import io
import os
import signal
import sys
from contextlib import redirect_stdout, suppress
from pathlib import Path
from types import ModuleType
from typing import Annotated, Any, Final, TextIO

import typer

from stager import __version__
from stager.cli.exits import Exit, FailOn, LogKind, ReferenceName
from stager.errors import StagerError, Stopped
from stager.stopping import request_stop

app = typer.Typer(
    help="Gain-stages bounced stems: measures each, works out one clip-safe trim, writes trimmed copies with a log.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

ProjectPath = Annotated[Path, typer.Argument(metavar="PROJECT", help="a folder with a stager.toml, or that file")]
AsJson = Annotated[bool, typer.Option("--json", help="print one JSON document")]
FailOnOption = Annotated[FailOn | None, typer.Option("--fail-on", help="exit 1 where a verdict is this or worse")]
Jobs = Annotated[int | None, typer.Option("--jobs", min=1, max=64, help="stems at work at once; default: one a core")]

Discover = Annotated[
    bool, typer.Option("--discover", help="PROJECT... are folders: watch every project below them, new ones too")
]
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
NEEDS = {
    **dict.fromkeys(("starlette", "uvicorn", "segno"), ("the page", "page")),
    **dict.fromkeys(("dask", "distributed"), ("--cluster", "cluster")),
}
"""What needs a library of an extra, and the extra's name."""


STDERR: Final = 2
_TOLD_TO_END: Final[list[int]] = []
"""Filled by SIGTERM: which of the two signals ended the work."""


def run_command(room: str, **options: Any) -> None:  # noqa: ANN401 - whatever the command's own `run` takes
    """Load the room of a command, run it, and exit with its status."""
    try:
        module = _loaded(room)
        is_watched = bool(sys.stderr and sys.stderr.isatty()) and options.get("log") is not LogKind.JSON
        if (compiled := sys.modules.get("stager.compiled")) and is_watched:
            compiled.tell_of_compiling(_say_that_it_compiles)
        status = module.run(**options)
    except (KeyboardInterrupt, Stopped):
        status = Exit.TERMINATED if _TOLD_TO_END else Exit.INTERRUPTED
    except StagerError as error:
        print(f"stager: {error}", file=sys.stderr)
        status = Exit.NOTHING_RAN
    except ModuleNotFoundError as error:
        if error.name not in NEEDS:
            raise
        what, extra = NEEDS[error.name]
        words = f"{what} needs {error.name}, which is not installed: pip install 'stager[{extra}]'"
        print(f"stager: {words}", file=sys.stderr)
        status = Exit.NOTHING_RAN
    raise typer.Exit(int(status))


def _say_that_it_compiles() -> None:
    words = "Compiling the measuring loops, as a first run does: up to a minute, once; later runs start at once."
    with suppress(OSError):
        print(words, file=sys.stderr, flush=True)


def _loaded(room: str) -> ModuleType:
    """Load the room of a command; nothing that is loaded is rubbish, so nobody looks for any meanwhile, or later."""
    gc.disable()
    try:
        return importlib.import_module(f"stager.cli.{room}")
    finally:
        gc.freeze()
        gc.enable()


@app.callback(invoke_without_command=True)
def _root(version: Annotated[bool, typer.Option("--version", help="print the version")] = False) -> None:  # noqa: FBT002
    if version:
        print(f"stager {__version__}")
        raise typer.Exit


@app.command()
def demo(
    folder: Annotated[Path | None, typer.Argument(metavar="DIR", help="where; default: a new folder here")] = None,
    seconds: Annotated[float, typer.Option("--pace", min=0.0, help="seconds that the bounce of one stem takes")] = 0.8,
) -> None:
    """Make a song with faults, bounce its stems one by one into a watched inbox, and show what becomes of them."""
    run_command("demo_command", folder=folder, pace_s=seconds)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="the song's folder; made where it is missing")],
) -> None:
    """Write a commented stager.toml and make inbox and outbox."""
    run_command("new_command", folder=folder)


@app.command()
def stage(
    project: ProjectPath = Path(),
    only: Annotated[
        list[str] | None, typer.Option("--only", metavar="GLOB", help="only stems that match; repeatable")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="decide and show, write nothing")] = False,  # noqa: FBT002
    again: Annotated[bool, typer.Option("--again", help="even stems whose copy is up to date")] = False,  # noqa: FBT002
    jobs: Jobs = None,
    fail_on: FailOnOption = None,
    as_json: AsJson = False,  # noqa: FBT002
    cluster: Cluster = None,
) -> None:
    """Stage what is in the inbox, once."""
    run_command(
        "stage_command" if cluster is None else "cluster_command",
        project=project,
        only=only or [],
        dry_run=dry_run,
        again=again,
        jobs=jobs,
        fail_on=fail_on,
        as_json=as_json,
        **({} if cluster is None else {"cluster": cluster}),
    )


@app.command()
def watch(
    projects: Annotated[
        list[Path] | None, typer.Argument(metavar="PROJECT...", help="one or many; default: here")
    ] = None,
    until_idle: Annotated[
        float | None, typer.Option("--until-idle", metavar="S", min=0.0, help="end once nothing happened for S seconds")
    ] = None,
    poll: Annotated[bool, typer.Option("--poll", help="look every second instead of listening for changes")] = False,  # noqa: FBT002
    discover: Discover = False,  # noqa: FBT002
    log: LogOption = LogKind.LINES,
    page: PageOption = False,  # noqa: FBT002
    page_host: PageHost = None,
    page_port: PagePort = None,
    page_token: PageToken = None,
) -> None:
    """Stage stems as they are bounced, until stopped."""
    has_page = page or page_host is not None or page_port is not None
    run_command(
        "page_command" if has_page else "watch_command",
        projects=projects or [Path()],
        until_idle_s=until_idle,
        poll=poll,
        discover=discover,
        log=log,
        **({"page": (page_host, page_port, page_token)} if has_page else {}),
    )


@app.command()
def measure(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="audio files")],
    reference: Annotated[ReferenceName, typer.Option(help="whose RMS at full scale reads 0 dBFS")] = ReferenceName.SINE,
    fail_on: FailOnOption = None,
    as_json: AsJson = False,  # noqa: FBT002
) -> None:
    """Show levels and findings of audio files; no project needed, nothing written."""
    run_command("measure_command", files=files, reference=reference, fail_on=fail_on, as_json=as_json)


@app.command()
def check(
    project: ProjectPath = Path(),
    more: Annotated[
        int | None, typer.Option("--for", metavar="N", min=0, help="the room that N more parts like these would leave")
    ] = None,
    rough: Annotated[Path | None, typer.Option("--rough", metavar="FILE", help="a rough mix to compare with")] = None,
    fail_on: FailOnOption = None,
    as_json: AsJson = False,  # noqa: FBT002
) -> None:
    """Examine the set as a whole: whether it can be sent, doubles, links, the mix bus. Writes nothing."""
    run_command("check_command", project=project, more=more, rough=rough, fail_on=fail_on, as_json=as_json)


@app.command()
def verify(project: ProjectPath = Path(), as_json: AsJson = False) -> None:  # noqa: FBT002
    """Re-read originals and copies, and prove that they differ in level alone."""
    run_command("verify_command", project=project, as_json=as_json)


@app.command()
def report(project: ProjectPath = Path()) -> None:
    """Write the report of what was staged: a page to look at, tables, and notes for whoever mixes."""
    run_command("report_command", project=project)


@app.command()
def status(project: ProjectPath = Path(), as_json: AsJson = False) -> None:  # noqa: FBT002
    """Show what a running watch is doing, and which stems have no copy."""
    run_command("status_command", project=project, as_json=as_json)


@app.command()
def steps(as_json: AsJson = False) -> None:  # noqa: FBT002
    """List the steps and other plug-ins that are installed, with their settings."""
    run_command("steps_command", as_json=as_json)


@app.command()
def schema() -> None:
    """Print the JSON Schema of the project file, with the settings of every installed plug-in."""
    run_command("schema_command")


def main() -> None:
    """Run the command line; what it printed goes out in one piece at its end, so that one place knows what may fail."""
    signal.signal(signal.SIGINT, _interrupt)
    signal.signal(signal.SIGTERM, _terminate)
    _fill_what_is_closed()
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr.reconfigure(errors="backslashreplace")
    out, status = sys.stdout, 0
    with redirect_stdout(io.StringIO()) as printed:
        try:
            app()
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else 0
    sys.exit(_hand_over(out, printed.getvalue(), status))


def _fill_what_is_closed() -> None:
    """Put nothing where a parent closed stdin, stdout or stderr: a file of ours must not get the number of one."""
    while (descriptor := os.open(os.devnull, os.O_RDWR)) <= STDERR:
        os.set_inheritable(descriptor, True)
    os.close(descriptor)
    if sys.stderr is None:
        sys.stderr = io.TextIOWrapper(io.FileIO(STDERR, "w", closefd=False), "utf-8")


def _interrupt(_number: int, _frame: object) -> None:
    """Let every read that is at work end at its next block, so that nobody waits for it."""
    request_stop()
    raise KeyboardInterrupt


def _terminate(number: int, _frame: object) -> None:
    _TOLD_TO_END.append(number)
    request_stop()
    sys.exit(Exit.TERMINATED)


def _hand_over(out: TextIO | None, text: str, status: int) -> int:
    """Write what was printed past every buffer; gives the status, or another where nobody or nothing takes it."""
    if out is None or not text:
        return status
    left = memoryview(text.encode(out.encoding or "utf-8", "backslashreplace"))
    try:
        while left:
            left = left[os.write(out.fileno(), left) :]
    except BrokenPipeError:
        return Exit.PIPE_CLOSED
    except OSError as error:
        print(f"stager: expected to print the result, found: {error.strerror}", file=sys.stderr)
        return Exit.NOTHING_RAN
    return status
