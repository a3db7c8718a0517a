"""A project under its lock: the order in which copy and sidecar take their places, and every way to interrupt it."""

import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from stager.containers import fingerprint_of
from stager.errors import AlreadyWatched, NameRefused, NotFiniteStem, PlaceGone, PlaceRefused
from stager.model import Refused, Staged, StemName, read_sidecar
from stager.project import Project, load_project
from stager.staging import publish as room
from stager.staging import state
from stager.staging.ledger import LEDGER, Ledger, read_entries
from stager.staging.outbox import sidecar_place
from stager.staging.prepare import Prepared, Unchanged, prepare
from stager.staging.publish import Staging, check_places, overview_name, staging
from stager.staging.stem import StemJob
from stager.system.files import Draft
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav

STEM = "kick.wav"
OLD, NEW = wav(white_noise(24_000, rms=0.05)), wav(white_noise(24_000, seed=2, rms=0.02))


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Yield a folder in memory: no test here can see a power cut, and waiting for a disk takes most of the time."""
    with in_memory() as folder:
        yield folder


def staged(held: Staging, stem: str = STEM, *, again: bool = False) -> Staged:
    """Stage one stem, whatever that takes."""
    job = held.job(stem, again=again)
    made = prepare(job)
    found = held.unchanged(job, made) if isinstance(made, Unchanged) else held.publish(job, made)
    assert found is not None
    return found


def stage_once(song: Project, stem: str = STEM) -> Staged:
    with staging(song) as held:
        return staged(held, stem)


def prepared(held: Staging, stem: str = STEM) -> tuple[StemJob, Prepared]:
    job = held.job(stem)
    made = prepare(job)
    assert isinstance(made, Prepared)
    return job, made


def bounce(song: Project, content: bytes) -> None:
    written(song.inbox / STEM, content, age_s=100.0)


def outcome(song: Project) -> dict[str, Any]:
    """What no way of getting there may change: the copy, its sidecar but for the hour, and what the ledger says."""
    place = song.outbox / STEM
    sidecar = json.loads(sidecar_place(place).read_bytes())
    del sidecar["staged_at"]
    (entry,) = read_entries(song.state / LEDGER)
    known = entry.state, entry.version, entry.copy_sha256, entry.source_sha256
    return {"files": set(tree(song.outbox)), "copy": place.read_bytes(), "sidecar": sidecar, "ledger": known}


def assert_sidecars_are_true(song: Project) -> None:
    """Where a sidecar lies, the copy beside it is complete and is the one described."""
    for place in song.outbox.rglob("*.json"):
        found = read_sidecar(place.read_bytes())
        assert found.copy_ is not None
        assert found.copy_.sha256 == sha256(place.with_suffix("").read_bytes()).hexdigest()


class Tripwire:
    """Lets so many steps pass, then breaks off, before or after doing the next one."""

    def __init__(self, steps: int, *, after: bool) -> None:
        self.left, self._after, self.names = steps, after, list[str]()

    def step(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def stepped(*args: Any, **keys: Any) -> Any:
            self.names.append(name)
            self.left -= 1
            if self.left < 0 and not self._after:
                raise KeyboardInterrupt
            found = real(*args, **keys)
            if self.left < 0:
                raise KeyboardInterrupt
            return found

        return stepped


@contextmanager
def wired(wire: Tripwire, *, killed: bool) -> Iterator[None]:
    """Put a wire around every step of publishing; a killed process discards no draft."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Ledger, "write", wire.step("ledger", Ledger.write))
        patch.setattr(Draft, "publish", wire.step("publish", Draft.publish))
        patch.setattr(Draft, "replace", wire.step("replace", Draft.replace))
        for name in ("remove", "sync_folder", "write_passing"):
            patch.setattr(room, name, wire.step(name, getattr(room, name)))
        if killed:
            patch.setattr(Prepared, "discard", lambda _prepared: None)
        yield


def test_order_of_a_first_copy(tmp_path: Path) -> None:
    """Intent, old sidecar away, folder synced, copy, sidecar, folder synced, ledger done, then the picture."""
    song, wire = project(tmp_path), Tripwire(99, after=False)
    bounce(song, OLD)
    with staging(song) as held:
        job, made = prepared(held)
        with wired(wire, killed=False):
            held.publish(job, made)
    order = ["ledger", "remove", "sync_folder", "publish", "sync_folder", "replace", "sync_folder", "ledger"]
    assert wire.names[:9] == [*order, "write_passing"]


