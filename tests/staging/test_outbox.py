"""Where a copy goes: its own name where that is free or ours, else beside, and nothing of a person's is touched."""

import os
import re
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from stager.errors import NameRefused
from stager.model import StemName
from stager.project import Project
from stager.staging import outbox as room
from stager.staging.outbox import CopyPlace, check_outbox, clashes, copy_place, is_unaltered, sidecar_of, sidecar_place
from tests.support.folders import tree, written
from tests.support.records import project, sidecar, stream

INFO = stream(24)


def digest(content: bytes) -> str:
    return sha256(content).hexdigest()


def ours(song: Project, name: str, content: bytes, *, stem: str = "kick.wav", described: bytes | None = None) -> Path:
    """Put a copy with its sidecar into the outbox; with `described`, the sidecar is of another content."""
    copy = sidecar().copy_.model_copy(update={"sha256": digest(content if described is None else described)})
    written(sidecar_place(song.outbox / name), sidecar(stem=stem, copy=copy).to_json().encode())
    return written(song.outbox / name, content)


def placed(song: Project, stem: str = "kick.wav", own: frozenset[str] = frozenset()) -> CopyPlace:
    before = tree(song.outbox)
    found = copy_place(song, StemName(stem), INFO, own)
    assert tree(song.outbox) == before
    return found


def test_free_name(tmp_path: Path) -> None:
    """Where nothing has the name, the copy gets it."""
    song = project(tmp_path)
    assert placed(song) == CopyPlace(song.outbox / "kick.wav", None, None)


def test_subfolder_is_mirrored(tmp_path: Path) -> None:
    """The outbox mirrors the inbox; the folder need not be there yet."""
    song = project(tmp_path)
    assert placed(song, "drums/kick.wav").path == song.outbox / "drums" / "kick.wav"


def test_name_follows_the_project(tmp_path: Path) -> None:
    """The template of the project names the copy, from the stream as well."""
    song = project(tmp_path, '[copy]\nname = "{stem}_{rate}_{depth}{suffix}"\n')
    assert placed(song).path.name == "kick_48000_24.wav"


def test_ours_by_its_sidecar(tmp_path: Path) -> None:
    """A copy that its sidecar describes is ours, and is replaced."""
    song = project(tmp_path)
    place = ours(song, "kick.wav", b"copy")
    assert placed(song) == CopyPlace(place, None, digest(b"copy"))


def test_ours_by_its_hash(tmp_path: Path) -> None:
    """A copy without a sidecar, as an interrupted replacement leaves it, is ours by its hash."""
    song = project(tmp_path)
    place = written(song.outbox / "kick.wav", b"copy")
    assert placed(song, own=frozenset({digest(b"copy")})) == CopyPlace(place, None, digest(b"copy"))


FOREIGN: dict[str, dict[str, Any]] = {
    "altered since": {"content": b"altered", "described": b"copy"},
    "of another stem": {"content": b"copy", "stem": "snare.wav"},
}


@pytest.mark.parametrize("given", FOREIGN.values(), ids=FOREIGN.keys())
def test_not_ours_any_more(tmp_path: Path, given: dict[str, Any]) -> None:
    """A copy that a person has altered, or that belongs to another stem, stays, and ours goes beside it."""
    song = project(tmp_path)
    place = ours(song, "kick.wav", **given)
    assert placed(song) == CopyPlace(song.outbox / "kick.v2.wav", place, None)


def test_file_of_a_person(tmp_path: Path) -> None:
    """A file without a sidecar is a person's."""
    song = project(tmp_path)
    place = written(song.outbox / "kick.wav", b"theirs")
    assert placed(song) == CopyPlace(song.outbox / "kick.v2.wav", place, None)


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"schema": "other/1"}'])
def test_sidecar_that_is_none(tmp_path: Path, content: bytes) -> None:
    """A file beside it that is no sidecar makes no file ours, and raises nothing."""
    song = project(tmp_path)
    written(song.outbox / "kick.wav", b"theirs")
    written(song.outbox / "kick.wav.json", content)
    assert placed(song).path.name == "kick.v2.wav"


def test_second_and_third_name(tmp_path: Path) -> None:
    """Names are tried in order; the first that is free or ours is taken."""
    song = project(tmp_path)
    first = written(song.outbox / "kick.wav", b"theirs")
    written(song.outbox / "kick.v2.wav", b"theirs too")
    assert placed(song) == CopyPlace(song.outbox / "kick.v3.wav", first, None)
    second = ours(song, "kick.v3.wav", b"copy")
    assert placed(song) == CopyPlace(second, first, digest(b"copy"))


