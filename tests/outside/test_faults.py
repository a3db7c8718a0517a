"""What the system may refuse at any step, and what others may do to a stem that is being read.

The outcome is one clear line, nothing half-written has a name, and the next run ends where a calm one does.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.support import wavefile
from tests.support.command import HUNG_S, Command
from tests.support.forks import KILLED, Ended, Forks, forks
from tests.support.outbox import copies_in, drafts, wrongs
from tests.support.signals import sine
from tests.support.song import Song, tree

pytestmark = [pytest.mark.long, pytest.mark.skipif(sys.platform != "linux", reason="open files are told by /proc")]
TOML = '[project]\nname = "Salt Road"\nsettle_s = 0.0\n'
ERRORS = ("ENOSPC", "EIO", "EROFS", "EACCES")
YEAR_S = 365 * 86_400
NOBODY = 65_534


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Forks]:
    """The installed command, ready to be disturbed."""
    with forks(tmp_path_factory.mktemp("forks")) as started:
        yield started


@dataclass(frozen=True)
class Rebounced:
    """A song whose stem was bounced anew since it was staged; what a calm run makes of it, in how many steps."""

    before: Song
    copies: set[str]
    calm: dict[str, Any]
    steps: tuple[str, ...]
    reads: int

    def put_up(self, place: Path) -> Song:
        """Return the song as it was."""
        shutil.copytree(self.before.folder, place)
        return Song(self.before.stager, place)


@pytest.fixture(scope="module")
def rebounced(stager: Command, server: Forks, tmp_path_factory: pytest.TempPathFactory) -> Rebounced:
    """A stem of half a second, staged, and bounced anew."""
    song = Song.made(stager, tmp_path_factory.mktemp("rebounced") / "song", TOML)
    song.put("part.wav", sine(440, -30.0, 0.5))
    assert server.run("stage", song.folder, below=song.folder).code == 0
    song.put("part.wav", sine(440, -24.0, 0.5))
    calm = Song(stager, song.folder.with_name("calm"))
    shutil.copytree(song.folder, calm.folder)
    reads = server.run("stage", calm.folder, "--dry-run", below=calm.inbox, kind="read").steps
    ended = server.run("stage", calm.folder, below=calm.folder)
    assert ended.code == 0
    both = copies_in(song.settled()) | copies_in(calm.settled())
    return Rebounced(song, both, calm.settled(), ended.steps, len(reads))


def _assert_clear(ended: Ended) -> None:
    """The answer to an error is one line, not a page of the program's inside."""
    assert "Traceback" not in ended.stderr
    assert ended.code in {0, 1, 2}
    if ended.code == 2:
        assert len([line for line in ended.stderr.splitlines() if line.startswith("stager: ")]) == 1


def _assert_finished(server: Forks, song: Song, rebounced: Rebounced) -> None:
    """Nothing is half-written, and one more run ends where a calm one does."""
    assert wrongs(song, rebounced.copies) == []
    ended = server.run("stage", song.folder, below=song.folder)
    assert (ended.code, song.settled(), drafts(song)) == (0, rebounced.calm, [])


@pytest.mark.parametrize("lasting", [False, True], ids=["once", "lasting"])
@pytest.mark.parametrize("number", range(len(ERRORS)), ids=ERRORS)
def test_an_error_at_any_step_is_one_line(
    server: Forks, rebounced: Rebounced, tmp_path: Path, number: int, lasting: bool
) -> None:
    """Refused at a step of the writing hand, once or from then on: one line, no draft, and the next run finishes."""
    for step in range(1 + number + 4 * lasting, len(rebounced.steps) + 1, 8):
        song = rebounced.put_up(tmp_path / f"song{step}")
        originals = tree(song.inbox)
        ended = server.run("stage", song.folder, below=song.folder, step=step, deed=ERRORS[number], lasting=lasting)
        _assert_clear(ended)
        assert drafts(song) == [] or rebounced.steps[step - 1].startswith("unlink")
        assert tree(song.inbox) == originals
        _assert_finished(server, song, rebounced)


@pytest.mark.parametrize("deed", ["kill", "kill after", "kill half"])
def test_death_at_any_step_leaves_nothing_half_written(
    server: Forks, rebounced: Rebounced, tmp_path: Path, deed: str
) -> None:
    """Killed before a step, after it or half-way through a write: the next start sweeps up and finishes."""
    first = ("kill", "kill after", "kill half").index(deed)
    for step in range(1 + first, len(rebounced.steps) + 1, 6):
        song = rebounced.put_up(tmp_path / f"song{step}")
        assert server.run("stage", song.folder, below=song.folder, step=step, deed=deed).code == KILLED
        _assert_finished(server, song, rebounced)


