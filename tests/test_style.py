"""The style bar, as tests: sizes of functions and files, documented and annotated names, a sentence on every test."""

import ast
import math
import statistics
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent
CODE = {path: ast.parse(path.read_text("utf-8")) for path in sorted((ROOT / "stager").rglob("*.py"))}
TESTS = {path: ast.parse(path.read_text("utf-8")) for path in sorted((ROOT / "tests").rglob("*.py"))}
FUNCTION = ast.FunctionDef | ast.AsyncFunctionDef
Function = ast.FunctionDef | ast.AsyncFunctionDef

MOST_LINES_OF_A_FUNCTION = 40
MOST_LINES_OF_A_FILE = 400
ODD_BEGINNINGS = ("Give ", "Say ", "Tell ", "Let ")


def name_of(path: Path) -> str:
    """Return a file's path below the repository."""
    return path.relative_to(ROOT).as_posix()


def functions_of(tree: ast.AST) -> list[Function]:
    """Return every function of a file, nested ones too."""
    return [node for node in ast.walk(tree) if isinstance(node, FUNCTION)]


def lines_of(path: Path, function: Function, cache: dict[Path, list[str]]) -> int:
    """Return the lines of code in a function's body: no docstring, no blank line, no comment."""
    body = function.body[1:] if ast.get_docstring(function, clean=False) is not None else function.body
    if not body:
        return 0
    if path not in cache:
        cache[path] = path.read_text("utf-8").splitlines()
    lines = cache[path][body[0].lineno - 1 : body[-1].end_lineno]
    return sum(bool(line.strip()) and not line.strip().startswith("#") for line in lines)


def sizes() -> dict[str, int]:
    """Return the lines of every function of the package, by its file and name."""
    cache: dict[Path, list[str]] = {}
    return {
        f"{name_of(path)}:{function.lineno} {function.name}": lines_of(path, function, cache)
        for path, tree in CODE.items()
        for function in functions_of(tree)
    }


def public_names(tree: ast.Module) -> Iterator[Function | ast.ClassDef]:
    """Yield public functions and classes of a file, and the public methods of its classes."""
    top = [node for node in tree.body if isinstance(node, FUNCTION | ast.ClassDef)]
    methods = (node for outer in top if isinstance(outer, ast.ClassDef) for node in outer.body)
    inner = [node for node in methods if isinstance(node, FUNCTION)]
    return (node for node in top + inner if not node.name.startswith("_"))


def test_half_of_all_functions_are_within_8_lines_and_nine_in_ten_within_25() -> None:
    """Small functions are read, long ones are believed."""
    ordered = sorted(sizes().values())
    assert statistics.median(ordered) <= 8
    assert ordered[math.ceil(0.9 * len(ordered)) - 1] <= 25


def test_no_function_is_longer_than_40_lines() -> None:
    """What needs more is two things."""
    assert {name: lines for name, lines in sizes().items() if lines > MOST_LINES_OF_A_FUNCTION} == {}


def test_files_are_within_400_lines() -> None:
    """What needs more is two files."""
    lengths = {name_of(path): len(path.read_text("utf-8").splitlines()) for path in CODE}
    assert {name: lines for name, lines in lengths.items() if lines > MOST_LINES_OF_A_FILE} == {}


def test_every_public_name_is_documented() -> None:
    """A name that others may use says what it is."""
    assert [
        f"{name_of(path)}: {node.name}"
        for path, tree in CODE.items()
        for node in public_names(tree)
        if not ast.get_docstring(node)
    ] == []


def test_docstrings_say_what_is_returned() -> None:
    """A docstring begins with what is returned or done; the words of ODD_BEGINNINGS hide it."""
    assert [
        f"{name_of(path)}:{node.lineno} {node.name}"
        for path, tree in (*CODE.items(), *TESTS.items())
        for node in ast.walk(tree)
        if isinstance(node, FUNCTION | ast.ClassDef) and (ast.get_docstring(node) or "").startswith(ODD_BEGINNINGS)
    ] == []


def test_every_test_has_a_sentence() -> None:
    """A test that does not say what it holds can't be told from one that holds nothing."""
    assert [
        f"{name_of(path)}: {function.name}"
        for path, tree in TESTS.items()
        for function in functions_of(tree)
        if function.name.startswith("test") and not ast.get_docstring(function)
    ] == []


def test_there_is_at_least_as_much_test_as_code() -> None:
    """Lines of test to lines of code."""
    counts = [sum(len(path.read_text("utf-8").splitlines()) for path in paths) for paths in (TESTS, CODE)]
    assert counts[0] >= counts[1]
