"""What commands print: talk to stderr, one JSON document to stdout, and a caution before something loud."""

import json

import pytest

from stager.cli.exits import FailOn
from stager.cli.screen import fails, print_json, say, say_caution
from stager.model import Sidecar, Verdict
from tests.support.records import sidecar

Captured = pytest.CaptureFixture[str]


def raised(gain_db: float) -> Sidecar:
    trim = sidecar().trim
    return sidecar(trim=trim.model_copy(update={"gain_db": gain_db}))


FAILS = {
    (Verdict.USABLE, None): False,
    (Verdict.PLAY_AGAIN, None): False,
    (Verdict.USABLE, FailOn.LISTEN): False,
    (Verdict.LISTEN, FailOn.LISTEN): True,
    (Verdict.PLAY_AGAIN, FailOn.LISTEN): True,
    (Verdict.LISTEN, FailOn.PLAY_AGAIN): False,
    (Verdict.PLAY_AGAIN, FailOn.PLAY_AGAIN): True,
}


@pytest.mark.parametrize(("given", "failed"), FAILS.items())
def test_fails(given: tuple[Verdict, FailOn | None], failed: bool) -> None:
    """A run fails on this verdict or a worse one, and on none where nothing is asked."""
    assert fails(*given) is failed


def test_talk_goes_to_stderr(capsys: Captured) -> None:
    """Talk is no result, and moves no cursor."""
    say("a\x1b[2Jb")
    assert capsys.readouterr() == ("", "a\\x1b[2Jb\n")


def test_json_goes_to_stdout(capsys: Captured) -> None:
    """The one document is the whole of stdout, in plain ASCII."""
    print_json({"stem": "caf\u00e9"})
    out, err = capsys.readouterr()
    assert err == ""
    assert out.isascii()
    assert json.loads(out) == {"stem": "caf\u00e9"}


@pytest.mark.parametrize(("gains_db", "part"), [([9.0], "one copy"), ([9.0, 2.0, 7.0], "2 copies")])
def test_caution_is_said_once(capsys: Captured, gains_db: list[float], part: str) -> None:
    """However many copies are louder, one sentence says how many and what to do."""
    say_caution(map(raised, gains_db))
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert part in err
    assert "monitors and headphones down" in err


def test_no_caution_without_a_cause(capsys: Captured) -> None:
    """Nothing louder, nothing said."""
    say_caution([raised(2.0)])
    assert capsys.readouterr() == ("", "")