def test_own_name_is_free_again(tmp_path: Path) -> None:
    """Once a person has moved their file away, the copy goes under its own name again."""
    song = project(tmp_path)
    ours(song, "kick.v2.wav", b"copy")
    assert placed(song) == CopyPlace(song.outbox / "kick.wav", None, None)


def test_foreign_file_under_the_sidecar_name(tmp_path: Path) -> None:
    """A person's file where the sidecar would go is left alone as well."""
    song = project(tmp_path)
    written(song.outbox / "kick.wav.json", b"notes of a person")
    assert placed(song) == CopyPlace(song.outbox / "kick.v2.wav", song.outbox / "kick.wav", None)


def test_sidecar_of_ours_without_its_copy(tmp_path: Path) -> None:
    """A copy that a person has deleted leaves its sidecar: the name is free for the same stem."""
    song = project(tmp_path)
    ours(song, "kick.wav", b"copy").unlink()
    assert placed(song) == CopyPlace(song.outbox / "kick.wav", None, None)


@pytest.mark.parametrize("aim", ["nowhere", "copy.wav"])
def test_link_is_a_persons(tmp_path: Path, aim: str) -> None:
    """A link under the copy's name is never replaced, wherever it leads, to a copy of ours included."""
    song = project(tmp_path)
    written(song.outbox / "copy.wav", b"copy")
    (song.outbox / "kick.wav").symlink_to(song.outbox / aim)
    found = copy_place(song, StemName("kick.wav"), INFO, frozenset({digest(b"copy")}))
    assert found.path.name == "kick.v2.wav"


def test_folder_is_a_persons(tmp_path: Path) -> None:
    """A folder that has the name stays."""
    song = project(tmp_path)
    (song.outbox / "kick.wav").mkdir()
    assert placed(song).path.name == "kick.v2.wav"


def test_name_as_long_as_can_be(tmp_path: Path) -> None:
    """A name that leaves just enough room for its sidecar is taken."""
    song = project(tmp_path)
    name = "k" * (255 - len(".wav.json")) + ".wav"
    assert placed(song, name).path.name == name


def test_name_too_long_for_its_sidecar(tmp_path: Path) -> None:
    """A name that leaves no room for a sidecar is refused, with how long it may be."""
    song = project(tmp_path)
    with pytest.raises(NameRefused, match=r"at most 255 bytes with \.json behind it, found 256"):
        placed(song, "k" * (256 - len(".wav.json")) + ".wav")


def test_length_is_in_bytes(tmp_path: Path) -> None:
    """What counts is bytes, not letters."""
    song = project(tmp_path)
    with pytest.raises(NameRefused, match="found 259"):
        placed(song, "\u00e9" * 125 + ".wav")


def test_no_room_for_a_second_name(tmp_path: Path) -> None:
    """Where the name is taken, and the one beside it would be too long, the stem is refused."""
    song = project(tmp_path)
    name = "k" * (255 - len(".wav.json")) + ".wav"
    written(song.outbox / name, b"theirs")
    with pytest.raises(NameRefused, match="found 258"):
        placed(song, name)


def test_all_names_are_taken(tmp_path: Path) -> None:
    """After a thousand foreign files the search ends, with a sentence."""
    song = project(tmp_path)
    for name in ("kick.wav", *(f"kick.v{number}.wav" for number in range(2, 1000))):
        (song.outbox / name).touch()
    with pytest.raises(
        NameRefused, match=r"kick\.wav: expected a free name for its copy, found 1000 files of others under it"
    ):
        copy_place(song, StemName("kick.wav"), INFO, frozenset())


def test_undecodable_name(tmp_path: Path) -> None:
    """A stem whose name is no UTF-8 has its copy under the same bytes, found again by its printed name."""
    song = project(tmp_path)
    name = os.fsdecode(b"k\xffck.wav")
    place = ours(song, name, b"copy", stem=r"k\xffck.wav")
    assert placed(song, name) == CopyPlace(place, None, digest(b"copy"))


def test_sidecar_place(tmp_path: Path) -> None:
    """The sidecar lies beside the copy, under its whole name."""
    assert sidecar_place(tmp_path / "a" / "kick.v2.wav") == tmp_path / "a" / "kick.v2.wav.json"


