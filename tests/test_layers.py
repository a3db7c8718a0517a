"""The house: which room may import which, and which library has which door. One table, compared with every file."""

import ast
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "stager"
TREES = {path: ast.parse(path.read_text("utf-8")) for path in sorted(PACKAGE.rglob("*.py"))}

FLOORS = [
    {"errors", "units", "model"},
    {"system"},
    {"project", "containers", "meters"},
    {"detectors", "judge", "plugins"},
    {"analysis"},
    {"staging"},
    {"workers", "songset", "report", "verify"},
    {"api", "watch", "pack"},
    {"demo", "page"},
    {"cli"},
    {"__main__"},
]
BY_NAME = {
    "__init__.py": {"__getattr__"},
    "plugins/__init__.py": {"__getattr__"},
    "cli/__init__.py": {"main"},
    "cli/app.py": {"_loaded"},
    "system/jit.py": {"_load_without_linear_algebra"},
}
SAME_FLOOR: set[tuple[str, str]] = set()
DOORS = {
    "numba": {"system/jit.py"},
    "sqlite3": {"staging/ledger.py"},
    "watchdog": {"watch/events.py"},
    "soundfile": {"containers/sndfile.py", "containers/lossy.py"},
    "pedalboard": {"plugins/effects/vst3.py"},
    "soxr": {"plugins/effects/resample.py"},
    "platformdirs": {"system/jit.py"},
    "typer": {"cli/app.py", "cli/options.py"},
    "rich": {"report/terminal.py"},
    "jinja2": {"report/html.py"},
    "starlette": {"page/site.py"},
    "uvicorn": {"page/server.py"},
    "segno": {"page/code.py"},
    "distributed": {"workers/dask.py"},
    "dask": {"workers/dask.py"},
    "scipy": set(),
}
ARRAY_LIBRARIES = {"numpy", "numba", "scipy", "soundfile"}
LIGHT_ROOMS = {"errors", "units", "model", "system", "project", "judge"}
"""Rooms that array libraries stay out of, also in what they import; the command line as it is before a command runs."""
NOT_LIGHT = {
    "model/runs.py": "stretches of samples are arrays",
    "system/jit.py": "the door to numba",
}
LIGHT_FILES = {"__init__.py", "cli/__init__.py", "cli/app.py"}
WRITERS = {
    "system/files.py": "whatever creates, renames or removes a file",
    "system/folders.py": "folders that appear by one rename",
    "system/locks.py": "the lock of a project",
    "demo/recorder.py": "a recorder whose files must be seen half-written",
}
WRITING_CALLS = {"unlink", "rename", "replace_file", "write_text", "write_bytes", "mkdir", "touch", "rmdir", "rmtree"}
OS_WRITING = {
    "open",
    "remove",
    "unlink",
    "rename",
    "replace",
    "mkdir",
    "makedirs",
    "rmdir",
    "link",
    "symlink",
    "truncate",
}
CATCH_STEM_ERRORS = {
    "staging/publish.py": "what fails while one of several is put in place is that one's outcome",
    "cli/measure_command.py": "prints it and goes on with the next file",
    "cli/new_from_command.py": "names it and proposes nothing for it",
    "cli/mix_command.py": "prints it and goes on with the next file",
    "staging/batch.py": "makes the stem's outcome of what is refused before it is read",
    "staging/queue.py": "makes the stem's outcome of it",
    "analysis/takes.py": "a take that can't be judged is reported as such",
    "verify/prove.py": "makes the stem's verdict of it",
    "verify/packs.py": "makes a difference of the pack of it",
    "songset/bus/channel.py": "a file that can't be read is left out of the sum, and named",
    "staging/render.py": "a copy that can't be read back is the stem's refusal, under the stem's name",
}
"""Files that catch a stem's error; elsewhere it passes through."""
CATCH_EVERYTHING = {
    "errors.py": "the one place where an unexpected error becomes an outcome",
    "plugins/worker.py": "the edge of a plug-in's process: all that it raises ends there",
    "watch/events.py": "an error in a thread of watchdog must not end the events of other folders",
    "watch/supervisor.py": "an unexpected error in one project is logged with its traceback; the others go on",
}


def name_of(path: Path) -> str:
    """Return a file's path below the package."""
    return path.relative_to(PACKAGE).as_posix()


def room_of(path: Path) -> str:
    """Return the room that a file stands in: a folder or a single file of the package."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def floor_of(room: str) -> int:
    """Return the number of a room's floor, from 0."""
    return next(number for number, rooms in enumerate(FLOORS) if room in rooms)


