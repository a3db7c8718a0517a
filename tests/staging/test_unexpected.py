"""An unexpected error at any place of a stem's way is the outcome of that stem, and nothing of it is left."""

from collections.abc import Callable
from pathlib import Path

import pytest

from stager.model import Outcome, Refused, Staged
from stager.staging import prepare, publish, queue, render, stem
from stager.staging.batch import stage_all
from stager.system.drafts import DRAFT_PREFIX
from stager.system.error_log import ERROR_LOG
from tests.support.folders import tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav

PLACES = {
    "read": (stem, "analyse"),
    "judge": (prepare, "decide"),
    "apply": (render, "write_copy"),
    "read back": (render, "Panel"),
    "sidecar": (prepare, "percussive_hint"),
    "whole": (queue, "prepare"),
    "remove": (publish, "_remove_stale_sidecars"),
    "publish": (publish, "_place_copy"),
    "record": (publish, "_place_sidecar"),
}


@pytest.mark.parametrize("place", PLACES)
def test_unexpected_error_is_one_outcome(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str) -> None:
    """The first stem meets the error, the second is staged; the traceback is in the file of errors."""
    song = project(tmp_path)
    for name in ("a.wav", "b.wav"):
        written(song.inbox / name, wav(white_noise(4_800, seed=len(name), rms=0.02)), age_s=100.0)
    room, name = PLACES[place]
    monkeypatch.setattr(room, name, _once(getattr(room, name)))
    events: list[queue.OutcomeEvent] = []
    with publish.staging(song) as held:
        executor = queue.ExecutorChoice(1)
        outcomes = stage_all(held, ["a.wav", "b.wav"], again=False, on_outcome=events.append, executor=executor)
    assert sorted(map(_kind, outcomes)) == ["internal_error", "staged"]
    assert not [found for found in tree(song.outbox) if Path(found).name.startswith(DRAFT_PREFIX)]
    assert "ZeroDivisionError" in (song.state / ERROR_LOG).read_text()
    assert ["ZeroDivisionError" in getattr(event.outcome, "traceback", "") for event in events].count(True) == 1


def _once(real: Callable[..., object]) -> Callable[..., object]:
    """Fail at the first call only."""
    calls: list[int] = []

    def once(*args: object, **keys: object) -> object:
        calls.append(1)
        if len(calls) == 1:
            raise ZeroDivisionError("injected")
        return real(*args, **keys)

    return once


def _kind(outcome: Outcome) -> str:
    assert isinstance(outcome, Refused | Staged)
    return outcome.refused if isinstance(outcome, Refused) else "staged"
