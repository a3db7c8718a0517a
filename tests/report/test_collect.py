"""The last outcome of every stem, from ledger and sidecars, without a lock."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from stager.errors import PlaceError
from stager.model import Refused, Staged
from stager.project import Project
from stager.project.inbox import stems_in
from stager.report import collect
from stager.staging.batch import stage_all
from stager.staging.ledger import LEDGER
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import float_wav, wav


@pytest.fixture
def song() -> Iterator[Project]:
    """Return a project with two stems and a damaged one, staged."""
    with in_memory() as folder:
        found = project(folder)
        for name in ("c.wav", "drums/a.wav"):
            written(found.inbox / name, wav(white_noise(4800, rms=0.02)), age_s=100.0)
        written(found.inbox / "b.wav", float_wav(np.full(100, np.inf)), age_s=100.0)
        stage(found)
        yield found


def stage(song: Project) -> None:
    with staging(song) as held:
        stage_all(held, stems_in(song), again=False, on_outcome=lambda _news: None, executor=ExecutorChoice(1))


def test_every_stem_by_name(song: Project) -> None:
    """Staged and refused stems come together, in order of name, none of them fresh."""
    found = collect(song)
    assert [outcome.stem for outcome in found] == ["b.wav", "c.wav", "drums/a.wav"]
    assert [outcome.fresh for outcome in found if isinstance(outcome, Staged)] == [False, False]


def test_refusal_is_the_one_that_was_told(song: Project) -> None:
    """A refusal comes back with its code, its source and its sentence."""
    refused = collect(song)[0]
    assert isinstance(refused, Refused)
    assert (refused.path, refused.refused) == ("bounces/b.wav", "not_finite")
    assert "expected finite samples" in refused.says


def test_stem_whose_sidecar_is_gone(song: Project) -> None:
    """Of a stem without a sidecar there is nothing to tell."""
    (song.outbox / "c.wav.json").unlink()
    assert [outcome.stem for outcome in collect(song)] == ["b.wav", "drums/a.wav"]


def test_beside_a_running_stage(song: Project) -> None:
    """Collecting takes no lock and waits for none."""
    with staging(song):
        assert len(collect(song)) == 3


def test_it_writes_nothing(song: Project) -> None:
    """Collecting leaves every file as it was."""
    before = tree(song.folder)
    collect(song)
    assert tree(song.folder) == before


def test_before_anything_was_staged(tmp_path: Path) -> None:
    """A new project has no outcomes, and gets no ledger by asking."""
    new = project(tmp_path)
    assert collect(new) == []
    assert not new.state.exists()


def test_broken_ledger(song: Project) -> None:
    """A ledger that can't be read is a broken place."""
    written(song.state / LEDGER, b"no database at all, and longer than a header" * 100)
    with pytest.raises(PlaceError, match="ledger"):
        collect(song)