def test_sidecar_of(tmp_path: Path) -> None:
    """The sidecar beside a copy is read, and where there is none, or no sidecar, there is None."""
    song = project(tmp_path)
    place = ours(song, "kick.wav", b"copy")
    found = sidecar_of(place)
    assert found is not None
    assert found.stem == "kick.wav"
    sidecar_place(place).write_bytes(b"\xff\xfe{")
    assert sidecar_of(place) is None
    sidecar_place(place).unlink()
    assert sidecar_of(place) is None


UNALTERED = {
    "as it was written": (b"copy", -1, True),
    "written in the same instant": (b"copy", 0, True),
    "saved again as it was": (b"copy", 1, True),
    "edited since": (b"edit", 1, False),
    "cut since": (b"", 1, False),
}


@pytest.mark.parametrize(("content", "later_ns", "expected"), UNALTERED.values(), ids=UNALTERED.keys())
def test_is_unaltered(tmp_path: Path, content: bytes, later_ns: int, expected: bool) -> None:
    """A copy is as it was written unless it is newer than its sidecar and has another content."""
    song = project(tmp_path)
    place = ours(song, "kick.wav", b"copy")
    place.write_bytes(content)
    at_ns = sidecar_place(place).stat().st_mtime_ns + later_ns
    os.utime(place, ns=(at_ns, at_ns))
    assert is_unaltered(place, digest(b"copy")) is expected


def test_bytes_of_an_older_copy_are_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundred copies that nobody touched cost no reading."""

    def refuse(path: Path) -> str:
        raise AssertionError(path)

    song = project(tmp_path)
    place = ours(song, "kick.wav", b"copy")
    os.utime(place, ns=(0, 0))
    monkeypatch.setattr(room, "sha256_of", refuse)
    assert is_unaltered(place, digest(b"copy"))


@pytest.mark.parametrize("gone", ["kick.wav", "kick.wav.json"])
def test_copy_or_sidecar_is_gone(tmp_path: Path, gone: str) -> None:
    """A copy that is gone, or has no sidecar, is not as it was."""
    song = project(tmp_path)
    place = ours(song, "kick.wav", b"copy")
    (song.outbox / gone).unlink()
    assert not is_unaltered(place, digest(b"copy"))


def test_link_or_folder_is_no_unaltered_copy(tmp_path: Path) -> None:
    """What a person put in place of the copy is theirs, a link to the very same bytes too."""
    song = project(tmp_path)
    place = ours(song, "kick.wav", b"copy")
    place.rename(song.outbox / "moved.wav")
    place.symlink_to(song.outbox / "moved.wav")
    assert not is_unaltered(place, digest(b"copy"))
    place.unlink()
    place.mkdir()
    assert not is_unaltered(place, digest(b"copy"))


def test_names_that_clash(tmp_path: Path) -> None:
    """Stems whose copies differ in capitals or in the form of an accent alone are told of each other, and to rename."""
    song = project(tmp_path)
    names = ["Kick.wav", "kick.wav", "caf\u00e9.wav", "cafe\u0301.wav", "snare.wav", "drums/kick.wav"]
    expected = "expected a name of its own for its copy, found the same one for"
    assert clashes(song, names) == {
        one: f"{expected} {other}; rename one of them"
        for pair in (names[:2], names[2:4])
        for one, other in (pair, pair[::-1])
    }


@pytest.mark.parametrize("name", ["report.json", "REPORT.csv", "report.html", "Notes.md"])
def test_names_of_our_own_reports(tmp_path: Path, name: str) -> None:
    """A stem whose copy would be called like a report of ours is told so; in a subfolder there is none."""
    says = "expected a name for its copy that no report of ours has; rename it"
    assert clashes(project(tmp_path), [name, f"drums/{name}", "a.wav"]) == {name: says}


def test_outbox_that_leads_elsewhere(tmp_path: Path) -> None:
    """A folder that leads out of the outbox takes no copy; one that leads to another folder of it does."""
    song = project(tmp_path / "song")
    (song.outbox / "in").mkdir()
    (song.outbox / "within").symlink_to(song.outbox / "in")
    (song.outbox / "drums").symlink_to(song.inbox)
    check_outbox(song, song.outbox / "within")
    check_outbox(song, song.outbox / "not" / "yet")
    says = f"{song.outbox}/drums: expected a folder of the outbox, found a link to {song.inbox}"
    with pytest.raises(NameRefused, match=f"^{re.escape(says)}$"):
        check_outbox(song, song.outbox / "drums")
    with pytest.raises(NameRefused, match=f"^{re.escape(says)}$"):
        copy_place(song, StemName("drums/kick.wav"), INFO, frozenset())
