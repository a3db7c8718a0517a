"""The ledger: what is written is known later, beside a reader and after a kill; a broken file is a broken place."""

import sqlite3
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest

from stager.errors import PlaceError
from stager.staging.ledger import COLUMNS, Entry, open_ledger, read_entries
from tests.support.folders import written

NO_DATABASE = b"not a database, and long enough to be looked at as one" * 40

KILLED = """
import os, signal, sys
from pathlib import Path
from stager.staging.ledger import Entry, open_ledger
with open_ledger(Path(sys.argv[1])) as ledger:
    ledger.write(Entry(b"a.wav", "a.wav", "open", "f", "s", "c", 1, 1, b"a.wav", "n", "o", "", "", "t"))
    os.kill(os.getpid(), signal.SIGKILL)
"""


def entry(**changes: Any) -> Entry:
    known = Entry(
        key=b"k\xffck.wav",
        stem=r"k\xffck.wav",
        state="staged",
        fingerprint="1:2:3:4:5",
        source_sha256="aa",
        settings_sha256="bb",
        rules=1,
        version=2,
        copy_path=b"k\xffck.wav",
        copy_sha256="cc",
        former_sha256="dd",
        refused="",
        says='it\'s \u00e9 "quoted"; DROP TABLE stems',
        at="2026-01-01T00:00:00.000+00:00",
    )
    return replace(known, **changes)


def test_what_is_written_is_known(tmp_path: Path) -> None:
    """An entry comes back as it was, bytes and odd letters included."""
    with open_ledger(tmp_path / "ledger") as ledger:
        ledger.write(entry())
        assert ledger.entry(b"k\xffck.wav") == entry()


def test_an_unknown_stem(tmp_path: Path) -> None:
    """Of a stem that was never dealt with nothing is known."""
    with open_ledger(tmp_path / "ledger") as ledger:
        assert ledger.entry(b"a.wav") is None
        assert ledger.entries() == ()


def test_a_later_entry_takes_the_place(tmp_path: Path) -> None:
    """There is one entry a stem: the last one."""
    with open_ledger(tmp_path / "ledger") as ledger:
        ledger.write(entry(state="open"))
        ledger.write(entry(version=3))
        assert ledger.entries() == (entry(version=3),)


def test_entries_by_name(tmp_path: Path) -> None:
    """Entries come in order of their names, however they were written."""
    with open_ledger(tmp_path / "ledger") as ledger:
        for name in ("b", "c", "a"):
            ledger.write(entry(key=name.encode(), stem=name))
        assert [found.stem for found in ledger.entries()] == ["a", "b", "c"]


def test_it_survives_being_closed(tmp_path: Path) -> None:
    """The next run knows what the last one knew."""
    with open_ledger(tmp_path / "ledger") as ledger:
        ledger.write(entry())
    with open_ledger(tmp_path / "ledger") as ledger:
        assert ledger.entries() == (entry(),)


def test_it_survives_a_kill(tmp_path: Path) -> None:
    """What was written before a process was killed is there at the next start."""
    done = subprocess.run([sys.executable, "-c", KILLED, tmp_path / "ledger"], check=False)
    assert done.returncode == -9
    with open_ledger(tmp_path / "ledger") as ledger:
        found = ledger.entry(b"a.wav")
    assert found is not None
    assert (found.state, found.copy_sha256, found.former_sha256) == ("open", "n", "o")


def test_reading_beside_a_writer(tmp_path: Path) -> None:
    """A reader sees what is done so far, takes no lock, and the writer goes on."""
    with open_ledger(tmp_path / "ledger") as ledger:
        ledger.write(entry())
        assert read_entries(tmp_path / "ledger") == (entry(),)
        ledger.write(entry(version=9))
        assert read_entries(tmp_path / "ledger") == (entry(version=9),)


def test_reading_while_another_reads(tmp_path: Path) -> None:
    """Neither a reader nor a writer waits for a reader in the middle of its reading."""
    with open_ledger(tmp_path / "ledger") as ledger:
        ledger.write(entry())
        reader = sqlite3.connect(tmp_path / "ledger")
        cursor = reader.execute("SELECT stem FROM stems")
        cursor.fetchone()
        ledger.write(entry(version=9))
        assert read_entries(tmp_path / "ledger") == (entry(version=9),)
        reader.close()


def test_reading_where_there_is_none(tmp_path: Path) -> None:
    """Without a ledger nothing is known, and none is made."""
    assert read_entries(tmp_path / "ledger") == ()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["led?ger", "led#ger", "led%41ger", "led ger"])
def test_reading_under_an_odd_name(tmp_path: Path, name: str) -> None:
    """A folder whose name means something in a URI is read all the same."""
    (tmp_path / name).mkdir()
    with open_ledger(tmp_path / name / "ledger") as ledger:
        ledger.write(entry())
    assert read_entries(tmp_path / name / "ledger") == (entry(),)


