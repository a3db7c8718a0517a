"""What is read of a project, from the files that a watch leaves."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from stager.page.songs import LIST, Songs, key_of, read_pulse, read_song, read_takes
from stager.project import Project
from tests.page.rooms import leave, refused_take, take
from tests.support.folders import tree
from tests.support.records import project

NOW = datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture
def song(tmp_path: Path) -> Project:
    """Return a project of which a watch left two takes."""
    made = project(tmp_path / "song", '[project]\nname = "Salt Road"\n')
    leave(made, take("one.wav"), refused_take("two.wav"), at=(NOW - timedelta(seconds=12)).isoformat())
    return made


def test_takes_come_oldest_first(song: Project) -> None:
    """Judged and refused takes come in the order of the file."""
    assert [one.take for one in read_takes(song)] == ["one.wav", "two.wav"]


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"takes": 3}', '{"takes": [{"take": "a"}]}', '{"takes": [7]}']
)
def test_a_file_that_is_none_is_no_take(song: Project, text: str) -> None:
    """Whatever lies there instead, the page stays up and shows no take of it."""
    (song.state / "takes.json").write_text(text, "utf-8")
    assert read_takes(song) == []


def test_the_last_sign_of_life_has_an_age(song: Project) -> None:
    """Seconds are counted by this machine's clock, so that a tablet's own may be wrong."""
    pulse = read_pulse(song, NOW)
    assert (pulse["state"], pulse["seen_s"]) == ("not_watched", 12.0)


@pytest.mark.parametrize("at", ["never", "2026-01-01T00:00:00"])
def test_an_odd_time_is_no_age(song: Project, at: str) -> None:
    """A text that is no time, and a time of no zone, are passed over."""
    leave(song, at=at)
    assert read_pulse(song, NOW)["seen_s"] is None


def test_a_broken_ledger_is_said(song: Project) -> None:
    """Takes are shown although the stems can't be read, and the reason stands with them."""
    (song.state / "ledger.sqlite").write_bytes(b"no database" * 1000)
    (song.state / "ledger.db").write_bytes(b"no database" * 1000)
    shown = read_song(song)
    assert shown["newest"]["name"] == "two.wav"


def test_nothing_is_written(song: Project) -> None:
    """Reading leaves every file as it is, and adds none."""
    before = tree(song.folder)
    songs = Songs([song])
    assert songs.state(LIST)
    assert songs.pulse(LIST)
    assert tree(song.folder) == before


def test_one_song_stands_for_itself(song: Project, tmp_path: Path) -> None:
    """One song is shown at once; of several there is a list, and each under its key."""
    other = project(tmp_path / "other", '[project]\nname = "Lantern Road"\n')
    assert (Songs([song]).state(LIST) or {})["name"] == "Salt Road"
    listed = Songs([song, other]).state(LIST) or {}
    assert {(one["key"], one["name"]) for one in listed["songs"]} == {
        (key_of(song), "Salt Road"),
        (key_of(other), "Lantern Road"),
    }
    assert (Songs([song, other]).state(key_of(other)) or {})["name"] == "Lantern Road"
    assert Songs([song, other]).state("0" * 12) is None


def test_a_list_tells_of_the_worst(song: Project, tmp_path: Path) -> None:
    """The sign of life of a list is that of the song that needs somebody most."""
    other = project(tmp_path / "other")
    leave(other, at=(datetime.now(UTC) - timedelta(days=2)).isoformat())
    assert Songs([song, other]).pulse(LIST)["seen_s"] > 86_400


def test_songs_come_and_go(song: Project, tmp_path: Path) -> None:
    """A project that is found later is there, one whose file is gone is not, an edited one has its new name."""
    other = project(tmp_path / "other")
    songs = Songs([], lambda: [other])
    assert set(songs.all()) == {key_of(other)}
    songs.heard(song)
    assert set(songs.all()) == {key_of(other), key_of(song)}
    other.file.unlink()
    assert set(songs.all()) == {key_of(song)}
    songs.heard(project(song.folder, '[project]\nname = "Anew"\n'))
    assert (songs.state(key_of(song)) or {})["name"] == "Anew"