def test_order_of_a_replacement(tmp_path: Path) -> None:
    """A copy of ours is renamed over, in the same order."""
    song, wire = project(tmp_path), Tripwire(99, after=False)
    bounce(song, OLD)
    stage_once(song)
    bounce(song, NEW)
    with staging(song) as held:
        job, made = prepared(held)
        with wired(wire, killed=False):
            held.publish(job, made)
    order = ["ledger", "remove", "sync_folder", "replace", "sync_folder", "replace", "sync_folder", "ledger"]
    assert wire.names[:8] == order


def bounced(folder: Path, former: bytes | None) -> Project:
    """A project with a new bounce, and, where there was a former one, its copy."""
    song = project(folder, '[project]\nname = "Salt Road"\n')
    if former is not None:
        bounce(song, former)
        stage_once(song)
    bounce(song, NEW)
    return song


@pytest.fixture(scope="module")
def undisturbed() -> dict[bytes | None, dict[str, Any]]:
    """Return where staging ends when nothing breaks it off, by the content of the former bounce."""
    found = {}
    for former in (None, OLD):
        with in_memory() as folder:
            song = bounced(folder, former)
            stage_once(song)
            found[former] = outcome(song)
    return found


@pytest.mark.parametrize("killed", [False, True], ids=["stopped", "killed"])
@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
@pytest.mark.parametrize("former", [None, OLD], ids=["first", "replacement"])
@pytest.mark.parametrize("step", range(8))
def test_interrupted_at_any_step(
    tmp_path: Path, undisturbed: dict[bytes | None, Any], step: int, former: bytes | None, after: bool, killed: bool
) -> None:
    """Wherever publishing breaks off, every sidecar is true, and the next start ends where an undisturbed one does."""
    song = bounced(tmp_path, former)
    with staging(song) as held:
        job, made = prepared(held)
        with wired(Tripwire(step, after=after), killed=killed), pytest.raises(KeyboardInterrupt):
            held.publish(job, made)
    assert_sidecars_are_true(song)
    with staging(song) as held:
        assert not [name for name in tree(song.outbox) if name.startswith(".")]
        if held.current(STEM, made.fingerprint) is None:
            staged(held)
    assert_sidecars_are_true(song)
    assert outcome(song) == undisturbed[former]


@pytest.mark.parametrize("steps", range(8))
def test_interrupted_then_bounced_again(tmp_path: Path, steps: int) -> None:
    """After an interruption a third content is staged over whatever lies there, which is never taken for a person's."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    bounce(song, NEW)
    with staging(song) as held, wired(Tripwire(steps, after=True), killed=True), pytest.raises(KeyboardInterrupt):
        staged(held)
    third = wav(white_noise(24_000, seed=3, rms=0.03))
    bounce(song, third)
    found = stage_once(song).sidecar
    assert set(tree(song.outbox)) == {STEM, "kick.wav.json"}
    assert found.source.sha256 == sha256(third).hexdigest()
    assert_sidecars_are_true(song)


def test_publish_gives_what_lies_there(tmp_path: Path) -> None:
    """The outcome is the sidecar on the disk, fresh."""
    song = project(tmp_path)
    bounce(song, OLD)
    found = stage_once(song)
    assert found.fresh
    assert read_sidecar((song.outbox / "kick.wav.json").read_bytes()) == found.sidecar


def test_publish_never_replaces_a_newcomer(tmp_path: Path) -> None:
    """A file that took the free name after the copy was prepared is a person's: it stays, and the drafts are gone."""
    song = project(tmp_path)
    bounce(song, OLD)
    with staging(song) as held:
        job, made = prepared(held)
        written(song.outbox / STEM, b"theirs")
        with pytest.raises(FileExistsError):
            held.publish(job, made)
    assert tree(song.outbox) == {STEM: b"theirs"}