def _without_links(server: Forks, song: Song, step: int = 0, deed: str = "count") -> Ended:
    return server.run("stage", song.folder, below=song.outbox, step=step, deed=deed, links=False)


def test_death_where_there_are_no_hard_links(server: Forks, make_song: Any) -> None:
    """On a file system without hard links too, no step leaves an empty or partial file under a copy's name."""
    calm = make_song(TOML, "calm")
    calm.put("part.wav", sine(440, -30.0, 0.5))
    steps = _without_links(server, calm).steps
    copies = copies_in(calm.settled())
    first = next(number for number, name in enumerate(steps, 1) if name.endswith("/part.wav.json"))
    for step in range(first, min(first + 9, len(steps)) + 1):
        song = make_song(TOML, f"song{step}")
        song.put("part.wav", sine(440, -30.0, 0.5))
        _without_links(server, song, step, "kill after")
        assert wrongs(song, copies) == []
        assert _without_links(server, song).code == 0
        assert song.settled() == calm.settled()


def test_an_error_while_a_stem_is_read_is_its_outcome(server: Forks, rebounced: Rebounced, tmp_path: Path) -> None:
    """Where the disk gives no bytes, the stem is `unreadable`, its old copy stays, and the next run stages it."""
    for step in range(1, rebounced.reads + 1, 3):
        song = rebounced.put_up(tmp_path / f"song{step}")
        before = song.settled()
        ended = server.run("stage", song.folder, below=song.inbox, kind="read", step=step, deed="EIO")
        assert ended.code == 1
        assert "unreadable" in ended.stdout
        assert song.settled() == before
        _assert_finished(server, song, rebounced)


def test_an_error_while_our_own_copy_is_read_makes_no_stranger_of_it(
    server: Forks, rebounced: Rebounced, tmp_path: Path
) -> None:
    """Where the outbox gives no bytes of the former copy, the place is at fault: no second copy lies beside it."""
    for step in range(1, 7):
        song = rebounced.put_up(tmp_path / f"song{step}")
        ended = server.run("stage", song.folder, below=song.outbox, kind="read", step=step, deed="EIO")
        _assert_clear(ended)
        _assert_finished(server, song, rebounced)


@pytest.mark.parametrize("deed", ["removed", "replaced", "longer", "other bytes, same stamp"])
def test_a_stem_that_changes_while_it_is_read(server: Forks, rebounced: Rebounced, tmp_path: Path, deed: str) -> None:
    """Removed, replaced, appended to, or overwritten between two reads: no copy, and the next run finishes."""
    other = wavefile.write(tmp_path / "other.wav", sine(300, -20.0, 0.5))
    for step in (2, rebounced.reads // 2, rebounced.reads):
        song = rebounced.put_up(tmp_path / f"song{step}")
        place, kept, before = song.inbox / "part.wav", tmp_path / "kept.wav", song.settled()
        shutil.copy2(place, kept)
        does = {
            "removed": f"rm '{place}'",
            "replaced": f"cp '{other}' '{place}.part' && mv '{place}.part' '{place}'",
            "longer": f"cat '{other}' >> '{place}'",
            "other bytes, same stamp": f"cat '{other}' > '{place}' && touch -r '{kept}' '{place}'",
        }
        ended = server.run("stage", song.folder, below=song.inbox, kind="read", step=step, deed=f"do {does[deed]}")
        assert ended.code == 1
        assert "changed_while_read" in ended.stdout or "unreadable" in ended.stdout or "growing" in ended.stdout
        assert (song.settled(), drafts(song)) == (before, [])
        shutil.copy2(kept, place)
        _assert_finished(server, song, rebounced)


@pytest.mark.parametrize("years", [-40, -1, 1, 10])
def test_a_clock_that_is_set_stages_nothing_twice(server: Forks, make_song: Any, years: int) -> None:
    """A stem from the future or from long ago, under a clock that was set between two runs: staged once."""
    song = make_song(TOML.replace("0.0", "0.05"))
    stamp_s = song.put("part.wav", sine(440, -30.0, 0.5)).stat().st_mtime + years * YEAR_S
    os.utime(song.inbox / "part.wav", (stamp_s, stamp_s))
    assert server.run("stage", song.folder, below=song.folder, clock_s=-years * YEAR_S).code == 0
    before = tree(song.outbox)["part.wav"], tree(song.outbox)["part.wav.json"]
    assert server.run("stage", song.folder, below=song.folder).code == 0
    assert (tree(song.outbox)["part.wav"], tree(song.outbox)["part.wav.json"]) == before


def test_what_a_power_cut_can_take(rebounced: Rebounced) -> None:
    """A name appears after its bytes are on the disk, and a renaming is there before the next one counts on it.

    Without a sync of the folder between them, a disk may keep the later of two renamings and lose the earlier.
    """
    short = [step.replace(str(rebounced.before.folder.parent / "calm"), "") for step in rebounced.steps]
    draft = next(step.split(" ")[1] for step in short if step.startswith("write /staged/.stager-"))
    order = [
        f"write {draft}",
        f"fsync {draft}",
        "unlink /staged/part.wav.json",
        "fsync /staged",
        "replace /staged/part.wav",
        "fsync /staged",
        "replace /staged/part.wav.json",
        "fsync /staged",
        "sql ",
    ]
    left = iter(short)
    missing = [step for step in order if not any(found.startswith(step) for found in left)]
    assert missing == [], "\n".join(short)
    assert not [step for step in short[short.index(f"fsync {draft}") :] if step == f"write {draft}"]


def _can_mount() -> bool:
    mounts = "mount -t tmpfs -o size=64k stager-test /mnt"
    tried = subprocess.run(["unshare", "-m", "sh", "-c", mounts], capture_output=True, timeout=HUNG_S, check=False)
    return tried.returncode == 0


@pytest.fixture(scope="module")
def mounts() -> None:
    """Skip where this user may not mount anything in a name space of its own."""
    if shutil.which("unshare") is None or not _can_mount():
        pytest.skip("mounting in a name space of one's own is not permitted here")


def _in_own_mounts(song: Song, script: str) -> list[str]:
    """Run a script of the shell with mounts that end with it; `$OUT` is the outbox, `$SONG` the project."""
    env = {**os.environ, "OUT": str(song.outbox), "SONG": str(song.folder), "STAGER": str(song.stager.path)}
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", script], env=env, capture_output=True, text=True, timeout=HUNG_S, check=False
    )
    assert "Traceback" not in done.stdout + done.stderr
    return done.stdout.splitlines()


