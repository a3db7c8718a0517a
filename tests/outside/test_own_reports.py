"""A person's file under the name of a report stays, byte for byte; ours lies beside it, and that is said.

What is expected of every case: the person's files are compared with what they were; there is no outside source.
"""

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.command import HUNG_S, Command
from tests.support.forks import KILLED, Forks, forks
from tests.support.signals import sine
from tests.support.song import Song

pytestmark = pytest.mark.long

NAMES = ("report.json", "report.csv", "report.html", "notes.md")
TABLES = NAMES[:2]
TOML = '[project]\nname = "Salt Road"\nsettle_s = 0.0\n'
MINE = b"Verse two: the tabla comes in late.\n"
STAYS = "stays as it is"


def beside(name: str, number: int = 2) -> str:
    """Return the name of ours where others have the ones before it."""
    path = Path(name)
    return f"{path.stem}.v{number}{path.suffix}"


@pytest.fixture(scope="module")
def reported(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """A song of one stem with all its reports; copied by each test."""
    song = Song.made(stager, tmp_path_factory.mktemp("reported") / "song", TOML)
    song.put("part.wav", sine(440, -30.0, 0.5))
    assert song.stage().code == 0
    assert stager("report", song.folder).code == 0
    return song


@pytest.fixture
def song(reported: Song, tmp_path: Path) -> Song:
    """The song, to be changed."""
    shutil.copytree(reported.folder, tmp_path / "song")
    return Song(reported.stager, tmp_path / "song")


def reports(song: Song) -> set[str]:
    """Return the names of all reports, the person's among them."""
    return {path.name for path in song.outbox.iterdir() if path.suffix in {".json", ".csv", ".html", ".md"}} - {
        "part.wav.json"
    }


def report(song: Song, **options: Any) -> str:
    """Write all reports, each of which is where the command says, and return what was said."""
    done = song.stager("report", "--quick", song.folder, **options)
    assert done.code == 0, done.stderr
    places = [Path(line) for line in done.stdout.splitlines()]
    assert len(places) == len(NAMES)
    assert all(MINE not in place.read_bytes() for place in places)
    return done.stderr


def left(said: str) -> list[str]:
    """Return the names that were left to others, as often as that was said."""
    return sorted(line.split(" ")[0] for line in said.splitlines() if STAYS in line)


def foreign(place: Path) -> None:
    """A file of a person's own, older than this package's record of names."""
    place.write_bytes(MINE)


def edited(place: Path) -> None:
    """One of ours with a line of a person's at its end."""
    with place.open("ab") as file:
        file.write(MINE)


def read_only(place: Path) -> None:
    """A person's file that may not be written."""
    place.write_bytes(MINE)
    place.chmod(0o444)


def unreadable(place: Path) -> None:
    """A person's file that may be neither read nor written."""
    place.write_bytes(MINE)
    place.chmod(0)


def link(place: Path) -> None:
    """A link to a person's file elsewhere."""
    aim = place.parent.parent / f"mine_{place.name}"
    aim.write_bytes(MINE)
    place.unlink()
    place.symlink_to(aim)


def link_to_ours(place: Path) -> None:
    """A link to a copy of our own file."""
    aim = place.parent.parent / f"ours_{place.name}"
    place.rename(aim)
    place.symlink_to(aim)


def link_to_nothing(place: Path) -> None:
    """A link that leads nowhere."""
    place.unlink()
    place.symlink_to(place.parent / "nowhere")


def folder(place: Path) -> None:
    """A folder with a person's file in it."""
    place.unlink()
    place.mkdir()
    (place / "mine.txt").write_bytes(MINE)


def pipe(place: Path) -> None:
    """A pipe, which keeps whoever reads it waiting."""
    place.unlink()
    os.mkfifo(place)


PERSONS = [foreign, edited, read_only, unreadable, link, link_to_ours, link_to_nothing, folder, pipe]


def state(place: Path) -> tuple[object, ...]:
    """Return all that is to stay of what lies under a name."""
    found = place.lstat()
    whole = place.read_bytes() if place.is_file() else [each.read_bytes() for each in place.glob("*")]
    aim = place.readlink() if place.is_symlink() else None
    return found.st_mode, found.st_ino, found.st_mtime_ns, found.st_size, aim, whole


@pytest.mark.skipif(sys.platform == "win32", reason="pipes, links and permissions of Unix")
@pytest.mark.parametrize("make", PERSONS, ids=[make.__name__ for make in PERSONS])
def test_what_a_person_has_there_stays(song: Song, make: Callable[[Path], None]) -> None:
    """Each of the four stays as it is; ours is `NAME.v2`, said once a run, the same in the second and third run."""
    for name in NAMES:
        make(song.outbox / name)
    before = {name: state(song.outbox / name) for name in NAMES}
    for _ in range(2):
        said = report(song, obey_permissions=True)
        assert left(said) == sorted(NAMES)
        assert {name: state(song.outbox / name) for name in NAMES} == before
        assert reports(song) == {*NAMES, *map(beside, NAMES)}
    staged = song.stage(obey_permissions=True)
    assert left(staged.stderr) == sorted(TABLES)
    assert {name: state(song.outbox / name) for name in NAMES} == before
    assert reports(song) == {*NAMES, *map(beside, NAMES)}
    shown = song.stager("status", song.folder)
    assert all(f"{name} {STAYS}" in shown.stdout for name in NAMES)


def test_ours_are_replaced_without_a_word(song: Song) -> None:
    """What stager wrote is replaced by the next report, also where it was made read-only or removed meanwhile."""
    (song.outbox / "report.html").chmod(0o444)
    (song.outbox / "notes.md").unlink()
    song.put("other.wav", sine(300, -20.0, 0.5))
    staged = song.stage()
    assert left(staged.stderr) == left(report(song)) == []
    assert reports(song) == {*NAMES, "other.wav.json"}
    assert all(b"other.wav" in (song.outbox / name).read_bytes() for name in NAMES)


def test_the_name_is_used_again(song: Song) -> None:
    """Once a person has moved their file away, ours has its usual name, and the one beside it is gone."""
    for name in NAMES:
        edited(song.outbox / name)
    report(song)
    for name in NAMES:
        (song.outbox / name).rename(song.folder / name)
    assert left(report(song)) == []
    assert reports(song) == set(NAMES)
    assert all((song.folder / name).read_bytes().endswith(MINE) for name in NAMES)


def test_what_is_beside_is_safe_too(song: Song) -> None:
    """A `NAME.v2` of ours that a person changed is theirs, and stays once its usual name is free again."""
    edited(song.outbox / "notes.md")
    report(song)
    edited(song.outbox / "notes.v2.md")
    for _ in range(2):
        report(song)
        assert reports(song) == {*NAMES, "notes.v2.md", "notes.v3.md"}
    (song.outbox / "notes.md").unlink()
    report(song)
    assert reports(song) == {*NAMES, "notes.v2.md"}
    assert (song.outbox / "notes.v2.md").read_bytes().endswith(MINE)


RECORDS = [
    b"",
    b"{",
    b"[]",
    b"[" * 10_000,
    b"\xff\x00",
    b'{"files": 3}',
    b'{"files": {"report.json": 3, "notes.md": [4]}}',
]


@pytest.mark.parametrize("content", RECORDS, ids=range(len(RECORDS)))
def test_without_a_record_nothing_is_ours(song: Song, content: bytes) -> None:
    """Where the record of what was written is lost or damaged, no file is replaced but one that would be the same."""
    (song.folder / ".stager" / "reports.json").write_bytes(content)
    edited(song.outbox / "report.json")
    before = {name: state(song.outbox / name) for name in NAMES}
    assert left(report(song)) == ["report.html", "report.json"]
    assert {name: state(song.outbox / name)[-1] for name in NAMES} == {name: before[name][-1] for name in NAMES}
    assert reports(song) == {*NAMES, "report.v2.json", "report.v2.html"}


def test_an_earlier_versions_files_stay(song: Song) -> None:
    """Files that were written before there was a record can't be told from a person's."""
    (song.folder / ".stager" / "reports.json").unlink()
    song.put("other.wav", sine(300, -20.0, 0.5))
    before = {name: state(song.outbox / name) for name in NAMES}
    assert left(song.stage().stderr) == sorted(TABLES)
    assert left(report(song)) == sorted(NAMES)
    assert {name: state(song.outbox / name) for name in NAMES} == before


def test_a_watch_says_it_once(song: Song) -> None:
    """`watch` leaves a person's tables where they are, says so once, and knows its own again at the next start."""
    for name in TABLES:
        foreign(song.outbox / name)
    for number in range(2):
        song.put(f"{number}.wav", sine(300, -20.0 - number, 0.5))
        done = song.stager("watch", song.folder, "--until-idle", "0.5", "--poll")
        assert (done.code, left(done.stderr)) == (0, sorted(TABLES))
        assert all((song.outbox / name).read_bytes() == MINE for name in TABLES)
        assert all(f"{number}.wav".encode() in (song.outbox / beside(name)).read_bytes() for name in TABLES)
    assert reports(song) == {*NAMES, *map(beside, TABLES), "0.wav.json", "1.wav.json"}
    again = song.stager("watch", song.folder, "--until-idle", "0.5", "--poll")
    assert (again.code, left(again.stderr)) == (0, []), "nothing was due"


def test_reports_at_the_same_time(song: Song) -> None:
    """Four commands that write the same files at once take none of them for another's."""
    commands = [("report", "--quick"), ("stage", "--again"), *[("report", "--quick")] * 2]
    running = [
        song.stager.started(name, song.folder, *options, log=song.folder / f"log{number}")
        for number, (name, *options) in enumerate(commands)
    ]
    for context in running:
        with context as process:
            assert process.wait(HUNG_S) == 0
    assert reports(song) == set(NAMES)
    assert left(report(song)) == []


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Forks]:
    """The installed command, ready to be killed at any step."""
    with forks(tmp_path_factory.mktemp("forks")) as started:
        yield started


