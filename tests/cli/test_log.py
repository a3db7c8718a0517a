"""What a watch writes to stderr: lines for people, or one JSON object a line."""

import json
from pathlib import Path
from typing import Any

import pytest

from stager.cli import log as log_room
from stager.cli.log import HumanLog, JsonLog
from stager.judge import Hint
from stager.model import Refused, Staged
from stager.staging.queue import OutcomeEvent
from stager.watch.listeners import LogLine
from tests.support.records import project, sidecar

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
        log.word(LogLine("waiting for b.wav: held", "Salt Road"))
        log.word(LogLine("Salt Road goes on", "Salt Road"))
        log.news(song, OutcomeEvent(REFUSED))
    assert lines(capsys) == [
        "waiting for b.wav: held",
        "Salt Road goes on",
        "refused a.wav, unreadable: a.wav: expected audio",
        "Salt Road: waiting for b.wav: held",
        "Salt Road goes on",
        "Salt Road: refused a.wav, unreadable: a.wav: expected audio",
    ]


def test_hint_is_said_once_a_project(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A hint that two stems of one project bring is said once; another project says its own."""
    one, two = project(tmp_path / "one"), project(tmp_path / "two")
    log = HumanLog(many=True)
    for song in (one, one, two):
        log.news(song, OutcomeEvent(Staged(sidecar()), (Hint("same", "a word"),)))
    assert lines(capsys).count("  note: a word") == 2


def test_json_lines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every line is one object with hour, level, project and sentence; a stem's says what came of it."""
    song = project(tmp_path, '[project]\nname = "Salt Road"\n')
    log = JsonLog()
    log.word(LogLine("two\nlines", None, "warning"))
    log.news(song, OutcomeEvent(REFUSED))
    log.news(song, OutcomeEvent(Staged(sidecar()), (Hint("k", "a word"),)))
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


def test_sentences_of_a_take_are_broken_at_the_terminals_width(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """On a terminal a long sentence is broken between words and stays indented; elsewhere it is one line."""
    sentence = "  Turn the input 3 dB down: its average then comes to -18. Room for the loud part: 14 dB, enough."
    log_room._say_wrapped(sentence)
    assert lines(capsys) == [sentence]
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setattr(log_room.sys.stderr, "isatty", lambda: True)
    log_room._say_wrapped(sentence)
    found = lines(capsys)
    assert all(len(line) <= 40 and line.startswith("  ") for line in found)
    assert " ".join(" ".join(found).split()) == sentence.strip()