def test_sidecar_of_a_failed_replacement_is_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the disk refuses the new copy, the old one stays without a sidecar, never the reverse."""
    song = project(tmp_path)
    bounce(song, OLD)
    before = stage_once(song)
    bounce(song, NEW)

    def refuse(_draft: Draft, _place: Path) -> None:
        raise PlaceRefused("no")

    with staging(song) as held:
        job, made = prepared(held)
        monkeypatch.setattr(Draft, "replace", refuse)
        with pytest.raises(PlaceRefused, match="no"):
            held.publish(job, made)
    ((name, content),) = tree(song.outbox).items()
    assert before.sidecar.copy_ is not None
    assert (name, sha256(content).hexdigest()) == (STEM, before.sidecar.copy_.sha256)


def test_current_is_the_outcome_of_before(tmp_path: Path) -> None:
    """A stem that is up to date has its outcome at once, not fresh, with or without a look at its fingerprint."""
    song = project(tmp_path)
    bounce(song, OLD)
    with staging(song) as held:
        job, made = prepared(held)
        held.publish(job, made)
        for fingerprint in (made.fingerprint, None):
            found = held.current(STEM, fingerprint)
            assert found == Staged(made.sidecar, fresh=False)


OUT_OF_DATE: dict[str, Callable[[Project], object]] = {
    "the copy is gone": lambda song: (song.outbox / STEM).unlink(),
    "the sidecar is gone": lambda song: (song.outbox / "kick.wav.json").unlink(),
    "the sidecar is broken": lambda song: (song.outbox / "kick.wav.json").write_text("{"),
    "other settings": lambda song: (song.folder / "stager.toml").write_text("[target]\nlevel_db = -20.0\n"),
    "the ledger is gone": lambda song: (song.state / LEDGER).unlink(),
}


@pytest.mark.parametrize("change", OUT_OF_DATE.values(), ids=OUT_OF_DATE.keys())
def test_out_of_date(tmp_path: Path, change: Callable[[Project], object]) -> None:
    """Whatever is missing or different, the stem is due, and staging it puts everything right."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    change(song)
    song = load_project(tmp_path)
    with staging(song) as held:
        assert held.current(STEM, None) is None
        assert held.job(STEM).known_sha256 is None
        staged(held)
        assert held.current(STEM, None) is not None
    assert set(tree(song.outbox)) == {STEM, "kick.wav.json"}
    assert_sidecars_are_true(song)


def test_other_rules_are_out_of_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy that an earlier version's rules decided is due again."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    monkeypatch.setattr(state, "RULES_VERSION", state.RULES_VERSION + 1)
    with staging(song) as held:
        assert held.current(STEM, None) is None


def test_another_fingerprint_is_looked_at(tmp_path: Path) -> None:
    """A stem under another time stamp is due, but its known bytes need no new copy, and are known from then on."""
    song = project(tmp_path)
    bounce(song, OLD)
    first = stage_once(song).sidecar
    written(song.inbox / STEM, OLD, age_s=50.0)
    with staging(song) as held:
        job = held.job(STEM)
        made = prepare(job)
        assert isinstance(made, Unchanged)
        assert held.current(STEM, made.fingerprint) is None
        assert held.unchanged(job, made) == Staged(first, fresh=False)
        assert held.current(STEM, made.fingerprint) == Staged(first, fresh=False)


def test_unchanged_but_its_copy_is_gone(tmp_path: Path) -> None:
    """Where the copy vanished while its stem was looked at, there is no outcome to give."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    with staging(song) as held:
        job = held.job(STEM)
        made = prepare(job)
        assert isinstance(made, Unchanged)
        (song.outbox / STEM).unlink()
        assert held.unchanged(job, made) is None


def test_again_makes_a_fresh_copy(tmp_path: Path) -> None:
    """Asked to, a stem that is up to date is staged once more, as the same version and with the same bytes."""
    song = project(tmp_path)
    bounce(song, OLD)
    first = stage_once(song)
    with staging(song) as held:
        second = staged(held, again=True)
    assert second.fresh
    assert second.sidecar.version == 1
    assert second.sidecar.copy_ == first.sidecar.copy_


def test_rebounce_is_another_version(tmp_path: Path) -> None:
    """Another content of the same stem is the next version, in place of the former copy."""
    song = project(tmp_path)
    for version, content in enumerate((OLD, NEW, OLD), 1):
        bounce(song, content)
        assert stage_once(song).sidecar.version == version
    assert set(tree(song.outbox)) == {STEM, "kick.wav.json"}


def test_copy_altered_by_hand_is_left_alone(tmp_path: Path) -> None:
    """A copy that a person changed stays when its stem is bounced again; ours lies beside it, and counts."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    written(song.outbox / STEM, b"altered")
    bounce(song, NEW)
    found = stage_once(song).sidecar
    assert found.copy_ is not None
    assert found.copy_.path == "staged/kick.v2.wav"
    assert (song.outbox / STEM).read_bytes() == b"altered"
    with staging(song) as held:
        assert held.current(STEM, None) is not None


