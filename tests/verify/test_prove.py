"""A project's proof: which copies are looked at, what is read anew, and every kind of difference between two files."""

import json
import os
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path

import pytest

from stager.project import Project
from stager.staging.batch import stage_all
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice
from stager.verify import Verified, verify_project
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav

RAISED = '[target]\nrule = "peak"\nlevel_db = -3.5\ntolerance_db = 0.0\nceiling_dbtp = 0.0\n'
STEMS = ("a.wav", "deep/b.wav")


@pytest.fixture
def song() -> Iterator[Project]:
    """Yield a project of two staged stems, one in a folder."""
    with in_memory() as folder:
        found = project(folder, RAISED)
        for seed, name in enumerate(STEMS):
            written(found.inbox / name, wav(white_noise(9_600, 2, seed=seed, rms=0.05)), age_s=100.0)
        with staging(found) as held:
            outcomes = stage_all(held, STEMS, again=False, on_outcome=lambda _: None, executor=ExecutorChoice(1))
        assert len(outcomes) == 2
        yield found


def proofs(song: Project) -> dict[str, Verified]:
    """Prove everything; nothing may be written."""
    before = tree(song.folder)
    found = {proof.stem: proof for proof in verify_project(song)}
    assert tree(song.folder) == before
    return found


def told(song: Project, stem: str = "a.wav") -> list[str]:
    return proofs(song)[stem].differences


def with_sidecar(song: Project, change: Callable[[dict], None], stem: str = "a.wav") -> None:
    """Change the sidecar of a copy."""
    place = song.outbox / f"{stem}.json"
    data = json.loads(place.read_text("utf-8"))
    change(data)
    place.write_text(json.dumps(data), "utf-8")


def with_copy(song: Project, content: bytes, stem: str = "a.wav") -> None:
    """Put another file in the place of a copy, and its hash into the sidecar."""
    (song.outbox / stem).write_bytes(content)
    with_sidecar(song, lambda data: data["copy"].update(sha256=sha256(content).hexdigest()), stem)


def test_clean_copies_have_no_difference(song: Project) -> None:
    """Every stem is there once, ok, not stale, with the residual of dither and the fate of each chunk."""
    found = proofs(song)
    assert set(found) == set(STEMS)
    for proof in found.values():
        assert (proof.ok, proof.stale, proof.differences) == (True, False, [])
        assert proof.residual is not None
        assert proof.residual.rms_lsb == pytest.approx(0.5, rel=0.03)
        assert proof.chunks == {"kept": ["fmt "], "rewritten": ["data"], "dropped": []}


def test_shape_of_the_document(song: Project) -> None:
    """A stem's place in the JSON document has every published key; a stem that can't be compared has nulls."""
    (song.outbox / "a.wav.json").unlink()
    data = {name: proof.to_data() for name, proof in proofs(song).items()}
    keys = {"stem", "ok", "stale", "differences", "residual_peak_lsb", "residual_rms_lsb", "chunks"}
    assert all(set(stem) >= keys for stem in data.values())
    assert data["a.wav"]["ok"] is False
    assert data["a.wav"]["residual_peak_lsb"] is None
    assert isinstance(data["deep/b.wav"]["residual_peak_lsb"], float)


def test_without_a_ledger_the_sidecars_are_enough(song: Project) -> None:
    """A project whose state was lost, or that was carried elsewhere without it, is proved all the same."""
    for path in song.state.glob("ledger*"):
        path.unlink()
    found = proofs(song)
    assert set(found) == set(STEMS)
    assert all(proof.ok for proof in found.values())


def test_an_empty_project_has_no_proof(tmp_path: Path) -> None:
    """Before anything is staged there is nothing, and no folder is made."""
    assert proofs(project(tmp_path)) == {}


def test_missing_sidecar_and_copy(song: Project) -> None:
    """The ledger remembers both: a sidecar that is gone, and a copy that is gone."""
    (song.outbox / "a.wav.json").unlink()
    (song.outbox / "deep/b.wav").unlink()
    assert told(song) == ["a.wav: its sidecar is missing; `stager stage` will write both anew"]
    assert told(song, "deep/b.wav") == ["its copy is missing, or can't be read"]


