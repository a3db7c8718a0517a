"""A run killed while a copy is replaced, and a stem that is gone before the next run: `verify` is clean after that."""

import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.support.command import Command
from tests.support.forks import KILLED, Forks, forks
from tests.support.outbox import drafts
from tests.support.signals import sine
from tests.support.song import Song, sha256, tree

pytestmark = [pytest.mark.long, pytest.mark.skipif(sys.platform != "linux", reason="open files are told by /proc")]
DEEP = 1200
TOML = '[project]\nname = "Salt Road"\nsettle_s = 0.0\n'


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Forks]:
    """The installed command, ready to be killed at any step."""
    with forks(tmp_path_factory.mktemp("forks")) as started:
        yield started


@pytest.fixture(scope="module")
def rebounced(stager: Command, server: Forks, tmp_path_factory: pytest.TempPathFactory) -> tuple[Song, list[str], str]:
    """A staged stem that was bounced anew, the steps of the run that is due, and the hash of the new copy."""
    song = Song.made(stager, tmp_path_factory.mktemp("rebounced") / "song", TOML)
    song.put("part.wav", sine(440, -30.0, 0.5))
    assert server.run("stage", song.folder, below=song.folder).code == 0
    song.put("part.wav", sine(440, -24.0, 0.5))
    calm = Song(stager, song.folder.with_name("calm"))
    shutil.copytree(song.folder, calm.folder)
    steps = server.run("stage", calm.folder, below=calm.folder).steps
    return song, [step.replace(str(calm.folder), "") for step in steps], sha256(calm.outbox / "part.wav")


def take_out(song: Song) -> None:
    """Take the stem out of the inbox."""
    (song.inbox / "part.wav").unlink()


def rename(song: Song) -> None:
    """Rename the stem."""
    (song.inbox / "part.wav").rename(song.inbox / "new.wav")


def bounce_under_another_name(song: Song) -> None:
    """Bounce the stem anew, under another name."""
    (song.inbox / "part.wav").unlink()
    song.put("new.wav", sine(440, -20.0, 0.5))


def killed(server: Forks, rebounced: tuple[Song, list[str], str], place: Path, moment: str) -> Song:
    """Return the song after a run that was killed behind this step."""
    before, steps, _ = rebounced
    shutil.copytree(before.folder, place)
    step = 1 + next(number for number, name in enumerate(steps) if name.startswith(moment))
    ended = server.run("stage", place, below=place, step=step, deed="kill after")
    assert ended.code == KILLED
    return Song(before.stager, place)


MOMENTS = ["unlink /staged/part.wav.json", "replace /staged/part.wav"]


@pytest.mark.parametrize("moment", MOMENTS, ids=["no sidecar", "new copy, no sidecar"])
@pytest.mark.parametrize("disturb", [take_out, rename, bounce_under_another_name])
def test_a_copy_without_its_sidecar_is_finished_or_follows(
    server: Forks,
    rebounced: tuple[Song, list[str], str],
    tmp_path: Path,
    moment: str,
    disturb: Callable[[Song], None],
) -> None:
    """The next start puts copy and sidecar in place, or the copy follows its renamed stem; nothing is left alone."""
    song = killed(server, rebounced, tmp_path / "song", moment)
    assert not (song.outbox / "part.wav.json").exists()
    assert (song.outbox / "part.wav").exists()
    disturb(song)
    assert song.stage().code == 0
    verified = song.stager("verify", song.folder)
    assert (verified.code, drafts(song)) == (0, []), verified.stdout
    copies = {path.name for path in song.outbox.glob("*.wav")}
    assert copies == {f"{path.stem}" for path in song.outbox.glob("*.wav.json")}
    if disturb is not rename:
        assert sha256(song.outbox / "part.wav") == rebounced[2] == song.sidecar("part.wav")["copy"]["sha256"]
    else:
        assert copies == {"new.wav"}