def test_broken_file_can_not_be_opened(tmp_path: Path) -> None:
    """A file that is no database is a broken place, told as one sentence."""
    written(tmp_path / "ledger", NO_DATABASE)
    with pytest.raises(PlaceError, match=r"the ledger in \.stager can't be used"), open_ledger(tmp_path / "ledger"):
        pass


def test_broken_file_can_not_be_read(tmp_path: Path) -> None:
    """Nor can it be read beside a daemon."""
    written(tmp_path / "ledger", NO_DATABASE)
    with pytest.raises(PlaceError, match=r"the ledger in \.stager can't be used"):
        read_entries(tmp_path / "ledger")


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    """Where the folder is missing, SQLite's refusal becomes a sentence."""
    with pytest.raises(PlaceError, match="can't be used"), open_ledger(tmp_path / "gone" / "ledger"):
        pass


def test_a_failing_write_is_a_broken_place(tmp_path: Path) -> None:
    """What the table refuses is told, not lost."""
    with open_ledger(tmp_path / "ledger") as ledger, pytest.raises(PlaceError, match="can't be used"):
        ledger.write(entry(version="two"))


def test_only_sqlite_is_translated(tmp_path: Path) -> None:
    """An error in the caller's own work passes as it is, and the ledger is closed."""
    with pytest.raises(ZeroDivisionError), open_ledger(tmp_path / "ledger") as ledger:
        raise ZeroDivisionError
    with pytest.raises(PlaceError, match="closed"):
        ledger.write(entry())


def test_columns_are_the_fields(tmp_path: Path) -> None:
    """The table has the fields of an entry in their order, so that a row is an entry."""
    with open_ledger(tmp_path / "ledger"):
        pass
    connection = sqlite3.connect(tmp_path / "ledger")
    columns = [row[1] for row in connection.execute("PRAGMA table_info(stems)")]
    connection.close()
    assert columns == list(COLUMNS) == [field.name for field in fields(Entry)]


def test_every_write_is_on_the_disk(tmp_path: Path) -> None:
    """The journal is one that survives a power cut, and the version of the table is written down."""
    with open_ledger(tmp_path / "ledger") as ledger:
        pragmas = {
            name: ledger._connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "user_version")
        }
    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "user_version": 6}


FIRST_TABLE = """CREATE TABLE stems (
    key BLOB PRIMARY KEY, stem TEXT NOT NULL, state TEXT NOT NULL, fingerprint TEXT NOT NULL,
    source_sha256 TEXT NOT NULL, settings_sha256 TEXT NOT NULL, rules INTEGER NOT NULL, version INTEGER NOT NULL,
    copy_path BLOB NOT NULL, copy_sha256 TEXT NOT NULL, former_sha256 TEXT NOT NULL,
    refused TEXT NOT NULL, says TEXT NOT NULL, at TEXT NOT NULL
) STRICT; PRAGMA user_version = 1"""


def first_ledger(path: Path) -> None:
    """Write a ledger as the first version of this package did."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.executescript(FIRST_TABLE)
    values = [getattr(entry(), name) for name in COLUMNS[:14]]
    connection.execute("INSERT INTO stems VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", values)
    connection.close()


def test_ledger_of_an_earlier_version(tmp_path: Path) -> None:
    """A ledger from before is read as it is, and brought up to date when it is opened; nothing in it is lost."""
    first_ledger(tmp_path / "ledger")
    assert read_entries(tmp_path / "ledger") == (entry(),)
    for _ in range(2):
        with open_ledger(tmp_path / "ledger") as ledger:
            assert ledger.entries() == (entry(),)
            ledger.write(entry(seen="1:2", follows=b"before", gone=1))
            assert ledger.entries() == (entry(seen="1:2", follows=b"before", gone=1),)
            ledger.write(entry())


def test_stems_of_the_same_bytes(tmp_path: Path) -> None:
    """Stems are found by what they held; one that holds something else now, or is forgotten, is not."""
    with open_ledger(tmp_path / "ledger") as ledger:
        one, two = (entry(key=name, stem=name.decode(), source_sha256="same") for name in (b"1", b"2"))
        ledger.write(one, two)
        assert ledger.of_source("same") == (one, two)
        ledger.write(replace(two, source_sha256="other"))
        assert ledger.of_source("same") == (one,)
        ledger.forget(b"1")
        assert (ledger.of_source("same"), ledger.entry(b"1")) == ((), None)
    assert [found.key for found in read_entries(tmp_path / "ledger")] == [b"2"]


def test_entries_are_written_together(tmp_path: Path) -> None:
    """Of several entries all are written, or none where one of them can't be."""
    with open_ledger(tmp_path / "ledger") as ledger:
        with pytest.raises(PlaceError):
            ledger.write(entry(key=b"1"), entry(key=b"2", stem=None))
        assert ledger.entries() == ()
    assert read_entries(tmp_path / "ledger") == ()
