"""`stager status` as a person reads it, and as a script does."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from stager.cli import status_command as room
from stager.cli.exits import Exit
from stager.model import Refused
from stager.watch.status import Status
from tests.support.records import project

FAILURE = Refused("a.wav", "bounces/a.wav", "unreadable", "expected audio")


def status(**changes: Any) -> Status:
    now = datetime.now(UTC) - timedelta(seconds=changes.pop("age_s", 2.0))
    known = {
        "project": "Salt Road",
        "state": "watching",
        "pid": 12,
        "last_seen_at": now.isoformat(),
        "queue": 0,
        "waiting": (),
        "says": "",
        "failures": (),
    }
    return Status(**(known | changes))


def shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], **changes: Any
) -> list[str]:
    song = project(tmp_path)
    monkeypatch.setattr(room, "read_status", lambda _project: status(**changes))
    assert room.run(project=song.folder, check=False, as_json=False) is Exit.DONE
    return capsys.readouterr().out.splitlines()


@pytest.mark.parametrize(
    ("changes", "lines"),
    [
        ({}, ["Salt Road: watching, nothing to do, last seen 2 s ago (process 12)"]),
        (
            {"state": "not_watched", "pid": None, "last_seen_at": None},
            ["Salt Road: NOT WATCHED"],
        ),
        ({"state": "not_watched", "pid": None, "age_s": 7200.0}, ["Salt Road: NOT WATCHED, last seen 2 h ago"]),
        (
            {"age_s": 90.0},
            [
                "Salt Road: watching, nothing to do, last seen 2 min ago (process 12)",
                "  no sign of life for longer than usual: its folder may not answer",
            ],
        ),
        (
            {"state": "paused", "says": "the disk is full"},
            ["Salt Road: PAUSED, last seen 2 s ago (process 12)", "  the disk is full"],
        ),
        (
            {"state": "busy", "queue": 2, "waiting": (("b.wav", "b.wav: held"),), "failures": (FAILURE,)},
            [
                "Salt Road: at work, last seen 2 s ago (process 12)",
                "2 stems in the queue",
                "  waiting for b.wav: held",
                "without a copy of their last bounce:",
                "  a.wav, unreadable: expected audio",
            ],
        ),
    ],
    ids=["calm", "never watched", "no longer watched", "silent", "paused", "at work"],
)
def test_what_people_read(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    changes: dict[str, Any],
    lines: list[str],
) -> None:
    """State, age, process, queue and failures stand in plain lines."""
    assert shown(tmp_path, monkeypatch, capsys, **changes) == lines


def test_what_scripts_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One document with the public keys."""
    song = project(tmp_path)
    assert room.run(project=song.folder, check=False, as_json=True) is Exit.DONE
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "stager/status/1"
    assert {"project", "state", "last_seen_at", "queue", "failures"} <= document.keys()
    assert document["state"] == "not_watched"
