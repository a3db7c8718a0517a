"""The error tree: one root, one code for each way a stem can fail, and a picture of it that tells the truth."""

import inspect
import pickle
import re

import pytest

from stager import errors
from stager.errors import ConfigError, PlaceError, StagerError, StemError

CODES = {
    "UnreadableStem": "unreadable",
    "UnsupportedStem": "unsupported",
    "TruncatedStem": "truncated",
    "NotFiniteStem": "not_finite",
    "StillGrowingStem": "still_growing",
    "ChangedStem": "changed_while_read",
    "WouldClip": "would_clip",
    "StepFailed": "step_failed",
    "NameRefused": "name_refused",
    "WorkerLost": "worker_lost",
    "CopyWrong": "copy_wrong",
    "InternalError": "internal_error",
}
"""The refusal codes that scripts depend on."""

CLASSES = {
    name: found
    for name, found in vars(errors).items()
    if inspect.isclass(found) and issubclass(found, Exception) and found.__module__ == errors.__name__
}


def drawn() -> dict[str, tuple[str, str | None]]:
    """Return each error of the drawn tree with the one above it, and the code beside it."""
    tree, path = {}, [""] * 4
    for line in (errors.__doc__ or "").splitlines():
        if found := re.match(r"^([│├└─ ]*)([A-Z][A-Za-z]+)(?: +\"(\w+)\")?(?:  |$)", line):
            depth = len(found[1]) // 4
            path[depth] = found[2]
            tree[found[2]] = (path[depth - 1] if depth else "Exception", found[3])
    return tree


def test_tree_names_every_class() -> None:
    """The picture at the head of the module has every error, and no other."""
    assert drawn().keys() == CLASSES.keys()


@pytest.mark.parametrize("name", CLASSES)
def test_tree_is_the_inheritance(name: str) -> None:
    """Each error stands under the class that it is derived from."""
    assert drawn()[name][0] == CLASSES[name].__bases__[0].__name__


@pytest.mark.parametrize("name", CODES)
def test_tree_tells_the_code(name: str) -> None:
    """The code beside an error in the picture is the code in its class."""
    assert drawn()[name][1] == CLASSES[name].code


def test_one_root() -> None:
    """Catching the root catches everything raised on purpose."""
    assert all(issubclass(found, StagerError) for found in CLASSES.values())


def test_every_stem_error_has_its_code() -> None:
    """Each way a stem can be refused has a code of its own, and the codes are the published ones."""
    assert {name: found.code for name, found in CLASSES.items() if found.__base__ is StemError} == CODES


@pytest.mark.parametrize("name", CODES)
def test_stem_error_names_its_file_once(name: str) -> None:
    """As text an error begins with its file, `says` leaves the name out; it survives the way between processes."""
    error = pickle.loads(pickle.dumps(CLASSES[name]("a.wav", "expected audio, found text")))  # noqa: S301 - our own bytes
    assert (error.code, error.name, error.says) == (CODES[name], "a.wav", "expected audio, found text")
    assert str(error) == "a.wav: expected audio, found text"
    assert str(CLASSES[name]("", "staged: expected a folder")) == "staged: expected a folder"


@pytest.mark.parametrize("other", [ConfigError, PlaceError])
def test_branches_are_apart(other: type[Exception]) -> None:
    """What a stem did wrong never passes for a broken place or a wrong call."""
    assert not issubclass(other, StemError)
    assert not issubclass(StemError, other)


def test_only_stem_errors_have_codes() -> None:
    """A broken place is no refusal of a stem: it has no code to record."""
    assert [name for name, found in CLASSES.items() if hasattr(found, "code")] == list(CODES)


def test_module_stands_alone() -> None:
    """Everything may import the errors, since they import nothing of ours."""
    assert "stager" not in re.findall(r"^(?:from|import) (\w+)", inspect.getsource(errors), re.MULTILINE)
