"""Projects that share an outbox, under one name or two: none replaces, removes or disputes what another wrote.

What is expected of every case: the other project's files are compared with what they were; there is no outside source.
"""

import shutil
import time
from pathlib import Path

import pytest

from tests.support.command import HUNG_S
from tests.support.signals import sine
from tests.support.song import Song, SongMaker, sha256

pytestmark = pytest.mark.long

NAMES = {"same name": ("Salt Road", "Salt Road"), "two names": ("Salt Road", "Long Ferry")}
BESIDE = "a.wav, which is yours, another project's or altered since, stays; the copy lies beside it"


def _toml(name: str, more: str = "") -> str:
    return f'[project]\nname = "{name}"\noutbox = "../common"\nsettle_s = 0.0\n{more}'


def _shared(song: Song) -> Path:
    return song.folder.parent / "common"


def _copies(song: Song) -> dict[str, tuple[str, int, int]]:
    """Return hash, time and inode of every copy and sidecar in the shared outbox."""
    found = (path for path in _shared(song).iterdir() if not path.name.startswith("report"))
    return {path.name: (sha256(path), path.stat().st_mtime_ns, path.stat().st_ino) for path in found}


def _of(song: Song, stem: str = "a") -> dict[str, tuple[str, int, int]]:
    """Return the same of one copy and its sidecar."""
    return {name: state for name, state in _copies(song).items() if name in (f"{stem}.wav", f"{stem}.wav.json")}


@pytest.fixture(params=NAMES.values(), ids=NAMES.keys())
def pair(request: pytest.FixtureRequest, make_song: SongMaker) -> tuple[Song, Song]:
    """Two projects with one outbox and a stem of the same name, other in sound; nothing is staged."""
    songs = [make_song(_toml(name), folder) for name, folder in zip(request.param, ("one", "other"), strict=True)]
    _shared(songs[0]).mkdir()
    for song, level_dbfs in zip(songs, (-30.0, -27.0), strict=True):
        song.put("a.wav", sine(440, level_dbfs, 0.5))
    return songs[0], songs[1]


@pytest.fixture
def copied(make_song: SongMaker) -> tuple[Song, Song]:
    """A staged project, and a copy of its whole folder, ledger and all, with another target."""
    one = make_song(_toml("Salt Road"), "one")
    _shared(one).mkdir()
    one.put("a.wav", sine(440, -30.0, 0.5))
    assert one.stage().code == 0
    shutil.copytree(one.folder, one.folder.with_name("other"))
    other = Song(one.stager, one.folder.with_name("other"))
    other.file.write_text("version = 1\n" + _toml("Salt Road", "[target]\nlevel_db = -22.0\n"), "utf-8")
    return one, other


def _is_proven(song: Song, *, stems: int = 1) -> bool:
    proof = song.stager("verify", song.folder, "--json")
    return proof.code == 0 and [each["ok"] for each in proof.json()["stems"]] == [True] * stems


def test_staged_in_turn(pair: tuple[Song, Song]) -> None:
    """One, the other, one, the other: the second's copy lies beside and that is said; then nothing is touched."""
    one, other = pair
    assert "beside" not in one.stage().stderr
    first = _copies(one)
    assert BESIDE in other.stage().stderr
    both = _copies(one)
    assert {name: both[name] for name in first} == first
    assert sorted(both) == ["a.v2.wav", "a.v2.wav.json", "a.wav", "a.wav.json"]
    for song in (one, other, one, other):
        again = song.stage()
        assert (again.code, "up to date a.wav" in again.stderr) == (0, True)
        assert _is_proven(song)
    assert _copies(one) == both


def test_a_re_bounce_replaces_its_own_copy(pair: tuple[Song, Song]) -> None:
    """A stem bounced anew in either project replaces that project's copy alone."""
    one, other = pair
    for song in pair:
        song.stage()
    for song, own, others, level_dbfs in ((one, "a", "a.v2", -20), (other, "a.v2", "a", -21), (one, "a", "a.v2", -22)):
        theirs, before = _of(one, others), _of(one, own)
        song.put("a.wav", sine(440, level_dbfs, 0.4))
        song.stage()
        assert _of(one, others) == theirs
        assert _of(one, own) != before
        assert len(_copies(one)) == 4
        assert _is_proven(one)
        assert _is_proven(other)


def test_the_same_original_in_both(pair: tuple[Song, Song]) -> None:
    """Copies that are equal to the bit are two copies still: a re-bounce of one replaces one."""
    one, other = pair
    shutil.copy2(one.inbox / "a.wav", other.inbox / "a.wav")
    one.stage()
    other.stage()
    assert len({state[0] for name, state in _copies(one).items() if name.endswith(".wav")}) == 1
    first = _of(one)
    other.put("a.wav", sine(440, -20.0, 0.5))
    other.stage()
    assert _of(one) == first
    assert len(_copies(one)) == 4