STAGE = '$STAGER stage "$SONG" >"$SONG/said" 2>&1; echo "exit $?"; grep "^stager:" "$SONG/said"; ls -A "$OUT"; '


@pytest.mark.usefixtures("mounts")
def test_a_disk_that_is_really_full(make_song: Any) -> None:
    """A full disk is a line and exit 2, with nothing left on it; with room, the next run stages everything."""
    song = make_song(TOML)
    song.put("part.wav", sine(440, -30.0, 2.0))
    lines = _in_own_mounts(
        song,
        f'mount -t tmpfs -o size=128k stager-test "$OUT"; {STAGE} mount -o remount,size=8m "$OUT"; {STAGE}',
    )
    assert lines[0] == "exit 2"
    assert "No space left" in lines[1]
    assert lines[2:] == ["exit 0", "part.wav", "part.wav.json", "report.csv", "report.json"]


@pytest.mark.usefixtures("mounts")
def test_a_disk_that_is_really_read_only(make_song: Any) -> None:
    """A disk that became read-only is a line and exit 2, and its copies stay; writable again, the next run goes on."""
    song = make_song(TOML)
    song.put("part.wav", sine(440, -30.0, 0.5))
    lines = _in_own_mounts(
        song,
        f'mount -t tmpfs -o ro stager-test "$OUT"; {STAGE} mount -o remount,rw "$OUT"; {STAGE}',
    )
    assert lines[0] == "exit 2"
    assert "Read-only" in lines[1]
    assert lines[2:] == ["exit 0", "part.wav", "part.wav.json", "report.csv", "report.json"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_a_user_who_may_do_less(server: Forks, stager: Command) -> None:
    """Another user's run is told what it may not: write here, a line and exit 2; read a stem, that stem's outcome."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        song = Song.made(stager, Path(name, "song"), TOML)
        song.put("shut.wav", sine(440, -30.0, 0.5)).chmod(0o600)
        song.put("open.wav", sine(440, -30.0, 0.5))
        shut = server.run("stage", song.folder, below=song.folder, user=NOBODY)
        _assert_clear(shut)
        assert shut.code == 2
        assert "permission" in shut.stderr
        for folder in (song.folder, song.outbox):
            os.chown(folder, NOBODY, NOBODY)
        unread = server.run("stage", song.folder, below=song.folder, user=NOBODY)
        assert unread.code == 1
        assert "no permission to read it" in unread.stderr
        assert song.outbox_names() == {"open.wav", "open.wav.json"}
        (song.inbox / "shut.wav").chmod(0o644)
        assert server.run("stage", song.folder, below=song.folder, user=NOBODY).code == 0
        assert len(song.outbox_names()) == 4
