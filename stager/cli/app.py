"""Every command with its options. A command's module is imported when it runs, so that `--help` stays fast."""

import gc
import importlib
import io
import signal
import sys
from contextlib import redirect_stdout
from pathlib import Path
from types import ModuleType
from typing import Annotated, Any, Final

import typer

from stager.cli.compiling import tell_of_compiling
from stager.cli.exits import QUIET, Exit, LogKind, ReferenceName, ServiceKind
from stager.cli.extras import NEEDS, how_to_install
from stager.cli.options import (
    AsJson,
    Cluster,
    Discover,
    FailOnOption,
    Jobs,
    LogOption,
    PageHost,
    PageOption,
    PagePort,
    PageToken,
    ProjectPath,
    Undo,
    Yes,
)
from stager.cli.streams import open_null_on_closed_streams, printable_lines, write_output
from stager.errors import InternalError, StagerError, Stopped, internal_errors
from stager.system.cancel import request_stop
from stager.system.version import VERSION

app = typer.Typer(
    help="Gain-stages bounced stems: measures each, works out one clip-safe trim, writes trimmed copies with a log.",
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

_TERMINATED_BY: Final[list[int]] = []
"""Filled when SIGTERM arrives, so that its exit status is told from SIGINT's."""


def run_command(module_name: str, **options: Any) -> None:  # noqa: ANN401 - whatever the command's own `run` takes
    """Import the module of a command, run it, and exit with its status."""
    signal.signal(signal.SIGINT, _interrupt)
    signal.signal(signal.SIGTERM, _terminate)
    try:
        with internal_errors(module_name.removesuffix("_command"), ModuleNotFoundError):
            _find_upward(options)
            module = _loaded(module_name)
            if "log" not in options:  # a watch says it in its log
                tell_of_compiling()
            status = module.run(**options)
    except (KeyboardInterrupt, Stopped):
        status = Exit.TERMINATED if _TERMINATED_BY else Exit.INTERRUPTED
    except StagerError as error:
        print(f"stager: {printable_lines(_sentence(error))}", file=sys.stderr)
        status = Exit.NOTHING_RAN
    except ModuleNotFoundError as error:
        if error.name not in NEEDS:
            raise
        print(f"stager: {how_to_install(error.name)}", file=sys.stderr)
        status = Exit.NOTHING_RAN
    raise typer.Exit(int(status))


def _sentence(error: StagerError) -> str:
    """Return what is printed of an error: of an unexpected one its traceback too."""
    if not isinstance(error, InternalError):
        return str(error)
    return f"{error}; a report of it needs these lines:\n{error.traceback.rstrip()}"


def _find_upward(options: dict[str, Any]) -> None:
    """Use the nearest project above the current folder where no project was named."""
    above = next((folder for folder in Path.cwd().parents if (folder / "stager.toml").is_file()), None)
    if above is None or Path("stager.toml").exists():
        return
    if options.get("project") == Path():
        options["project"] = above
    if options.get("projects") == [Path()]:
        options["projects"] = [above]


def _loaded(module_name: str) -> ModuleType:
    """Import the module of a command; imports create no garbage, so skip collection, and exempt what was loaded."""
    gc.disable()
    try:
        return importlib.import_module(f"stager.cli.{module_name}")
    finally:
        gc.freeze()
        gc.enable()


@app.callback(invoke_without_command=True)
def _root(
    version: Annotated[bool, typer.Option("--version", "-V", help="print the version")] = False,  # noqa: FBT002
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="no messages but results, errors, cautions")] = False,  # noqa: FBT002
) -> None:
    if quiet:
        QUIET.append(True)
    if version:
        print(f"stager {VERSION}")
        raise typer.Exit


