"""Takes and songs for tests of the page."""

import json
from typing import Any

from stager.model import Advice, Finding, Verdict
from stager.model.takes import RefusedTake, Take, TakeOutcome
from stager.project import Project
from tests.support.records import levels, sidecar


def finding(says: str, verdict: Verdict, worst_at_s: float | None = None) -> Finding:
    """Return a finding."""
    return Finding(code="clipped", verdict=verdict, worst_at_s=worst_at_s, says=says)


def take(name: str = "voice.wav", change_db: int | None = 0, *findings: Finding, **changes: Any) -> Take:
    """Return a take with advice to change the input by so much, and with findings."""
    advice = None if change_db is None else Advice(input_change_db=change_db, says="advice")
    verdict = max((one.verdict for one in findings), key=lambda one: one.severity, default=Verdict.USABLE)
    parts: dict[str, Any] = {"source": sidecar().source, "levels": levels(), "at": "2026-01-01T00:00:00.000+00:00"}
    return Take(**{**parts, "take": name, "findings": findings, "verdict": verdict, "advice": advice, **changes})


def refused_take(name: str = "voice.wav") -> RefusedTake:
    """Return a take that can't be judged."""
    return RefusedTake(take=name, at="2026-01-01T00:00:00.000+00:00", refused="unreadable", says="no audio")


def leave(song: Project, *takes: TakeOutcome, at: str | None = None) -> None:
    """Write what a watch leaves of takes, and a sign of life where `at` is a time."""
    song.state.mkdir(exist_ok=True)
    listed = [json.loads(one.model_dump_json()) for one in takes]
    document = {"schema": "stager/takes/1", "project": song.name, "takes": listed}
    (song.state / "takes.json").write_text(json.dumps(document), "utf-8")
    if at:
        (song.state / "watch.json").write_text(
            json.dumps({"pid": 1, "at": at, "state": "watching", "queue": 0}), "utf-8"
        )