def test_a_sidecar_that_is_no_sidecar(song: Project) -> None:
    """Text that can't be read as one is named as such."""
    (song.outbox / "a.wav.json").write_text("{", "utf-8")
    assert told(song) == [
        "a.wav: its sidecar can't be read as one: edited or damaged since; `stager stage` will write both anew"
    ]


def test_missing_original(song: Project) -> None:
    """Without its original a stem is taken out, and its copy is held against its sidecar alone: no difference."""
    (song.inbox / "a.wav").unlink()
    assert told(song) == []
    assert {proof.stem: proof.taken_out for proof in verify_project(song)}["a.wav"]


@pytest.mark.parametrize(("later_s", "stale"), [(3600.0, True), (-3600.0, False)], ids=["newer", "older"])
def test_another_original(song: Project, later_s: float, stale: bool) -> None:
    """An original that is newer than its copy makes it stale; one that is not is a difference."""
    written(song.inbox / "a.wav", wav(white_noise(9_600, 2, seed=8, rms=0.05)), age_s=-later_s)
    proof = proofs(song)["a.wav"]
    assert (proof.stale, proof.ok) == (stale, stale)
    assert proof.differences == ([] if stale else ["its original is not the one that its sidecar describes"])


def test_an_original_that_was_only_touched(song: Project) -> None:
    """The same bytes at another time are the same original."""
    os.utime(song.inbox / "a.wav")
    assert told(song) == []
    assert not proofs(song)["a.wav"].stale


SHAPES = {
    "shorter": (wav(white_noise(9_599, 2)), "expected 9600 frames as in its original, found 9599"),
    "another rate": (wav(white_noise(9_600, 2), rate_hz=44_100), "expected 48000 Hz as in its original, found 44100"),
    "mono": (wav(white_noise(9_600, 1)), "expected 2 channels as in its original, found 1"),
    "no audio": (b"text", "it can't be compared: a.wav: expected WAV"),
    "cut": (wav(white_noise(9_600, 2))[:-6], "it can't be compared: a.wav: expected 0.20 s as its header says"),
}


@pytest.mark.parametrize(("content", "says"), SHAPES.values(), ids=SHAPES.keys())
def test_another_file_in_its_place(song: Project, content: bytes, says: str) -> None:
    """Length, rate and channels are those of the original, or the difference says both."""
    with_copy(song, content)
    assert says in told(song)[0]


def test_another_depth_is_a_difference(song: Project) -> None:
    """A copy in another encoding than its sidecar names is not ours, though every sample were near."""
    with_copy(song, wav(white_noise(9_600, 2), 16))
    assert told(song) != []


@pytest.mark.parametrize("key", ["average_dbfs", "true_peak_dbtp", "sample_peak_dbfs"])
@pytest.mark.parametrize("value", [-99.0, None])
def test_figures_that_are_not_the_copys(song: Project, key: str, value: float | None) -> None:
    """Average and peaks are measured again; a sidecar that says other ones, or none, differs."""
    with_sidecar(song, lambda data: data["copy"].update({key: value}))
    (says,) = told(song)
    assert says.startswith(f"its sidecar says {key} = {'nothing' if value is None else '-99.000'}, its copy measures -")


def test_a_trim_that_is_not_the_one_applied(song: Project) -> None:
    """A sidecar that says another gain than the copy has is found by the samples."""
    with_sidecar(song, lambda data: data["trim"].update(gain_db=data["trim"]["gain_db"] + 0.1))
    assert any("its gain is -0.100 dB off the recorded one" in says for says in told(song))


def test_dither_that_is_not_the_one_applied(song: Project) -> None:
    """A sidecar that says none where there is dither is found by the samples."""
    with_sidecar(song, lambda data: data["copy"].update(dither="none"))
    assert told(song) != []


def test_one_bad_copy_leaves_the_others_proved(song: Project) -> None:
    """Differences are a stem's own."""
    with_copy(song, b"text")
    assert told(song, "deep/b.wav") == []
