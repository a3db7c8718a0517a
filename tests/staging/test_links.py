"""Links as the ledger knows them: which members count, and which copies have their link's trim."""

from collections.abc import Iterator

import pytest

from stager.model import Outcome, Staged
from stager.project import Project, load_project
from stager.project.inbox import stems_in
from stager.staging.batch import rehearse_all, stage_all
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav

LINK = '[[link]]\nname = "pair"\nmatch = ["l.wav", "r.wav"]\n'


@pytest.fixture
def song() -> Iterator[Project]:
    """Yield a project in memory with a pair, 6 dB apart, and a stem of its own."""
    with in_memory() as folder:
        found = project(folder, LINK)
        for seed, (name, rms) in enumerate((("l.wav", 0.04), ("r.wav", 0.02), ("alone.wav", 0.01))):
            written(found.inbox / name, wav(white_noise(24_000, seed=seed, rms=rms)), age_s=100.0)
        yield found


def stage(song: Project, names: list[str] | None = None) -> dict[str, Outcome]:
    with staging(song) as held:
        listed = names or stems_in(song)
        return {
            o.stem: o
            for o in stage_all(held, listed, again=False, on_outcome=lambda _news: None, executor=ExecutorChoice(2))
        }


def gains(outcomes: dict[str, Outcome]) -> dict[str, float]:
    return {stem: o.sidecar.trim.gain_db for stem, o in outcomes.items() if isinstance(o, Staged)}


def fresh(outcomes: dict[str, Outcome]) -> set[str]:
    return {stem for stem, outcome in outcomes.items() if isinstance(outcome, Staged) and outcome.fresh}


def test_members_have_one_trim(song: Project) -> None:
    """The pair moves together, by what its louder side wants; who has no link moves alone."""
    found = gains(stage(song))
    assert found["l.wav"] == found["r.wav"] < found["alone.wav"]


def test_nothing_is_staged_again_without_a_cause(song: Project) -> None:
    """A second run finds every member up to date."""
    stage(song)
    assert fresh(stage(song)) == set()


def test_member_that_comes_late_takes_the_others_along(song: Project) -> None:
    """The louder side comes last: the other is staged again with it, though only the new one was asked for."""
    kept = (song.inbox / "l.wav").read_bytes()
    (song.inbox / "l.wav").unlink()
    before = gains(stage(song))
    written(song.inbox / "l.wav", kept, age_s=100.0)
    after = stage(song, ["l.wav"])
    assert fresh(after) == {"l.wav", "r.wav"}
    assert gains(after)["l.wav"] == gains(after)["r.wav"] < before["r.wav"]
    assert fresh(stage(song)) == set()


def test_member_that_goes_counts_no_more(song: Project) -> None:
    """With the louder side taken out of the inbox the other is decided alone."""
    before = gains(stage(song))
    (song.inbox / "l.wav").unlink()
    after = stage(song)
    assert fresh(after) == {"r.wav"}
    assert gains(after)["r.wav"] > before["r.wav"]
    assert "l.wav" in tree(song.outbox)


def test_refused_member_holds_nobody_up(song: Project) -> None:
    """A member that can't be read is an outcome of its own, and the others are decided without it."""
    written(song.inbox / "l.wav", b"no audio", age_s=100.0)
    found = stage(song)
    assert not isinstance(found["l.wav"], Staged)
    assert isinstance(found["r.wav"], Staged)
    assert fresh(stage(song)) == set()


def test_link_that_is_taken_away(song: Project) -> None:
    """Without the link each side gets its own trim."""
    stage(song)
    song.file.write_text(song.file.read_text("utf-8").replace(LINK, ""), "utf-8")
    alone = gains(stage(load_project(song.file)))
    assert alone["r.wav"] > alone["l.wav"]


def test_dry_run_decides_as_staging_does(song: Project) -> None:
    """A rehearsal gives every member the very trim that it then gets, also where only one of them was asked for."""
    whole = {o.stem: o for o in rehearse_all(song, stems_in(song))}
    one = {o.stem: o for o in rehearse_all(song, ["r.wav"])}
    assert gains(one)["r.wav"] == gains(whole)["r.wav"]
    staged = stage(song)
    for stem, outcome in whole.items():
        found = staged[stem]
        assert isinstance(outcome, Staged)
        assert isinstance(found, Staged)
        assert outcome.sidecar.trim == found.sidecar.trim