def test_a_lost_ledger_of_either(pair: tuple[Song, Song]) -> None:
    """Without the ledgers each project finds its own copy again by the sidecar, and makes no further one."""
    one, other = pair
    one.stage()
    other.stage()
    hashes = {name: state[0] for name, state in _copies(one).items() if name.endswith(".wav")}
    for song in (other, one):
        shutil.rmtree(song.folder / ".stager")
        assert song.stage().code == 0
        assert {name: state[0] for name, state in _copies(one).items() if name.endswith(".wav")} == hashes
        assert _is_proven(song)


def test_a_sidecar_whose_copy_was_removed(pair: tuple[Song, Song]) -> None:
    """A person removes the first one's copy: its sidecar is not overwritten by the other project."""
    one, other = pair
    one.stage()
    (_shared(one) / "a.wav").unlink()
    left = _of(one)
    other.stage()
    assert _of(one) == left
    one.stage()
    assert len(_copies(one)) == 4
    assert _is_proven(one)
    assert _is_proven(other)


def test_a_folder_copied_with_its_ledger(copied: tuple[Song, Song]) -> None:
    """The copied ledger knows the first one's copies, and still they stay; each project has its own from then on."""
    one, other = copied
    first = _of(one)
    assert BESIDE in other.stage().stderr
    assert _of(one) == first
    assert _is_proven(one)
    assert _is_proven(other)


def test_a_stem_renamed_in_a_copied_folder(copied: tuple[Song, Song]) -> None:
    """A copy that follows its renamed stem is one of the project's own: the first one's stays."""
    one, other = copied
    first = _of(one)
    (other.inbox / "a.wav").rename(other.inbox / "b.wav")
    other.rest("b.wav")
    other.stage()
    assert _of(one) == first
    assert (_shared(one) / "b.wav").is_file()


def test_a_folder_that_was_moved(copied: tuple[Song, Song]) -> None:
    """Where nothing lies at the former place, the ledger's copies are the moved project's: replaced, not doubled."""
    one, other = copied
    shutil.rmtree(one.folder)
    assert "beside" not in other.stage().stderr
    assert sorted(_copies(one)) == ["a.wav", "a.wav.json"]
    assert _is_proven(other)


def _assert_reports_lie_beside(one: Song, other: Song) -> None:
    names = ("report.html", "report.json", "report.csv", "notes.md")
    theirs = {name: (_shared(one) / name).read_bytes() for name in names}
    other.stage()
    said = other.stager("report", "--quick", other.folder)
    assert said.code == 0
    assert all(f"{name} stays as it is" in said.stderr for name in names)
    assert {name: (_shared(one) / name).read_bytes() for name in names} == theirs
    assert (_shared(one) / "report.v2.html").is_file()


def test_reports(pair: tuple[Song, Song]) -> None:
    """Page, tables and notes of the first stay as they are; the other's lie beside them, and that is said."""
    one, other = pair
    one.stage()
    assert one.stager("report", "--quick", one.folder).code == 0
    _assert_reports_lie_beside(one, other)


def test_reports_of_a_folder_copied_with_its_state(copied: tuple[Song, Song]) -> None:
    """The copied state knows the hashes of the first one's reports, and still they stay."""
    one, other = copied
    assert one.stager("report", "--quick", one.folder).code == 0
    shutil.rmtree(other.folder / ".stager")
    shutil.copytree(one.folder / ".stager", other.folder / ".stager")
    _assert_reports_lie_beside(one, other)


def test_a_watch_while_the_other_stages(pair: tuple[Song, Song], tmp_path: Path) -> None:
    """While one is watched the other is staged, again and again: both have every copy, and neither has the other's."""
    one, other = pair
    with one.stager.started("watch", one.folder, log=tmp_path / "log") as watch:
        for number in range(4):
            one.put(f"{number}.wav", sine(440, -30.0, 0.4))
            other.put(f"{number}.wav", sine(440, -27.0, 0.4))
            assert other.stage().code == 0
        deadline = time.monotonic() + HUNG_S
        while (tmp_path / "log").read_text().count("staged ") < 5:
            assert time.monotonic() < deadline, (tmp_path / "log").read_text()
            assert watch.poll() is None
            time.sleep(0.05)
        watch.terminate()
        assert watch.wait(HUNG_S) == 0
    assert len(_copies(one)) == 20
    assert _is_proven(one, stems=5)
    assert _is_proven(other, stems=5)
