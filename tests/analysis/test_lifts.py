"""The user's file of lifts: kept over songs, replaced by the same take, and no harm where it can't be used."""

from pathlib import Path

import pytest

from stager.analysis.lifts import Lifts, add_pair, lift_file, read_pairs
from stager.model.takes import LiftPair


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


def pair(song: str, rise_db: float, take: str = "voice 1.wav") -> LiftPair:
    return LiftPair(part="voice", rise_db=rise_db, song=song, check="voice check.wav", take=take)


def test_pairs_are_kept_in_order() -> None:
    """Nothing is there at first; a take that is judged again replaces itself."""
    assert read_pairs() == []
    add_pair(pair("one", 6.0))
    add_pair(pair("two", 7.0))
    add_pair(pair("one", 8.0))
    assert read_pairs() == [pair("two", 7.0), pair("one", 8.0)]


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[]", b'{"schema": "stager/lift/1"}', b'{"schema": "other", "pairs": []}']
)
def test_a_foreign_file_holds_no_pairs(content: bytes) -> None:
    """What can't be read is no pair, and a later one can be kept."""
    lift_file().parent.mkdir(parents=True)
    lift_file().write_bytes(content)
    assert read_pairs() == []
    add_pair(pair("one", 6.0))
    assert read_pairs() == [pair("one", 6.0)]


def test_a_project_that_does_not_learn_writes_nothing() -> None:
    """Without `learn` nothing is read or kept."""
    for number in range(6):
        add_pair(pair(str(number), 6.0 + number))
    kept = read_pairs()
    deaf = Lifts(pytest.fail, learns=False)
    deaf.learn(pair("new", 1.0))
    assert deaf.of("voice check.wav") is None
    assert read_pairs() == kept
    known = Lifts(pytest.fail, learns=True).of("voice check.wav")
    assert known is not None
    assert (known.pairs, known.median_db) == (6, 8.5)


def test_a_folder_that_can_not_be_written_is_reported_once(tmp_path: Path) -> None:
    """Takes are judged all the same: the error is one line of the log."""
    (tmp_path / "data").write_bytes(b"a file where a folder is expected")
    said: list[str] = []
    lifts = Lifts(said.append, learns=True)
    lifts.learn(pair("one", 6.0))
    lifts.learn(pair("two", 6.0))
    assert len(said) == 1
    assert "nothing is learned" in said[0]
