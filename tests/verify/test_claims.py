"""What a sidecar says of itself, edited by hand: a sentence each time, never a traceback; and copies that lack one."""

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from stager.project import Project
from stager.staging.batch import stage_all
from stager.staging.ledger import LEDGER, Entry, open_ledger, read_entries
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice
from stager.verify import Verified, verify_project
from stager.verify import prove as proving
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav

RAISED = '[target]\nrule = "peak"\nlevel_db = -3.5\ntolerance_db = 0.0\nceiling_dbtp = 0.0\n'
MISSING = "a.wav: its sidecar is missing; `stager stage` will write both anew"
OTHER_ORIGINAL = "its original is not the one that its sidecar describes"


@pytest.fixture
def song() -> Iterator[Project]:
    """Yield a project of one staged stem."""
    with in_memory() as folder:
        found = project(folder, RAISED)
        written(found.inbox / "a.wav", wav(white_noise(9_600, 2, rms=0.05)), age_s=100.0)
        with staging(found) as held:
            stage_all(held, ("a.wav",), again=False, on_outcome=lambda _: None, executor=ExecutorChoice(1))
        yield found


def proofs(song: Project) -> list[Verified]:
    """Prove everything; nothing may be written."""
    before = tree(song.folder)
    found = list(verify_project(song))
    assert tree(song.folder) == before
    return found


def told(song: Project) -> list[str]:
    (proof,) = proofs(song)
    return proof.differences


def edited(song: Project, part: str | None, **values: Any) -> None:
    """Put other values into a part of the sidecar, or into its top."""
    place = song.outbox / "a.wav.json"
    data = json.loads(place.read_text("utf-8"))
    (data[part] if part else data).update(values)
    place.write_text(json.dumps(data), "utf-8")


def in_ledger(song: Project, change: Callable[[Entry], Entry]) -> None:
    """Change what the ledger knows of the stem."""
    (entry,) = read_entries(song.state / LEDGER)
    with open_ledger(song.state / LEDGER) as ledger:
        ledger.write(change(entry))


def without_ledger(song: Project) -> None:
    for path in song.state.glob("ledger*"):
        path.unlink()


def bounced_anew(song: Project, age_s: float) -> None:
    """Put another original in place, that changed so long ago."""
    written(song.inbox / "a.wav", wav(white_noise(9_600, 2, seed=8, rms=0.05)), age_s=age_s)


EDITS: dict[str, tuple[str | None, dict[str, Any], str]] = {
    "no date": (None, {"staged_at": "yesterday"}, "its sidecar says staged_at = 'yesterday', which is no date"),
    "no hex": ("source", {"path_bytes": "zz"}, "its sidecar says path_bytes = 'zz', which is no hex"),
    "absurd": ("trim", {"gain_db": 1e9}, "its sidecar says gain_db = 1e+09, more than any trim may raise"),
    "another encoding": ("copy", {"encoding": "PCM_16"}, "expected PCM_16 as its sidecar says, found PCM_24"),
}


@pytest.mark.parametrize(("part", "values", "says"), EDITS.values(), ids=EDITS.keys())
def test_claims_that_cannot_be_so_are_named(song: Project, part: str | None, values: dict[str, Any], says: str) -> None:
    """A value that no sidecar of ours has is named with what stands there."""
    edited(song, part, **values)
    assert says in told(song)


@pytest.mark.parametrize("gain_db", [1e9, 6000.0, -1e9])
def test_absurd_gains_have_sentences(song: Project, gain_db: float) -> None:
    """No gain overflows, however far it is from what can be."""
    edited(song, "trim", gain_db=gain_db)
    assert told(song) != []


@pytest.mark.parametrize("path_bytes", ["zz", "00", "ff" * 5_000])
def test_paths_that_name_nothing(song: Project, path_bytes: str) -> None:
    """Without a ledger the original is looked for by the sidecar; where that names no file, it is not there."""
    without_ledger(song)
    edited(song, "source", path_bytes=path_bytes)
    assert "its original bounces/a.wav is not there to compare it with" in told(song)


def test_bytes_of_a_path_count_from_the_project(song: Project) -> None:
    """The bytes of an original's path are below the project's folder, as its printed path is."""
    without_ledger(song)
    edited(song, "source", path="no such name", path_bytes=b"bounces/a.wav".hex())
    assert told(song) == []