@app.command()
def demo(
    folder: Annotated[Path | None, typer.Argument(metavar="DIR", help="where; default: a new folder here")] = None,
    seconds: Annotated[float, typer.Option("--pace", min=0.0, help="seconds that the bounce of one stem takes")] = 0.8,
) -> None:
    """Make a song with faults and stage it live, stem by stem."""
    run_command("demo_command", folder=folder, pace_s=seconds)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="the song's folder; made where it is missing")],
    source: Annotated[
        Path | None, typer.Option("--from", metavar="FOLDER", help="propose roles and links from the stems there")
    ] = None,
    accept: Annotated[bool, typer.Option("--accept", help="put what is proposed in force")] = False,  # noqa: FBT002
) -> None:
    """Write a commented stager.toml and make inbox and outbox."""
    if source is None:
        run_command("new_command", folder=folder, accept=accept)
    else:
        run_command("new_from_command", folder=folder, source=source, accept=accept)


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
    projects: Annotated[list[Path] | None, typer.Argument(metavar="PROJECT", help="one or many; default: here")] = None,
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
    files: Annotated[list[Path] | None, typer.Argument(metavar="FILE", help="audio files, or folders of them")] = None,
    reference: Annotated[ReferenceName, typer.Option(help="whose RMS at full scale reads 0 dBFS")] = ReferenceName.SINE,
    lift: Annotated[bool, typer.Option("--lift", help="how much louder than in level checks you play")] = False,  # noqa: FBT002
    fail_on: FailOnOption = None,
    as_json: AsJson = False,  # noqa: FBT002
) -> None:
    """Show levels and findings of audio files, no project needed."""
    if lift == bool(files):
        raise typer.BadParameter("expected either FILE or --lift")
    if lift:
        run_command("lift_command", as_json=as_json)
    else:
        run_command("measure_command", files=files, reference=reference, fail_on=fail_on, as_json=as_json)


@app.command()
def mix(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="finished mixes")],
    quick: Annotated[bool, typer.Option("--quick", help="leave out lossy coding, which takes the most time")] = False,  # noqa: FBT002
    fail_on: FailOnOption = None,
    as_json: AsJson = False,  # noqa: FBT002
) -> None:
    """Judge finished mixes before they are sent; nothing is changed."""
    run_command("mix_command", files=files, fail_on=fail_on, with_coding=not quick, as_json=as_json)


@app.command()
def check(
    project: ProjectPath = Path(),
    more: Annotated[
        int | None, typer.Option("--for", metavar="N", min=0, help="the room that N more parts like these would leave")
    ] = None,
    rough: Annotated[Path | None, typer.Option("--rough", metavar="FILE", help="a rough mix to compare with")] = None,
    everything: Annotated[bool, typer.Option("--all", help="every finding, not the first ten")] = False,  # noqa: FBT002
    fail_on: FailOnOption = None,
    as_json: AsJson = False,  # noqa: FBT002
) -> None:
    """Examine the set: can it be sent, doubles, links, the mix bus.

    Writes nothing.
    """
    run_command(
        "check_command",
        project=project,
        more=more,
        rough=rough,
        fail_on=fail_on,
        as_json=as_json,
        everything=everything,
    )


@app.command()
def verify(project: ProjectPath = Path(), as_json: AsJson = False) -> None:  # noqa: FBT002
    """Prove that originals and copies differ in level alone."""
    run_command("verify_command", project=project, as_json=as_json)


@app.command()
def report(
    project: ProjectPath = Path(),
    quick: Annotated[bool, typer.Option("--quick", help="don't examine the set anew")] = False,  # noqa: FBT002
) -> None:
    """Write the report: a page, tables, and notes for whoever mixes."""
    run_command("report_command", project=project, quick=quick)