def renamed(song: Song) -> None:
    """Rename the project, whose name stands in every report but the spreadsheet's."""
    song.file.write_text(song.file.read_text().replace("Salt Road", "Salt Path"))


def _nothing(_place: Path) -> None:
    """Leave ours as it is."""


MAKES: list[Callable[[Path], None]] = [_nothing, edited, Path.unlink]


@pytest.mark.skipif(sys.platform != "linux", reason="open files are told by /proc")
@pytest.mark.parametrize("make", MAKES, ids=["ours", "edited", "deleted"])
def test_death_at_any_step_makes_no_stranger_of_ours(
    server: Forks, reported: Song, tmp_path: Path, make: Callable[[Path], None]
) -> None:
    """Killed before a step (each third) of a report: the next ends as a calm one, and a person's file is as it was."""

    def prepared(place: Path) -> Song:
        shutil.copytree(reported.folder, place)
        song = Song(reported.stager, place)
        renamed(song)
        for name in NAMES:
            make(song.outbox / name)
        return song

    calm = prepared(tmp_path / "calm")
    steps = server.run("report", "--quick", calm.folder, below=calm.folder).steps
    assert [step for step in steps if step.startswith(("replace", "link"))], "nothing was put in place"
    for number in range(1 + MAKES.index(make), len(steps) + 1, len(MAKES)):
        song = prepared(tmp_path / f"song{number}")
        before = {name: (song.outbox / name).read_bytes() for name in NAMES if make is edited}
        killed = server.run("report", "--quick", song.folder, below=song.folder, step=number, deed="kill")
        assert killed.code == KILLED
        assert server.run("stage", song.folder, below=song.folder).code == 0, "it sweeps the drafts up"
        assert server.run("report", "--quick", song.folder, below=song.folder).code == 0
        assert {name: (song.outbox / name).read_bytes() for name in before} == before
        assert {path.name for path in song.outbox.iterdir()} == {path.name for path in calm.outbox.iterdir()}


@pytest.mark.skipif(sys.platform != "linux", reason="open files are told by /proc")
def test_a_file_that_comes_at_the_last_moment(server: Forks, song: Song) -> None:
    """A person's file that takes the name between the look at it and the renaming stays: another is sought."""
    place = song.outbox / "report.json"
    renamed(song)
    calm = song.folder.with_name("calm")
    shutil.copytree(song.folder, calm)
    steps = server.run("report", "--quick", calm, below=calm).steps
    recorded = next(number for number, step in enumerate(steps, 1) if "replace" in step and "reports.json" in step)
    deed = f"do printf mine > '{place}.part' && mv '{place}.part' '{place}'"
    ended = server.run("report", "--quick", song.folder, below=song.folder, step=recorded, deed=deed)
    assert ended.code == 0
    assert place.read_bytes() == b"mine"
    assert reports(song) == {*NAMES, "report.v2.json"}
    assert left(ended.stderr) == ["report.json"]