def imports_of(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """Yield every imported module, with the name taken from it, or ''."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (("." * node.level + (node.module or ""), alias.name) for alias in node.names)


def own_imports(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """Yield the rooms that a file imports from, with the name taken."""
    for module, name in imports_of(tree):
        if module == "stager" and name != "__version__":
            yield name, ""
        elif module.startswith("stager."):
            yield module.split(".")[1], name


def calls_of(tree: ast.AST) -> Iterator[ast.Call]:
    """Yield every call."""
    return (node for node in ast.walk(tree) if isinstance(node, ast.Call))


def broken(rule: Callable[[Path, ast.Module], Iterator[str]]) -> list[str]:
    """Return what breaks a rule, `file: what`, over all files of the package."""
    return [f"{name_of(path)}: {what}" for path, tree in TREES.items() for what in rule(path, tree)]


def test_every_file_stands_in_a_room_of_the_house() -> None:
    """A new room gets its floor in the table first; a room that is gone leaves it."""
    rooms = {room_of(path) for path in TREES} - {"__init__"}
    assert rooms == set().union(*FLOORS)


def test_imports_point_down() -> None:
    """A file imports from rooms below its own, and by whole names."""

    def rule(path: Path, tree: ast.Module) -> Iterator[str]:
        room = room_of(path)
        yield from (f"relative import of {module}" for module, _ in imports_of(tree) if module.startswith("."))
        for other, _ in own_imports(tree):
            if (
                room not in {"__init__", other}
                and (room, other) not in SAME_FLOOR
                and floor_of(other) >= floor_of(room)
            ):
                yield f"{room} imports {other}"

    assert broken(rule) == []


def test_only_public_names_cross_a_wall() -> None:
    """What another room keeps for itself, with a leading underscore, stays there."""

    def rule(path: Path, tree: ast.Module) -> Iterator[str]:
        for other, name in own_imports(tree):
            if other != room_of(path) and name.startswith("_") and name[1] != "_":
                yield f"takes {name} from {other}"

    assert broken(rule) == []


def test_each_library_has_one_door() -> None:
    """Replacing a library, faking it, or translating its errors happens in one file."""

    def rule(path: Path, tree: ast.Module) -> Iterator[str]:
        libraries = {module.split(".")[0] for module, _ in imports_of(tree)}
        yield from (f"imports {library}" for library in libraries & set(DOORS) if name_of(path) not in DOORS[library])

    assert broken(rule) == []


def module_of(path: Path) -> str:
    """Return the dotted name by which a file of the package is imported."""
    return ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__")


def loaded_by(modules: list[str]) -> set[str]:
    """Return the array libraries that a new process holds once it has imported these modules."""
    code = f"import {', '.join(modules)}; import sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=240)
    return set(done.stdout.split()) & ARRAY_LIBRARIES


def loaded_by_command(words: list[str]) -> set[str]:
    """Return the array libraries that a process holds once it has run a command, which must succeed."""
    ended = "atexit.register(lambda: print(*sys.modules, file=sys.stderr))"
    code = f"import atexit, sys; {ended}; sys.argv[1:] = {words!r}; from stager.cli.app import main; main()"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=240)
    return set(done.stderr.split()) & ARRAY_LIBRARIES


def test_light_rooms_do_without_array_libraries() -> None:
    """What only reads settings or prints a sentence waits for no array library, also not through what it imports."""
    rooms = [path for path in TREES if room_of(path) in LIGHT_ROOMS and name_of(path) not in NOT_LIGHT]
    files = [path for path in TREES if name_of(path) in LIGHT_FILES]
    assert loaded_by([module_of(path) for path in rooms + files]) == set()


def test_quick_commands_load_no_array_library(tmp_path: Path) -> None:
    """What shows a word, a list or a state, or makes a folder, waits for no array library: each command is run."""
    (tmp_path / "bounces").mkdir()
    steps = '[[step]]\nuse = "high_pass"\nmatch = ["*"]\n[[step]]\nuse = "host"\nfile = "a.vst3"\nmatch = ["*"]\n'
    (tmp_path / "stager.toml").write_text(f"version = 1\n{steps}", "utf-8")
    song = str(tmp_path)
    for words in (
        ["--help"],
        ["watch", "--help"],
        ["explain", "clipped"],
        ["explain"],
        ["steps"],
        ["steps", "--json"],
        ["schema"],
        ["status", song],
        ["status", song, "--json"],
        ["new", str(tmp_path / "new")],
    ):
        assert loaded_by_command(words) == set(), words
    assert "numpy" in loaded_by_command(["verify", song])  # the control


def test_what_is_not_light_is_seen() -> None:
    """The control: a file that may hold arrays is found to load them, through what it imports too."""
    assert "numpy" in loaded_by(["stager.model.runs"])
    assert "numpy" in loaded_by(["stager.detectors.hum"])


def test_nothing_is_imported_inside_a_function() -> None:
    """A late import hides a dependency; two functions alone load by name: the command line's, and numba's door."""

    def rule(path: Path, tree: ast.Module) -> Iterator[str]:
        for function in ast.walk(tree):
            if not isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
                continue
            if any(isinstance(node, ast.Import | ast.ImportFrom) for node in ast.walk(function)):
                yield f"{function.name} imports"
            by_name = function.name in BY_NAME.get(name_of(path), set())
            if "importlib.import_module" in ast.unparse(function) and not by_name:
                yield f"{function.name} imports by name"

    assert broken(rule) == []


def writes(call: ast.Call) -> bool:
    """Return whether a call changes the file system; the null device is no file."""
    if call.args and ast.unparse(call.args[0]) == "os.devnull":
        return False
    if isinstance(call.func, ast.Name):
        return call.func.id == "open"
    if not isinstance(call.func, ast.Attribute):
        return False
    owner = call.func.value.id if isinstance(call.func.value, ast.Name) else ""
    return call.func.attr in WRITING_CALLS or (owner == "os" and call.func.attr in OS_WRITING) or owner == "shutil"


def test_one_room_writes_files() -> None:
    """Whatever creates, renames or removes a file stands in `system/files.py`."""

    def rule(path: Path, tree: ast.Module) -> Iterator[str]:
        if name_of(path) not in WRITERS:
            yield from (f"writes in line {call.lineno}" for call in calls_of(tree) if writes(call))

    assert broken(rule) == []


@pytest.mark.parametrize("code", ["path.unlink()", "os.rename(a, b)", "shutil.move(a, b)", "open(place, 'w')"])
def test_calls_that_write_are_seen(code: str) -> None:
    """The control: each kind of writing call is found, and the null device is let pass."""
    assert [writes(call) for call in calls_of(ast.parse(code))] == [True]
    assert [writes(call) for call in calls_of(ast.parse("os.open(os.devnull, 0)"))] == [False]


def test_only_the_command_line_prints() -> None:
    """Results and messages go through cli/, so that --json stays one document."""

    def rule(path: Path, tree: ast.Module) -> Iterator[str]:
        prints = (call for call in calls_of(tree) if isinstance(call.func, ast.Name) and call.func.id == "print")
        yield from (f"prints in line {call.lineno}" for call in prints if room_of(path) != "cli")

    assert broken(rule) == []


def test_decibels_are_made_in_one_place() -> None:
    """A second logarithm is a second convention."""

    def rule(path: Path, _: ast.Module) -> Iterator[str]:
        if name_of(path) != "units.py" and "log10" in path.read_text("utf-8"):
            yield "has a logarithm"

    assert broken(rule) == []


def caught_by(tree: ast.AST) -> set[str]:
    """Return the names of the errors that a file catches."""
    handlers = [node for node in ast.walk(tree) if isinstance(node, ast.ExceptHandler) and node.type is not None]
    return {name.id for handler in handlers for name in ast.walk(handler.type or handler) if isinstance(name, ast.Name)}


def only_cleans_up(tree: ast.AST) -> bool:
    """Return whether every broad handler of a file ends by raising again."""
    handlers = [node for node in ast.walk(tree) if isinstance(node, ast.ExceptHandler)]
    broad = [node for node in handlers if isinstance(node.type, ast.Name) and node.type.id == "BaseException"]
    return bool(broad) and all(isinstance(node.body[-1], ast.Raise) for node in broad)


def test_a_stem_error_becomes_an_outcome_in_few_places() -> None:
    """Nobody else catches a stem's error, and nobody swallows an error of any kind."""

    def rule(path: Path, tree: ast.Module) -> Iterator[str]:
        name = name_of(path)
        caught = caught_by(tree)
        if caught & {"Exception", "BaseException"} and not only_cleans_up(tree) and name not in CATCH_EVERYTHING:
            yield "catches everything"
        if "StemError" in caught and name not in CATCH_STEM_ERRORS:
            yield "catches StemError"

    assert broken(rule) == []


@pytest.mark.parametrize("table", [NOT_LIGHT, WRITERS, CATCH_STEM_ERRORS, CATCH_EVERYTHING, dict.fromkeys(LIGHT_FILES)])
def test_no_exception_outlives_its_file(table: dict[str, str]) -> None:
    """Every file that a table excepts is there."""
    assert set(table) <= {name_of(path) for path in TREES}
