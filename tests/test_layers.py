"""The house: which room may import which, and which library has which door. One table, compared with every file."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "stager"
FILES = sorted(PACKAGE.rglob("*.py"))

FLOORS = [
    {"errors", "units", "names", "compiled", "stopping", "processes", "ahead"},
    {"model", "draft_names"},
    {"project", "files", "locks", "ledger", "containers", "meters"},
    {"judge", "steps"},
    {
        "hear",
        "figures",
        "apply",
        "outbox",
        "inbox",
        "pipeline",
        "sound",
        "takes",
        "groups",
        "standing",
        "holders",
        "offset",
    },
    {"errands", "staging", "bench", "batch", "bus", "pairs", "verify"},
    {"watch", "report", "check", "cluster", "crew"},
    {"page", "demo", "cli", "__main__"},
]
BY_NAME = {"cli/app.py": {"_loaded"}, "compiled.py": {"_load_without_linear_algebra"}}
SAME_FLOOR = {
    ("stopping", "errors"),
    ("locks", "files"),
    ("containers", "files"),  # opening for reading differs between systems, and files.py is where systems differ
    ("apply", "hear"),
    ("pipeline", "apply"),
    ("takes", "hear"),
    ("standing", "groups"),
    ("standing", "outbox"),
    ("standing", "pipeline"),
    ("takes", "inbox"),
    ("pipeline", "figures"),
    ("pipeline", "hear"),
    ("pipeline", "outbox"),
    ("pipeline", "sound"),
    ("sound", "apply"),
    ("sound", "figures"),
    ("sound", "hear"),
    ("sound", "outbox"),
    ("bench", "errands"),
    ("bench", "staging"),
    ("batch", "bench"),
    ("batch", "staging"),
    ("verify", "staging"),
    ("watch", "check"),
    ("watch", "report"),  # the daemon writes the tables after each batch
    ("cli", "demo"),
    ("cli", "page"),
    ("__main__", "cli"),
}
DOORS = {
    "numba": {"compiled.py"},
    "sqlite3": {"ledger.py"},
    "watchdog": {"watch/events.py"},
    "soundfile": {"containers/sndfile.py"},
    "pedalboard": {"steps/host.py"},
    "soxr": {"steps/resample.py"},
    "typer": {"cli/app.py"},
    "rich": {"report/terminal.py"},
    "jinja2": {"report/html.py"},
    "starlette": {"page/site.py"},
    "uvicorn": {"page/server.py"},
    "segno": {"page/code.py"},
    "distributed": {"cluster.py"},
    "dask": {"cluster.py"},
    "scipy": set(),
}
LIGHT_ROOMS = {"errors", "units", "names", "model", "project", "files", "ledger", "judge", "inbox", "cli"}
"""Rooms that numpy stays out of (but for `model.runs`, which says so)."""
WRITERS = {"files.py", "locks.py", "demo/recorder.py"}
"""The writing hand, the project's lock, and the demo's recorder, which must be seen half-written."""
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


def name_of(path: Path) -> str:
    """A file's path below the package."""
    return path.relative_to(PACKAGE).as_posix()


def room_of(path: Path) -> str:
    """The room a file stands in: a folder or a single file of the package."""
    parts = path.relative_to(PACKAGE).parts
    return parts[0].removesuffix(".py")


def floor_of(room: str) -> int:
    return next(number for number, rooms in enumerate(FLOORS) if room in rooms)