def edit(path: Path, content: bytes) -> None:
    """Save a file as a person does, a while after its sidecar was written."""
    path.unlink(missing_ok=True)
    path.write_bytes(content)
    later = sidecar_place(path).stat().st_mtime_ns + 1_000_000
    os.utime(path, ns=(later, later))


def test_copy_edited_by_hand_is_not_up_to_date(tmp_path: Path) -> None:
    """A copy that was edited since its sidecar was written is a person's: the unchanged stem is staged beside it."""
    song = project(tmp_path)
    bounce(song, OLD)
    first = stage_once(song).sidecar
    edit(song.outbox / STEM, b"edited")
    with staging(song) as held:
        assert held.current(STEM, None) is None
        assert held.job(STEM).known_sha256 is None
        found = staged(held)
        assert held.current(STEM, None) == Staged(found.sidecar, fresh=False)
    assert found.fresh
    assert found.sidecar.copy_ is not None
    assert first.copy_ is not None
    assert (found.sidecar.version, found.sidecar.copy_.path) == (1, "staged/kick.v2.wav")
    assert found.sidecar.copy_.sha256 == first.copy_.sha256
    assert (song.outbox / STEM).read_bytes() == b"edited"
    assert set(tree(song.outbox)) == {STEM, "kick.v2.wav", "kick.v2.wav.json"}
    assert_sidecars_are_true(song)


@pytest.mark.parametrize("edits", [2, 3])
def test_copy_edited_by_hand_again(tmp_path: Path, edits: int) -> None:
    """However often a person edits our newest copy, theirs stay, and no sidecar of ours describes one of them."""
    song = project(tmp_path)
    bounce(song, OLD)
    names = [STEM, *(f"kick.v{number}.wav" for number in range(2, edits + 2))]
    for number, name in enumerate(names):
        found = stage_once(song).sidecar
        assert found.copy_ is not None
        assert found.copy_.path == f"staged/{name}"
        assert_sidecars_are_true(song)
        if number < edits:
            edit(song.outbox / name, name.encode())
    assert set(tree(song.outbox)) == {*names, f"{names[-1]}.json"}
    assert [(song.outbox / name).read_bytes() for name in names[:-1]] == [name.encode() for name in names[:-1]]


def test_copy_saved_again_as_it_was(tmp_path: Path) -> None:
    """A copy under a newer time stamp with the same bytes, as a backup gives it back, is up to date."""
    song = project(tmp_path)
    bounce(song, OLD)
    first = stage_once(song).sidecar
    edit(song.outbox / STEM, (song.outbox / STEM).read_bytes())
    with staging(song) as held:
        assert held.current(STEM, None) == Staged(first, fresh=False)


def test_copy_edited_while_its_stem_was_looked_at(tmp_path: Path) -> None:
    """Where a person edited the copy while its stem was looked at, there is no outcome to give."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    with staging(song) as held:
        job = held.job(STEM)
        made = prepare(job)
        assert isinstance(made, Unchanged)
        edit(song.outbox / STEM, b"edited")
        assert held.unchanged(job, made) is None


@pytest.mark.parametrize("link", [os.symlink, os.link], ids=["a link", "a second name"])
def test_original_under_the_name_of_its_copy(tmp_path: Path, link: Callable[[Path, Path], None]) -> None:
    """Where the original itself has the copy's name by now, nothing is written, and the stem is refused."""
    song = project(tmp_path)
    bounce(song, OLD)
    with staging(song) as held:
        job, made = prepared(held)
        link(song.inbox / STEM, song.outbox / STEM)
        with pytest.raises(NameRefused, match=r"kick\.wav: expected a copy's name, found the original itself under it"):
            held.publish(job, made)
    assert set(tree(song.outbox)) == {STEM}
    assert (song.inbox / STEM).read_bytes() == OLD


@pytest.mark.parametrize("former", [None, OLD], ids=["first", "replacement"])
def test_stem_that_goes_away_once_it_is_prepared(tmp_path: Path, former: bytes | None) -> None:
    """A stem that was read as a whole and is gone since is published like any other, in place of a copy of ours too."""
    song = bounced(tmp_path, former)
    with staging(song) as held:
        job, made = prepared(held)
        (song.inbox / STEM).unlink()
        assert held.publish(job, made) == Staged(made.sidecar)
    assert set(tree(song.outbox)) == {STEM, "kick.wav.json"}
    assert_sidecars_are_true(song)


