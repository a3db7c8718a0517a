"""What the page is made of: read where it is there, said where it isn't, and never a reason to fail."""

import json
from pathlib import Path
from typing import Any

import pytest

from stager.model.check import SetReport
from stager.project.inbox import stems_in
from stager.report.html_sources import UNCHECKED, read_check, read_overviews, read_sources, read_takes
from stager.staging.batch import stage_all
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice
from tests.support.folders import tree, written
from tests.support.records import levels, project, sidecar
from tests.support.signals import frames_of, sine_block
from tests.support.wavefile import wav


def check_text(**changes: Any) -> bytes:
    """A check of no stems, as it lies on the disk."""
    found = SetReport(project="Salt Road", at="2026-01-01T00:00:00+00:00", of="state 1", stems=0, findings=(), bus=None)
    return json.dumps({**found.to_data(with_overview=True), **changes}).encode()


def take(name: str, **changes: Any) -> dict[str, Any]:
    """A take as it lies on the disk."""
    return {
        "take": name, "at": "2026-01-01T00:00:00+00:00", "source": sidecar().source.model_dump(mode="json"),
        "levels": levels().model_dump(mode="json"), "findings": [], "verdict": "usable", "advice": None, **changes,
    }  # fmt: skip


def test_no_check(tmp_path: Path) -> None:
    """Without a check there is a sentence."""
    assert read_check(tmp_path / "check.json", "state 1") == (None, UNCHECKED)


def test_check_of_this_state(tmp_path: Path) -> None:
    """A check of the present state is told without a word; keys of a later version are passed over."""
    found, says = read_check(written(tmp_path / "check.json", check_text(new_key=1)), "state 1")
    assert found is not None
    assert (found.of, says) == ("state 1", "")


@pytest.mark.parametrize(
    ("state", "says"), [("state 2", "changed since the set was checked"), (None, "can't be looked")]
)
def test_check_of_another_state(tmp_path: Path, state: str | None, says: str) -> None:
    """A check of an earlier state is told, with a warning; likewise where the state can't be known."""
    found, warning = read_check(written(tmp_path / "check.json", check_text()), state)
    assert found is not None
    assert says in warning


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"schema": "stager/check/9"}', b"\xff\xfe"])
def test_check_that_can_not_be_read(tmp_path: Path, content: bytes) -> None:
    """A damaged check, or one of another shape, is left out, with a sentence."""
    found, says = read_check(written(tmp_path / "check.json", content), "state 1")
    assert found is None
    assert "can't be read" in says


def test_last_takes_newest_first(tmp_path: Path) -> None:
    """The last so many of the list, the newest first, refused ones among them."""
    listed = [take(f"{number}.wav") for number in range(5)]
    listed.append({"take": "5.wav", "at": "x", "refused": "truncated", "says": "cut"})
    place = written(tmp_path / "takes.json", json.dumps({"schema": "stager/takes/1", "takes": listed}).encode())
    assert [each.take for each in read_takes(place, 3)] == ["5.wav", "4.wav", "3.wav"]


@pytest.mark.parametrize("content", [None, b"", b"{}", b'{"takes": [{"take": 1}]}'])
def test_no_takes(tmp_path: Path, content: bytes | None) -> None:
    """Where there is no list of takes that can be read, there are none."""
    place = tmp_path / "takes.json"
    if content is not None:
        written(place, content)
    assert read_takes(place, 10) == ()


def test_overviews_by_stem(tmp_path: Path) -> None:
    """Staging keeps a picture of each stem, with the extremes of its samples; a damaged one is left out."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", wav(sine_block(100.0, 0.5, peak=0.5)), age_s=100.0)
    written(song.inbox / "b/c.wav", wav(frames_of(sine_block(100.0, 0.5, peak=0.25))), age_s=100.0)
    with staging(song) as held:
        stage_all(held, stems_in(song), again=False, on_outcome=lambda _news: None, executor=ExecutorChoice(1))
    found = read_overviews(song)
    assert {stem: max(high for _, high in each.channels[0]) for stem, each in found.items()} == pytest.approx(
        {"a.wav": 0.5, "b/c.wav": 0.25}, abs=1e-3
    )
    for place in (song.state / "overviews").iterdir():
        written(place, b'{"channels": 3}')
    before = tree(song.folder)
    assert read_overviews(song) == {}
    assert tree(song.folder) == before


def test_all_of_a_new_project(tmp_path: Path) -> None:
    """A project in which nothing was staged has nothing to tell, and that is no error."""
    found = read_sources(project(tmp_path), "state 1", 10)
    assert (found.check, found.takes, found.overviews) == (None, (), {})
