"""The reference is complete and true to the models: every code, key and column has an entry, every entry exists."""

from collections.abc import Iterator
from typing import Any, get_args

import stager
from stager import errors
from stager.cli.reference import Entry, entries, entries_for, nearest
from stager.errors import StemError
from stager.model import Sidecar
from stager.model.pack import Pack
from stager.pack.documents import FADER_COLUMNS
from stager.project import FindingCode, project_schema
from stager.report.tables import COLUMNS

HOW = "; an entry is a heading of level 3 with the word in backquotes, and its text below, in stager/reference/"


def words_of(page: str) -> set[str]:
    """The words that a page explains."""
    return {word for entry in entries() if entry.page == page for word in entry.words}


def keys_of(schema: dict[str, Any], node: dict[str, Any], front: str = "") -> Iterator[str]:
    """Every key of a JSON Schema by its dotted path, lists without a number."""
    for name, value in node.get("properties", {}).items():
        yield front + name
        for reference in _references(value):
            yield from keys_of(schema, schema["$defs"][reference], f"{front}{name}.")


def _references(value: dict[str, Any]) -> Iterator[str]:
    if "$ref" in value:
        yield value["$ref"].rpartition("/")[2]
    for inner in (*value.get("anyOf", ()), *value.get("allOf", ()), *([value["items"]] if "items" in value else ())):
        yield from _references(inner)


def compared(page: str, expected: set[str], found: set[str]) -> None:
    """A page has an entry for each, and for nothing else."""
    assert expected <= found, f"add to {page}.md: {sorted(expected - found)}{HOW}{page}.md"
    assert found <= expected, f"no longer in the models, take out of {page}.md: {sorted(found - expected)}"


def test_every_finding_has_an_entry() -> None:
    """The codes that `allow` knows are those that the page explains."""
    compared("findings", set(get_args(FindingCode)), words_of("findings"))


def test_every_finding_says_what_to_do() -> None:
    """A finding that says nothing to do is no help, and a threshold has its source."""
    for entry in entries():
        if entry.page in {"findings", "refusals"}:
            assert "\nDo: " in entry.text, entry.words
        if "Threshold:" in entry.text:
            assert any(word in entry.text for word in ("own figure", "Source:", "common practice")), entry.words


def test_every_refusal_has_an_entry() -> None:
    """The codes of the error tree are those that the page explains."""
    found = {error.code for error in vars(errors).values() if _is_stem_error(error)}
    compared("refusals", found, words_of("refusals"))


def _is_stem_error(error: object) -> bool:
    return isinstance(error, type) and issubclass(error, StemError) and error is not StemError


def test_every_key_of_the_project_file_has_an_entry() -> None:
    """Each table and key; a role's or link's `target` has the keys of [target], its `limits` are in the schema."""
    schema = project_schema()
    keys = set(keys_of(schema, schema))
    elsewhere = ("role.target.", "link.target.", "role.limits.")
    compared("project_file", {key for key in keys if not key.startswith(elsewhere)}, words_of("project_file"))


def test_defaults_are_those_of_the_models() -> None:
    """A default that a page names is the one in force."""
    schema = project_schema()
    for table in ("project", "target", "recording", "copy", "bus"):
        kind = schema["$defs"][schema["properties"][table]["$ref"].rpartition("/")[2]]
        for key, value in kind["properties"].items():
            entry = next(e for e in entries() if e.page == "project_file" and f"{table}.{key}" in e.words)
            default = value.get("default")
            if isinstance(default, float | int) and not isinstance(default, bool):
                assert f"Default: `{default}`" in entry.text, f"{table}.{key} in project_file.md: default {default}"


def test_every_key_of_a_sidecar_and_column_has_an_entry() -> None:
    """All that stands beside a copy or in the table, and nothing else."""
    schema = Sidecar.model_json_schema(by_alias=True, mode="serialization")
    columns = {f"csv.{column}" for column in COLUMNS}
    compared("sidecar", set(keys_of(schema, schema)) | columns, words_of("sidecar"))


def test_every_key_of_a_pack_and_column_has_an_entry() -> None:
    """All of its log and of the fader list, and the words of the command."""
    schema = Pack.model_json_schema(by_alias=True, mode="serialization")
    columns = {f"csv.{column}" for column in FADER_COLUMNS}
    command = {"pack", "--originals", "--zip", "--replace"}
    compared("pack", set(keys_of(schema, schema)) | columns | command, words_of("pack"))


def test_every_function_has_an_entry() -> None:
    """The page about Python explains each function and package that `import stager` offers."""
    offered = {name for name in stager.__all__ if name.islower() and not name.startswith("_")}
    compared("python", {f"stager.{name}" for name in offered} | {"StagerError"}, words_of("python"))


def test_no_word_stands_twice_on_a_page() -> None:
    """One entry a word and page."""
    words = [(entry.page, word) for entry in entries() for word in entry.words]
    assert sorted(words) == sorted(set(words))


def test_last_part_of_a_key_finds_it() -> None:
    """People type the key, not the path to it; capitals and hyphens make no difference."""
    found = {word for entry in entries_for("Ceiling-dBTP") for word in entry.words}
    assert {"target.ceiling_dbtp", "bus.ceiling_dbtp", "trim.target.ceiling_dbtp"} == found


def test_near_words() -> None:
    """A slip finds what was meant."""
    assert nearest("cliped")[0] == "clipped"
    assert len(nearest("xyz")) == 3


def test_entry_has_its_text() -> None:
    """No entry is empty."""
    assert [entry.words for entry in entries() if len(entry.text) < 5] == []
    assert isinstance(entries()[0], Entry)