def test_folder_that_became_a_link(tmp_path: Path) -> None:
    """Where the copy's folder leads out of the outbox by now, nothing is written there."""
    song = project(tmp_path / "song")
    written(song.inbox / "drums" / STEM, OLD, age_s=100.0)
    with staging(song) as held:
        job, made = prepared(held, f"drums/{STEM}")
        (song.outbox / "drums").rename(song.outbox / "elsewhere")
        (song.outbox / "drums").symlink_to(song.inbox / "drums")
        with pytest.raises(NameRefused, match="drums: expected a folder of the outbox, found a link to "):
            held.publish(job, made)
    assert tree(song.inbox) == {f"drums/{STEM}": OLD}


def test_refusal_is_noted(tmp_path: Path) -> None:
    """A refused stem is known with its code and sentence, and has no copy."""
    song = project(tmp_path)
    with staging(song) as held:
        found = held.refuse(StemJob(song, StemName(STEM)), NotFiniteStem(STEM, "NaN at 1 s"))
    assert found == Refused(STEM, "bounces/kick.wav", "not_finite", "NaN at 1 s")
    (entry,) = read_entries(song.state / LEDGER)
    assert (entry.state, entry.refused, entry.says, entry.copy_sha256) == ("refused", "not_finite", "NaN at 1 s", "")


def test_refusal_keeps_the_last_good_copy(tmp_path: Path) -> None:
    """A bad bounce leaves the copy of the last good one where it is, known as ours."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    before = tree(song.outbox)
    with staging(song) as held:
        held.refuse(held.job(STEM), NotFiniteStem(STEM, "NaN"))
        assert held.current(STEM, None) is None
    assert tree(song.outbox) == before
    bounce(song, NEW)
    assert stage_once(song).sidecar.version == 2
    assert set(tree(song.outbox)) == {STEM, "kick.wav.json"}


def test_overview(tmp_path: Path) -> None:
    """The picture of a stem is kept under a name made from the bytes of its path."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    content = json.loads((song.state / "overviews" / overview_name(STEM.encode())).read_bytes())
    assert (content["schema"], content["stem"], content["stretch_frames"]) == ("stager/overview/1", STEM, 24)
    assert [len(channel) for channel in content["channels"]] == [1000]


def test_overview_names() -> None:
    """Names that a disk may take for one, or can't hold, give names of their own."""
    names = {overview_name(os.fsencode(name)) for name in ("a/b.wav", "a_b.wav", "A/b.wav", "k" * 300)}
    assert len(names) == 4
    assert all(len(name) < 50 for name in names)


def test_lock_is_held(tmp_path: Path) -> None:
    """While a project is staged nobody else stages it; afterwards it is free."""
    song = project(tmp_path)
    with staging(song), pytest.raises(AlreadyWatched, match=str(os.getpid())), staging(song):
        pass
    with staging(song):
        pass


def test_start_sweeps_up(tmp_path: Path) -> None:
    """Drafts that a killed process left, in the outbox and beside the ledger, are gone at the next start."""
    song = project(tmp_path)
    for place in (
        song.outbox / ".stager-99999999-1.tmp",
        song.outbox / "sub" / ".stager-99999999-2.tmp",
        song.state / ".stager-99999999-3.tmp",
    ):
        written(place, b"draft")
    with staging(song):
        assert not list(song.folder.rglob("*.tmp"))


def test_start_leaves_what_another_project_is_writing(tmp_path: Path) -> None:
    """Where two projects share an outbox, the start of one leaves the other's drafts, as long as it runs."""
    song = project(tmp_path)
    place = written(song.outbox / f".stager-{os.getppid()}-1.tmp", b"draft")
    with staging(song):
        assert place.read_bytes() == b"draft"


def test_inbox_that_is_gone(tmp_path: Path) -> None:
    """Without an inbox nothing is begun, and nothing is made."""
    song = project(tmp_path)
    song.inbox.rmdir()
    with pytest.raises(PlaceGone, match="expected the inbox of"), staging(song):
        pass
    assert not song.state.exists()


def test_outbox_in_the_project_is_made(tmp_path: Path) -> None:
    """An outbox in the song's own folder is made where it is missing."""
    song = project(tmp_path)
    song.outbox.rmdir()
    check_places(song)
    assert song.outbox.is_dir()


def test_outbox_elsewhere_is_not_made(tmp_path: Path) -> None:
    """An outbox outside, such as on a disk that is not plugged in, is never made up."""
    song = project(tmp_path / "song", '[project]\noutbox = "../disk/staged"\n')
    song.outbox.rmdir()
    with pytest.raises(PlaceGone, match="staged: expected the outbox of song, found no such folder"):
        check_places(song)
    assert not song.outbox.exists()


