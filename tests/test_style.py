"""The style bar, as a test: sizes of functions and files, documented and annotated names, a sentence on every test."""

import ast
import math
import statistics
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
CODE = sorted((ROOT / "stager").rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))
FUNCTION = ast.FunctionDef | ast.AsyncFunctionDef


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def functions_of(path: Path) -> list[ast.FunctionDef | ast.AsyncFunctionDef]:
    return [node for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, FUNCTION)]


def lines_of(path: Path, function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of code in a function's body: no docstring, no blank line, no comment."""
    body = function.body[1:] if ast.get_docstring(function, clean=False) is not None else function.body
    if not body:
        return 0
    lines = path.read_text("utf-8").splitlines()[body[0].lineno - 1 : body[-1].end_lineno]
    return sum(bool(line.strip()) and not line.strip().startswith("#") for line in lines)


def public_names(path: Path) -> list[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef]:
    top = [node for node in ast.parse(path.read_text("utf-8")).body if isinstance(node, FUNCTION | ast.ClassDef)]
    inner = [
        node for outer in top if isinstance(outer, ast.ClassDef) for node in outer.body if isinstance(node, FUNCTION)
    ]
    return [node for node in top + inner if not node.name.startswith("_")]


def test_half_of_all_functions_are_within_8_lines_and_nine_in_ten_within_25() -> None:
    """Small functions are read, long ones are believed."""
    sizes = sorted(lines_of(path, function) for path in CODE for function in functions_of(path))
    assert statistics.median(sizes) <= 8
    assert sizes[math.ceil(0.9 * len(sizes)) - 1] <= 25


@pytest.mark.parametrize("path", CODE, ids=name_of)
def test_no_function_is_longer_than_40_lines(path: Path) -> None:
    """What needs more is two things."""
    assert [function.name for function in functions_of(path) if lines_of(path, function) > 40] == []


@pytest.mark.parametrize("path", CODE, ids=name_of)
def test_files_are_within_300_lines(path: Path) -> None:
    """What needs more is two rooms."""
    assert len(path.read_text("utf-8").splitlines()) <= 300


@pytest.mark.parametrize("path", CODE, ids=name_of)
def test_every_public_name_is_documented(path: Path) -> None:
    """A name that others may use says what it is."""
    assert [node.name for node in public_names(path) if not ast.get_docstring(node)] == []


@pytest.mark.parametrize("path", TESTS, ids=name_of)
def test_every_test_has_a_sentence(path: Path) -> None:
    """A test that does not say what it holds can't be told from one that holds nothing."""
    tests = [function for function in functions_of(path) if function.name.startswith("test")]
    assert [function.name for function in tests if not ast.get_docstring(function)] == []


def test_there_is_at_least_as_much_test_as_code() -> None:
    """Lines of test to lines of code."""
    counts = [sum(len(path.read_text("utf-8").splitlines()) for path in paths) for paths in (TESTS, CODE)]
    assert counts[0] >= counts[1]