@pytest.mark.parametrize("moment", MOMENTS, ids=["no sidecar", "new copy, no sidecar"])
@pytest.mark.parametrize("disturb", [None, take_out, rename])
@pytest.mark.parametrize("shares", [False, True], ids=["outbox copied too", "one outbox"])
def test_a_state_folder_that_was_copied(
    server: Forks,
    rebounced: tuple[Song, list[str], str],
    tmp_path: Path,
    moment: str,
    disturb: Callable[[Song], None] | None,
    shares: bool,
) -> None:
    """A song copied with its ledger behind a kill finishes and removes nothing of the first one's, which is finished.

    The first one's originals stay, its copy is the new one, and the proofs of both agree.
    """
    song = killed(server, rebounced, tmp_path / "song", moment)
    if shares:
        song.file.write_text(f'{song.file.read_text()}outbox = "{song.outbox}"\n')
    other = Song(song.stager, tmp_path / "other")
    shutil.copytree(song.folder, other.folder, ignore=shutil.ignore_patterns("staged") if shares else None)
    originals = tree(song.inbox)
    if disturb:
        disturb(other)
    for each in (other, song):
        assert each.stage().code == 0
        assert each.stager("verify", each.folder).code == 0
    assert tree(song.inbox) == originals
    assert sha256(song.outbox / "part.wav") == rebounced[2]
    assert song.sidecar("part.wav")["copy"]["sha256"] == rebounced[2]
    assert other.stager("verify", other.folder).code == 0
    assert not drafts(song)


def test_a_copy_that_a_person_changed_meanwhile_stays(
    server: Forks, rebounced: tuple[Song, list[str], str], tmp_path: Path
) -> None:
    """Where the copy without a sidecar has other bytes than the ledger knows, it is a person's and stays."""
    song = killed(server, rebounced, tmp_path / "song", MOMENTS[0])
    take_out(song)
    (song.outbox / "part.wav").write_bytes(b"mine")
    assert song.stage().code == 0
    assert (song.outbox / "part.wav").read_bytes() == b"mine"
    assert not (song.outbox / "part.wav.json").exists()


def test_nothing_to_finish_from(server: Forks, rebounced: tuple[Song, list[str], str], tmp_path: Path) -> None:
    """Where the drafts are gone and the original too, the copy may be all that is left: it stays, and `verify` says so.

    Once a person has removed it, nothing is missing.
    """
    song = killed(server, rebounced, tmp_path / "song", MOMENTS[0])
    take_out(song)
    for name in drafts(song):
        (song.outbox / name).unlink(missing_ok=True)
    kept = sha256(song.outbox / "part.wav")
    assert song.stage().code == 0
    assert sha256(song.outbox / "part.wav") == kept
    verified = song.stager("verify", song.folder)
    assert verified.code == 1
    assert "its sidecar is missing" in verified.stdout
    (song.outbox / "part.wav").unlink()
    assert song.stager("verify", song.folder).code == 0


def test_the_copy_of_a_stem_taken_out_may_be_removed(rebounced: tuple[Song, list[str], str], tmp_path: Path) -> None:
    """Its copy stays until a person removes it; then `verify` misses nothing. While the stem is there, it does."""
    shutil.copytree(rebounced[0].folder, tmp_path / "song")
    song = Song(rebounced[0].stager, tmp_path / "song")
    assert song.stage().code == 0
    for name in ("part.wav", "part.wav.json"):
        (song.outbox / name).unlink()
    assert song.stager("verify", song.folder).code == 1
    take_out(song)
    assert song.stager("verify", song.folder).code == 0


def test_deep_folders_end_nothing(rebounced: tuple[Song, list[str], str], tmp_path: Path) -> None:
    """1,200 folders inside each other in the outbox: staging, verifying and reporting go on as without them."""
    shutil.copytree(rebounced[0].folder, tmp_path / "song")
    song = Song(rebounced[0].stager, tmp_path / "song")
    deep = song.outbox
    try:
        for _ in range(DEEP):
            deep /= "d"
            deep.mkdir()
        (deep / f".stager-{2**22 + 1}-0.tmp").write_bytes(b"left by a killed process")
        for command in ("stage", "check", "verify", "report", "status"):
            ended = song.stager(command, song.folder)
            assert (ended.code, "Traceback" in ended.stderr) == (0, False), f"{command}: {ended.stderr[-300:]}"
        assert list(deep.iterdir()) == []
    finally:
        while deep != song.outbox:  # too deep for a function that calls itself
            deep.rmdir()
            deep = deep.parent