def test_undecodable_name(tmp_path: Path) -> None:
    """A stem whose name is no UTF-8 is staged, known and current like any other."""
    song = project(tmp_path)
    name = os.fsdecode(b"k\xffck.wav")
    written(song.inbox / name, OLD, age_s=100.0)
    stage_once(song, name)
    with staging(song) as held:
        assert held.current(name, None) is not None
    assert (song.outbox / name).exists()


def renamed(song: Project) -> None:
    (song.inbox / STEM).rename(song.inbox / "boom.wav")


def test_stem_under_a_new_name_takes_its_copy_along(tmp_path: Path) -> None:
    """A stem that was renamed is staged under its new name; copy, sidecar and overview of the old one go."""
    song = project(tmp_path)
    bounce(song, OLD)
    first = stage_once(song)
    renamed(song)
    found = stage_once(song, "boom.wav")
    assert found.called_before == STEM
    assert set(tree(song.outbox)) == {"boom.wav", "boom.wav.json"}
    assert found.sidecar.copy_ is not None
    assert first.sidecar.copy_ is not None
    assert found.sidecar.copy_.sha256 == first.sidecar.copy_.sha256
    assert [entry.stem for entry in read_entries(song.state / LEDGER)] == ["boom.wav"]
    assert not (song.state / "overviews" / overview_name(STEM.encode())).exists()


def test_copied_stem_is_no_renamed_one(tmp_path: Path) -> None:
    """The same bytes under two names are two stems, whose copies stay though one of them is taken out later."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    written(song.inbox / "boom.wav", OLD, age_s=100.0)
    assert stage_once(song, "boom.wav").called_before is None
    (song.inbox / STEM).unlink()
    bounce_of_boom = written(song.inbox / "boom.wav", NEW, age_s=50.0)
    assert bounce_of_boom.exists()
    assert stage_once(song, "boom.wav").called_before is None
    assert {STEM, "boom.wav"} <= set(tree(song.outbox))


def test_altered_copy_of_a_renamed_stem_stays(tmp_path: Path) -> None:
    """What a person made of the copy under the old name is theirs."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    (song.outbox / STEM).write_bytes(b"edited")
    renamed(song)
    stage_once(song, "boom.wav")
    assert (song.outbox / STEM).read_bytes() == b"edited"


@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
@pytest.mark.parametrize("step", range(16))
def test_rename_that_is_killed_is_finished(tmp_path: Path, step: int, after: bool) -> None:
    """Killed at any step, a rename is finished by the next start: one copy, under the new name, described."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    renamed(song)
    with suppress(KeyboardInterrupt), wired(Tripwire(step, after=after), killed=True):
        stage_once(song, "boom.wav")
    stage_once(song, "boom.wav")
    assert set(tree(song.outbox)) == {"boom.wav", "boom.wav.json"}
    assert [entry.stem for entry in read_entries(song.state / LEDGER)] == ["boom.wav"]


def test_stems_that_are_taken_out_are_noted_once(tmp_path: Path) -> None:
    """A stem that is gone is told once, across starts too, until it was back in between; its copy stays."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    with staging(song) as held:
        assert held.note_gone({STEM}) == ()
        assert held.note_gone(set()) == (STEM,)
    with staging(song) as held:
        assert held.note_gone(set()) == ()
        assert held.note_gone({STEM}) == ()
        assert held.note_gone(set()) == (STEM,)
    assert STEM in tree(song.outbox)


@pytest.mark.parametrize(
    ("change", "current"),
    [
        (lambda _song: None, True),
        (lambda song: (song.outbox / STEM).unlink(), False),
        (lambda song: sidecar_place(song.outbox / STEM).unlink(), False),
        (lambda song: (song.outbox / STEM).write_bytes(b"edited"), False),
        (lambda song: (song.outbox / STEM).write_bytes((song.outbox / STEM).read_bytes()), True),
    ],
    ids=["nothing", "copy removed", "sidecar removed", "copy edited", "copy written again as it was"],
)
def test_current_is_known_without_reading(tmp_path: Path, change: Callable[[Project], object], current: bool) -> None:
    """Whether a stem is up to date shows in how copy and sidecar look; where they look different they are read."""
    song = project(tmp_path)
    bounce(song, OLD)
    stage_once(song)
    change(song)
    with staging(song) as held:
        assert held.is_current(STEM, fingerprint_of(song.inbox / STEM)) is current