def imports_of(path: Path) -> Iterator[tuple[str, str]]:
    """Every imported module of a file, with the name taken from it, or ''."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield from ((node.module or "", alias.name) for alias in node.names)


def own_imports(path: Path) -> Iterator[tuple[str, str]]:
    """The rooms that a file imports from, with the name taken."""
    for module, name in imports_of(path):
        if module == "stager" and name != "__version__":
            yield name, ""
        elif module.startswith("stager."):
            yield module.split(".")[1], name


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_every_file_stands_in_a_room_of_the_house(path: Path) -> None:
    """A new room gets its floor in the table first."""
    room = room_of(path)
    assert room == "__init__" or any(room in rooms for rooms in FLOORS)


@pytest.mark.parametrize("path", [path for path in FILES if room_of(path) != "__init__"], ids=name_of)
def test_imports_point_down(path: Path) -> None:
    """A file imports from rooms below its own, or from a neighbour that the table names."""
    room = room_of(path)
    for other, _ in own_imports(path):
        if other != room:
            assert floor_of(other) < floor_of(room) or (room, other) in SAME_FLOOR, f"{room} imports {other}"


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_only_public_names_cross_a_wall(path: Path) -> None:
    """What another room keeps for itself, with a leading underscore, stays there."""
    room = room_of(path)
    assert [
        name for other, name in own_imports(path) if other != room and name.startswith("_") and name[1] != "_"
    ] == []


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_each_library_has_one_door(path: Path) -> None:
    """Replacing a library, faking it, or translating its errors happens in one file."""
    for module, _ in imports_of(path):
        library = module.split(".")[0]
        assert library not in DOORS or name_of(path) in DOORS[library], f"{library} has another door"


@pytest.mark.parametrize("path", [path for path in FILES if room_of(path) in LIGHT_ROOMS], ids=name_of)
def test_light_rooms_do_without_numpy(path: Path) -> None:
    """What only reads settings or prints a sentence does not wait for an array library."""
    assert name_of(path) == "model/runs.py" or "numpy" not in {module.split(".")[0] for module, _ in imports_of(path)}


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_nothing_is_imported_inside_a_function(path: Path) -> None:
    """A late import hides a dependency; two functions alone load by name: the command line's, and numba's door."""
    tree = ast.parse(path.read_text("utf-8"))
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
    late = [
        node for function in functions for node in ast.walk(function) if isinstance(node, ast.Import | ast.ImportFrom)
    ]
    assert late == []
    loads = {function.name for function in functions if "importlib.import_module" in ast.unparse(function)}
    assert loads <= BY_NAME.get(name_of(path), set())


@pytest.mark.parametrize("path", [path for path in FILES if name_of(path) not in WRITERS], ids=name_of)
def test_one_hand_writes(path: Path) -> None:
    """Whatever creates, renames or removes a file stands in files.py; the system's place for nothing is no file."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.args and ast.unparse(node.args[0]) == "os.devnull":
                continue
            owner = node.func.value.id if isinstance(node.func.value, ast.Name) else ""
            assert node.func.attr not in WRITING_CALLS, f"line {node.lineno}"
            assert owner != "os" or node.func.attr not in OS_WRITING, f"line {node.lineno}"
            assert owner != "shutil", f"line {node.lineno}"
        assert not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "open")


@pytest.mark.parametrize("path", [path for path in FILES if room_of(path) != "cli"], ids=name_of)
def test_only_the_command_line_prints(path: Path) -> None:
    """Results and talk go through cli/, so that --json stays one document."""
    calls = [node.func for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.Call)]
    assert [call.id for call in calls if isinstance(call, ast.Name) and call.id == "print"] == []


@pytest.mark.parametrize("path", [path for path in FILES if name_of(path) != "units.py"], ids=name_of)
def test_decibels_are_made_in_one_place(path: Path) -> None:
    """A second logarithm is a second convention."""
    assert "log10" not in path.read_text("utf-8")


@pytest.mark.parametrize("path", [path for path in FILES if name_of(path) != "batch.py"], ids=name_of)
def test_a_stem_error_becomes_an_outcome_in_few_places(path: Path) -> None:
    """Nobody else swallows a stem's error: measure and verify show it, the watch looks again, the rest let it pass."""
    caught = {
        name.id
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.ExceptHandler) and node.type is not None
        for name in ast.walk(node.type)
        if isinstance(name, ast.Name)
    }
    plugin_edge = name_of(path) == "steps/worker.py"  # the edge of a plug-in's process: all that it raises ends there
    assert not caught & {"Exception", "BaseException"} or _only_cleans_up(path) or plugin_edge
    assert "StemError" not in caught or name_of(path) in {
        "cli/measure_command.py",
        "bench.py",
        "takes.py",  # a take that can't be judged is told as such
        "verify/prove.py",
        "bus/strips.py",  # a file that can't be read is left out of the sum, and named
        "apply.py",  # a copy that can't be read back is the stem's refusal, under the stem's name
    }


def _only_cleans_up(path: Path) -> bool:
    """Whether every broad handler of a file ends by raising again."""
    handlers = [node for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.ExceptHandler)]
    broad = [node for node in handlers if isinstance(node.type, ast.Name) and node.type.id == "BaseException"]
    return bool(broad) and all(isinstance(node.body[-1], ast.Raise) for node in broad)