def test_a_date_that_is_none_makes_nothing_stale(song: Project) -> None:
    """Where nobody can say when the copy was made, another original is a difference."""
    edited(song, None, staged_at="yesterday")
    bounced_anew(song, -3600.0)
    (proof,) = proofs(song)
    assert not proof.stale
    assert OTHER_ORIGINAL in proof.differences


def test_an_original_that_vanishes_between_two_looks(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hashed, and gone when its time is asked: it is not there."""
    found = proving.sha256_of

    def vanishing(path: Path) -> str | None:
        digest = found(path)
        if path.parent == song.inbox:
            path.unlink()
        return digest

    bounced_anew(song, 1.0)
    monkeypatch.setattr(proving, "sha256_of", vanishing)
    (proof,) = verify_project(song)
    assert proof.differences == ["its original bounces/a.wav is not there to compare it with"]


def test_an_open_intent_names_the_copy_without_a_sidecar(song: Project) -> None:
    """A process that died after it removed the old sidecar leaves a copy that is named, with what mends it."""
    in_ledger(song, lambda entry: replace(entry, state="open"))
    (song.outbox / "a.wav.json").unlink()
    assert told(song) == [MISSING]
    with staging(song) as held:
        stage_all(held, ("a.wav",), again=False, on_outcome=lambda _: None, executor=ExecutorChoice(1))
    assert told(song) == []


def test_an_intent_that_came_to_nothing_is_no_copy(song: Project) -> None:
    """A first copy that never took its place is nothing to prove."""
    in_ledger(song, lambda entry: replace(entry, state="open"))
    (song.outbox / "a.wav.json").unlink()
    (song.outbox / "a.wav").unlink()
    assert proofs(song) == []


def test_an_open_intent_whose_copy_and_sidecar_agree_is_proved(song: Project) -> None:
    """Where both are in place, the intent alone is no difference; another original has come since."""
    in_ledger(song, lambda entry: replace(entry, state="open"))
    assert told(song) == []
    bounced_anew(song, 7200.0)
    (proof,) = proofs(song)
    assert (proof.stale, proof.differences) == (True, [])


def test_a_copy_that_is_gone_with_its_sidecar(song: Project) -> None:
    """Both are said to be missing."""
    (song.outbox / "a.wav.json").unlink()
    (song.outbox / "a.wav").unlink()
    assert told(song) == ["a.wav: its sidecar is missing, and so is its copy; `stager stage` will write both anew"]


def refuse(song: Project) -> None:
    in_ledger(song, lambda entry: replace(entry, state="refused", refused="truncated", says="cut short"))


@pytest.mark.parametrize("age_s", [-3600.0, 7200.0], ids=["newer", "older"])
def test_the_last_good_copy_of_a_refused_stem_is_stale(song: Project, age_s: float) -> None:
    """Its original changed, whatever its time says; the copy is proved against its sidecar alone."""
    bounced_anew(song, age_s)
    refuse(song)
    (proof,) = proofs(song)
    assert (proof.stale, proof.ok, proof.residual) == (True, True, None)
    edited(song, "copy", average_dbfs=-99.0)
    assert told(song)[0].startswith("its sidecar says average_dbfs = -99.000")


def test_a_refused_stem_without_a_sidecar_is_not_promised_one(song: Project) -> None:
    """Staging would refuse it again, so nothing is said to mend it."""
    refuse(song)
    (song.outbox / "a.wav.json").unlink()
    assert told(song) == ["a.wav: its sidecar is missing"]


@pytest.mark.parametrize("content", ["{", "", '{"schema": "stager/sidecar/1"}'], ids=["cut", "empty", "without keys"])
def test_a_damaged_sidecar_is_named_without_a_ledger(song: Project, content: str) -> None:
    """A sidecar beside its copy that can't be read is a difference, though no ledger knows of it."""
    without_ledger(song)
    (song.outbox / "a.wav.json").write_text(content, "utf-8")
    assert told(song) == ["a.wav: its sidecar can't be read as one: edited or damaged since"]


def test_files_of_others_are_no_sidecars(song: Project) -> None:
    """JSON that isn't ours, a name that is nothing but the ending, and our own tables are passed over."""
    (song.outbox / "b.wav").write_bytes(b"")
    for name, content in (("b.wav.json", '{"takes": 3}'), (".json", "{"), ("report.json", "{"), ("c.wav.json", "{")):
        (song.outbox / name).write_text(content, "utf-8")
    assert told(song) == []
