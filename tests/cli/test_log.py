"""What a watch writes to stderr: lines for people, or one JSON object a line."""

import json
from pathlib import Path
from typing import Any

import pytest

from stager.bench import News
from stager.cli.log import HumanLog, JsonLog
from stager.judge import Hint
from stager.model import Refused, Staged
from stager.watch import Word
from tests.making import project, sidecar

REFUSED = Refused("a.wav", "bounces/a.wav", "unreadable", "a.wav: expected audio")


def lines(capsys: pytest.CaptureFixture[str]) -> list[str]:
    captured = capsys.readouterr()
    assert captured.out == ""
    return captured.err.splitlines()


def objects(capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    return [json.loads(line) for line in lines(capsys)]


def test_words_for_people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With one project its name stands only where it belongs; with many every line says whose it is."""
    song = project(tmp_path, '[project]\nname = "Salt Road"\n')
    for many in (False, True):
        log = HumanLog(many=many)
        log.word(Word("waiting for b.wav: held", "Salt Road"))
        log.word(Word("Salt Road goes on", "Salt Road"))
        log.news(song, News(REFUSED))
    assert lines(capsys) == [
        "waiting for b.wav: held",
        "Salt Road goes on",
        "refused a.wav: expected audio",
        "Salt Road: waiting for b.wav: held",
        "Salt Road goes on",
        "Salt Road: refused a.wav: expected audio",
    ]


def test_hint_is_said_once_a_project(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A hint that two stems of one project bring is said once; another project says its own."""
    one, two = project(tmp_path / "one"), project(tmp_path / "two")
    log = HumanLog(many=True)
    for song in (one, one, two):
        log.news(song, News(Staged(sidecar()), (Hint("same", "a word"),)))
    assert lines(capsys).count("  note: a word") == 2


def test_json_lines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every line is one object with hour, level, project and sentence; a stem's says what came of it."""
    song = project(tmp_path, '[project]\nname = "Salt Road"\n')
    log = JsonLog()
    log.word(Word("two\nlines", None, "warning"))
    log.news(song, News(REFUSED))
    log.news(song, News(Staged(sidecar()), (Hint("k", "a word"),)))
    word, refused, staged = objects(capsys)
    assert (word["level"], word["project"], word["says"]) == ("warning", None, "two\nlines")
    assert (refused["level"], refused["project"], refused["stem"], refused["refused"]) == (
        "warning",
        "Salt Road",
        "a.wav",
        "unreadable",
    )
    made = sidecar()
    assert made.copy_ is not None
    assert (staged["outcome"], staged["version"], staged["trim_db"], staged["copy"], staged["notes"]) == (
        "staged",
        made.version,
        made.trim.gain_db,
        made.copy_.path,
        ["a word"],
    )
    assert all(found["at"].endswith("+00:00") for found in (word, refused, staged))
