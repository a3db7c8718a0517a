"""Names and links that stems may have, under a watch that runs while they come: what counts, and what never does."""

import os
import re
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.support import wavefile
from tests.support.command import HUNG_S, Command
from tests.support.signals import sine
from tests.support.song import Song, tree

PART = wavefile.wave_bytes(sine(440, -30.0, 0.45))
TOML = '[project]\nname = "Names"\nsettle_s = 0.2\n'
STAGED: tuple[bytes, ...] = (
    b"-n.wav",
    b"--again.wav",
    b"two\nlines.wav",
    b"\x1b[31mred.wav",
    b" space before.wav",
    b"back\\slash.wav",
    b"semi;colon|pipe&.wav",
    b"caf\xe9\xff.wav",
    b"*.wav",
    b"%s{stem}.wav",
    *(name.encode() for name in ("käse ö é.wav", "鼓.wav", "طبلة.wav", "तबला.wav", "барабан.wav", "🥁.wav")),
    b"\xe2\x80\xaertl.wav",
    b"n" * 246 + b".wav",
    b"sub/fo\nlder/deep.wav",
    b"sub/-/x.wav",
)
TOO_LONG = b"n" * 251 + b".wav"
CLASHING: tuple[bytes, ...] = (b"Voice.wav", b"voice.wav", "caf\u00e9 2.wav".encode(), "cafe\u0301 2.wav".encode())
NEVER: tuple[bytes, ...] = (b".hidden.wav", b"~draft.wav", b".git/x.wav", b"notes.txt", b".stager-1-1.tmp")


def _put(song: Song, name: bytes) -> None:
    path = Path(os.fsdecode(os.path.join(os.fsencode(song.inbox), name)))  # noqa: PTH118 - bytes
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(PART)


def _until(what: Callable[[], Any], process: subprocess.Popen[bytes], hung_s: float = HUNG_S) -> None:
    deadline = time.monotonic() + hung_s
    while not what():
        assert process.poll() is None, "the command ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.05)


def _link_about(song: Song) -> None:
    """Links out of the inbox, to itself, to above, to the outbox, to nothing, in circles, and a pipe."""
    outside = song.folder.parent / "outside"
    outside.mkdir()
    (outside / "foreign.wav").write_bytes(PART)
    for name, target in {
        "file_out.wav": outside / "foreign.wav",
        "folder_out": outside,
        "itself": Path(),
        "above": Path(".."),
        "copies": song.outbox,
        "nothing.wav": Path("nowhere.wav"),
        "round.wav": Path("round.wav"),
        "there": Path("sub/back"),
        "sub/back": Path("../there"),
    }.items():
        (song.inbox / name).parent.mkdir(exist_ok=True)
        (song.inbox / name).symlink_to(target)
    os.mkfifo(song.inbox / "pipe.wav")


@dataclass(frozen=True)
class Named:
    """The end of one watch, of a second over the same, and the originals before and after."""

    song: Song
    logs: tuple[str, str]
    originals: tuple[Any, Any]


def _names(song: Song) -> set[bytes]:
    """Return the names in the outbox below it, as bytes, but for the tables."""
    files = (path for path in song.outbox.rglob("*") if not path.is_dir())
    found = {os.fsencode(path.relative_to(song.outbox)) for path in files}
    return found - {b"report.json", b"report.csv"}


def _with_sidecars(names: tuple[bytes, ...]) -> set[bytes]:
    return {*names, *(name + b".json" for name in names)}


@pytest.fixture(scope="module")
def named(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Named:
    """Every name and link dropped under a watch; then a restart."""
    folder = tmp_path_factory.mktemp("names")
    song, logs = Song.made(stager, folder / "song", TOML), (folder / "first", folder / "second")
    with stager.started("watch", song.folder, log=logs[0]) as watch:
        _until(lambda: b"watching" in logs[0].read_bytes(), watch)
        _link_about(song)
        for name in (*NEVER, *CLASHING, TOO_LONG, *STAGED):
            _put(song, name)
        _until(lambda: _names(song) >= _with_sidecars(STAGED), watch)
        _until(lambda: len(re.findall(rb"^refused ", logs[0].read_bytes(), re.MULTILINE)) >= 5, watch)
        before = tree(song.inbox)
        watch.terminate()
        assert watch.wait(HUNG_S) == 0
    with stager.started("watch", song.folder, "--until-idle", "0.5", log=logs[1]) as watch:
        assert watch.wait(HUNG_S) == 0
    said = [log.read_bytes().decode("utf-8") for log in logs]
    return Named(song, (said[0], said[1]), (before, tree(song.inbox)))


@pytest.mark.long
def test_every_name_is_staged_under_itself(named: Named) -> None:
    """Any script, newlines, leading dashes, bytes that are no UTF-8: copy and sidecar lie under the same bytes."""
    assert _with_sidecars(STAGED) <= _names(named.song)


def test_nothing_else_is_staged(named: Named) -> None:
    """No hidden file, no link in or out, no pipe, no file of another kind, no copy of a copy."""
    assert _names(named.song) == _with_sidecars(STAGED)


def test_names_alike_but_for_case_or_form_are_refused(named: Named) -> None:
    """Stems whose copies were one file on some systems are all refused; none of them is staged over another."""
    refused = re.findall(r"^refused (.+?), \w+: ", named.logs[0], re.MULTILINE)
    assert sorted(os.fsencode(name) for name in refused if len(name) < 100) == sorted(CLASHING)


def test_names_alike_are_staged_once_one_is_renamed(stager: Command, tmp_path: Path) -> None:
    """Once one of two such stems has another name, both are staged."""
    song, log = Song.made(stager, tmp_path / "song", TOML), tmp_path / "log"
    for name in (b"Voice.wav", b"voice.wav"):
        _put(song, name)
    with stager.started("watch", song.folder, log=log) as watch:
        _until(lambda: log.read_text().count("\nrefused ") == 2, watch)
        (song.inbox / "voice.wav").rename(song.inbox / "other.wav")
        _until(lambda: _names(song) == _with_sidecars((b"Voice.wav", b"other.wav")), watch, 40.0)


def test_a_name_without_room_for_a_sidecar_is_refused(named: Named) -> None:
    """255 bytes are a file's name, and leave no room for `.json` (Linux): refused, once."""
    assert len(re.findall(r"^refused n{251}\.wav, name_refused: ", named.logs[0], re.MULTILINE)) == 1


def test_names_move_no_cursor_in_the_log(named: Named) -> None:
    """The log has no control character but the line end, whatever a file is called, and no error of ours."""
    for said in named.logs:
        assert all(char.isprintable() for char in said.replace("\n", ""))
        assert "Traceback" not in said
        assert len(re.findall(r"^lines\.wav", said, re.MULTILINE)) == 0


def test_originals_and_what_links_lead_to_stay_as_they_are(named: Named) -> None:
    """Bytes, times and places of all that lies in the inbox are the same, and nothing came where links lead."""
    before, after = named.originals
    assert before == after
    assert sorted(path.name for path in (named.song.folder.parent / "outside").iterdir()) == ["foreign.wav"]


def test_a_restart_over_odd_names_does_nothing_twice(named: Named) -> None:
    """A second watch over the same names stages none of them again."""
    assert not [line for line in named.logs[1].splitlines() if line.startswith("staged ")]