@app.command()
def pack(
    project: ProjectPath = Path(),
    folder: Annotated[
        Path | None, typer.Argument(metavar="DIR", help="where; default: pack, beside the project file")
    ] = None,
    originals: Annotated[bool, typer.Option("--originals", help="the originals in place of the copies")] = False,  # noqa: FBT002
    as_zip: Annotated[bool, typer.Option("--zip", help="one ZIP file in place of a folder")] = False,  # noqa: FBT002
    rough: Annotated[Path | None, typer.Option("--rough", metavar="FILE", help="a rough mix to put in")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="in place of an earlier pack that nobody changed")] = False,  # noqa: FBT002
    quick: Annotated[bool, typer.Option("--quick", help="don't examine the set for the notes")] = False,  # noqa: FBT002
    as_json: AsJson = False,  # noqa: FBT002
) -> None:
    """Pack the set for whoever mixes: one start, one length, notes."""
    run_command(
        "pack_command",
        project=project,
        folder=folder,
        originals=originals,
        as_zip=as_zip,
        rough=rough,
        replace=replace,
        quick=quick,
        as_json=as_json,
    )


@app.command()
def status(
    project: ProjectPath = Path(),
    check: Annotated[bool, typer.Option("--check", help="exit 1 where nobody watches, or the watch is paused")] = False,  # noqa: FBT002
    as_json: AsJson = False,  # noqa: FBT002
) -> None:
    """Show what a running watch does, and which stems have no copy."""
    run_command("status_command", project=project, check=check, as_json=as_json)


service = typer.Typer(help="Start a watch at log-in.", no_args_is_help=True, rich_markup_mode=None)
app.add_typer(service, name="service")


@service.callback()
def _service() -> None:
    """Start a watch at log-in."""


@service.command("print")
def service_print(
    kind: Annotated[ServiceKind, typer.Argument(metavar="systemd|launchd|windows", help="of Linux, macOS, Windows")],
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="holds your songs; default: here")] = Path(),
) -> None:
    """Print the file with which your system watches all songs in a folder from log-in on. Nothing is installed."""
    run_command("service_command", kind=kind, folder=folder)


@app.command()
def steps(as_json: AsJson = False) -> None:  # noqa: FBT002
    """List the installed plug-ins, steps first, with their settings."""
    run_command("steps_command", as_json=as_json)


@app.command()
def schema() -> None:
    """Print the JSON Schema of the project file, for editors."""
    run_command("schema_command")


@app.command()
def link(project: ProjectPath = Path(), yes: Yes = False, undo: Undo = False) -> None:  # noqa: FBT002
    """Take up the links that check proposes.

    Shows the change to the project file first; --yes writes it, --undo takes it back.
    """
    run_command("link_command", project=project, yes=yes, take_back=undo)


@app.command()
def allow(
    code: Annotated[str | None, typer.Argument(metavar="CODE", help="a finding code, such as dual_mono")] = None,
    stems: Annotated[list[str] | None, typer.Argument(metavar="STEM", help="stems that it is deliberate in")] = None,
    project: Annotated[Path, typer.Option("--project", metavar="PROJECT", help="default: here")] = Path(),
    yes: Yes = False,  # noqa: FBT002
    undo: Undo = False,  # noqa: FBT002
) -> None:
    """Note that a finding is deliberate in some stems.

    Shows the change to the project file first; --yes writes it, --undo takes it back.
    """
    run_command("allow_command", code=code, stems=stems or [], project=project, yes=yes, take_back=undo)


@app.command()
def explain(
    word: Annotated[str | None, typer.Argument(metavar="WORD", help="a code, a key, a column or a measure")] = None,
) -> None:
    """Explain a finding, a refusal, a key or a column, and what to do."""
    run_command("explain_command", word=word)


def main() -> None:
    """Run the command line. Its output is written in one piece at the end, so that a failing write is handled once."""
    open_null_on_closed_streams()
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr.reconfigure(errors="backslashreplace")
    out, status = sys.stdout, 0
    with redirect_stdout(io.StringIO()) as printed:
        try:
            app()
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else 0
    sys.exit(write_output(out, printed.getvalue(), status))


def _interrupt(_number: int, _frame: object) -> None:
    """Make running reads stop at their next block, then raise KeyboardInterrupt."""
    request_stop()
    raise KeyboardInterrupt


def _terminate(number: int, _frame: object) -> None:
    _TERMINATED_BY.append(number)
    request_stop()
    sys.exit(Exit.TERMINATED)
