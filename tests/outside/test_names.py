"""Names that file systems allow and scripts stumble over."""

import os
from typing import Any

import pytest

from tests.support import wavefile
from tests.support.signals import sine
from tests.support.song import Song

PART = wavefile.wave_bytes(sine(440, -30.0, 0.5))
ODD_NAMES = (
    "-n.wav",
    "--help.wav",
    "two\nlines.wav",
    "tab\there.wav",
    "\x1b[31mred.wav",
    " space before.wav",
    "quote\"and'.wav",
    "per%cent$HOME`.wav",
    "{stem}.wav",
    "käse ö é.wav",
    "ta\u0301bla.wav",
    "鼓.wav",
    "CAPITALS.WAV",
    "many.dots.in.it.wav",
    "*.wav",
    "[a-z]?.wav",
)


@pytest.fixture
def named(song: Song) -> Song:
    """A song whose stems have odd names."""
    for name in ODD_NAMES:
        (song.inbox / name).write_bytes(PART)
    return song


def test_odd_names_are_staged_under_themselves(named: Song) -> None:
    """Every odd name keeps its bytes: copy and sidecar lie under it, and the sidecar has it as it is."""
    result = named.stage("--json")
    assert result.code == 0
    assert {outcome["stem"] for outcome in result.json()["outcomes"]} == set(ODD_NAMES)
    assert named.outbox_names() == {*ODD_NAMES, *(f"{name}.json" for name in ODD_NAMES)}
    assert all(named.sidecar(name)["stem"] == name for name in ODD_NAMES)
    assert all(named.sidecar(name)["source"]["path_bytes"] is None for name in ODD_NAMES)


def test_names_move_no_cursor(named: Song) -> None:
    """What is printed for people has no control character but the line end, whatever a file is called."""
    result = named.stage()
    printed = (result.stdout + result.stderr).replace("\n", "")
    assert all(char.isprintable() for char in printed)
    assert "\ntwo\nlines" not in result.stdout


def test_bytes_that_are_no_utf8_are_staged(song: Song) -> None:
    r"""Such a name is staged under its own bytes, shown with \xNN, and given in hex as `path_bytes`."""
    raw = b"caf\xe9\xff.wav"
    with open(os.path.join(os.fsencode(song.inbox), raw), "wb") as file:  # noqa: PTH118, PTH123 - bytes
        file.write(PART)
    result = song.stage("--json")
    assert result.code == 0
    outcome: dict[str, Any] = result.json()["outcomes"][0]
    assert outcome["stem"] == r"caf\xe9\xff.wav"
    assert bytes.fromhex(outcome["source"]["path_bytes"]).endswith(raw)
    names = {os.fsencode(path.name) for path in song.outbox.iterdir()}
    assert names == {raw, raw + b".json", b"report.json", b"report.csv"}
    assert song.stage().code == 0


def test_measure_takes_bytes_that_are_no_utf8(song: Song) -> None:
    r"""`measure` prints JSON for such a name too, with \xNN in the path and its bytes in hex."""
    raw = os.path.join(os.fsencode(song.inbox), b"\xff.wav")  # noqa: PTH118 - bytes
    with open(raw, "wb") as file:  # noqa: PTH123 - bytes
        file.write(PART)
    source = song.stager("measure", raw, "--json").json()["stems"][0]["source"]
    assert source["path"].endswith(r"\xff.wav")
    assert bytes.fromhex(source["path_bytes"]) == raw


@pytest.mark.parametrize(("length", "fits"), [(250, True), (251, False), (255, False)])
def test_a_name_that_leaves_no_room_for_its_log(song: Song, length: int, fits: bool) -> None:
    """A name so long that `.json` no longer fits behind it (255 bytes, Linux) is refused `name_refused`."""
    name = "n" * (length - 4) + ".wav"
    (song.inbox / name).write_bytes(PART)
    song.put("short.wav", sine(440, -30.0, 0.5))
    result = song.stage("--json")
    outcomes = {outcome["stem"]: outcome.get("refused") for outcome in result.json()["outcomes"]}
    assert outcomes == {name: None if fits else "name_refused", "short.wav": None}
    assert result.code == (0 if fits else 1)
    assert not [found for found in song.outbox_names() if found.startswith(".")]


def test_subfolders_are_mirrored(song: Song) -> None:
    """A stem in a subfolder of the inbox has its copy in the same subfolder of the outbox; hidden names never count."""
    for name in ("a/b/deep.wav", "a/.hidden.wav", ".git/x.wav", "~draft.wav", "a/notes.txt"):
        (song.inbox / name).parent.mkdir(parents=True, exist_ok=True)
        (song.inbox / name).write_bytes(PART)
    assert set(song.outcomes()) == {"a/b/deep.wav"}
    assert song.outbox_names() == {"a/b/deep.wav", "a/b/deep.wav.json"}


def test_equal_names_in_two_folders_stay_apart(song: Song) -> None:
    """The same name in two subfolders is two stems with two copies."""
    song.put("left/x.wav", sine(440, -30.0, 0.5))
    song.put("right/x.wav", sine(440, -40.0, 0.5))
    outcomes = song.outcomes()
    assert outcomes["left/x.wav"]["trim"]["gain_db"] != outcomes["right/x.wav"]["trim"]["gain_db"]
    assert outcomes["left/x.wav"]["copy"]["path"] == "staged/left/x.wav"
