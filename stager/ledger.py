"""What was done to every stem of a project, in SQLite: its only door.

A stem is known by the bytes of its path below the inbox. A row in state `open` is an intent: its copy was about to be
put in place, and the next start finds out how far that came.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Final, Literal

from stager.errors import PlaceError
from stager.names import shown

State = Literal["open", "staged", "refused"]


@dataclass(frozen=True)
class Entry:
    """One stem: what it was when it was last dealt with, and what came of it.

    `copy_path` is below the outbox, as bytes; `copy_sha256` is the copy that lies there or, in state `open`, is about
    to, `former_sha256` the one before it. `fingerprint` is the source's, as text.
    """

    key: bytes
    stem: str
    state: State
    fingerprint: str
    source_sha256: str
    settings_sha256: str
    rules: int
    version: int
    copy_path: bytes
    copy_sha256: str
    former_sha256: str
    refused: str
    says: str
    at: str


COLUMNS: Final = tuple(field.name for field in fields(Entry))
SCHEMA: Final = """CREATE TABLE IF NOT EXISTS stems (
    key BLOB PRIMARY KEY, stem TEXT NOT NULL, state TEXT NOT NULL, fingerprint TEXT NOT NULL,
    source_sha256 TEXT NOT NULL, settings_sha256 TEXT NOT NULL, rules INTEGER NOT NULL, version INTEGER NOT NULL,
    copy_path BLOB NOT NULL, copy_sha256 TEXT NOT NULL, former_sha256 TEXT NOT NULL,
    refused TEXT NOT NULL, says TEXT NOT NULL, at TEXT NOT NULL
) STRICT; PRAGMA user_version = 1"""
SELECT: Final = f"SELECT {', '.join(COLUMNS)} FROM stems"  # noqa: S608 - column names of our own, no input
PUT: Final = f"INSERT OR REPLACE INTO stems VALUES ({', '.join(f':{name}' for name in COLUMNS)})"  # noqa: S608


class Ledger:
    """One writing connection, used by one thread; made by `open_ledger`."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def entry(self, key: bytes) -> Entry | None:
        """Give what is known of a stem."""
        with _asking():
            row = self._connection.execute(f"{SELECT} WHERE key = ?", (key,)).fetchone()
        return Entry(*row) if row else None

    def entries(self) -> tuple[Entry, ...]:
        """Give what is known of every stem, by name."""
        with _asking():
            rows = self._connection.execute(f"{SELECT} ORDER BY stem").fetchall()
        return tuple(Entry(*row) for row in rows)

    def write(self, entry: Entry) -> None:
        """Put an entry in place of what was known; it is on the disk when this returns."""
        with _asking():
            self._connection.execute(PUT, asdict(entry))


@contextmanager
def open_ledger(path: Path) -> Iterator[Ledger]:
    """Open the ledger for writing, under the project's lock; it is made where there is none.

    Raises:
        PlaceError: where SQLite can't use the file.
    """
    with _asking():
        connection = sqlite3.connect(path, isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.executescript(SCHEMA)
    try:
        yield Ledger(connection)
    finally:
        connection.close()


def read_entries(path: Path) -> tuple[Entry, ...]:
    """Give every entry without a lock, beside a running daemon; nothing where there is no ledger.

    Where no daemon is at work, SQLite is told that the file stands still, so that reading leaves no file of its own.
    """
    if not path.exists():
        return ()
    with _asking():
        still = "" if path.with_name(path.name + "-wal").exists() else "&immutable=1"
        uri = f"{path.absolute().as_uri()}?mode=ro{still}"
        connection = sqlite3.connect(uri, uri=True, isolation_level=None)
        try:
            return Ledger(connection).entries()
        finally:
            connection.close()


@contextmanager
def _asking() -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        says = f"the ledger in .stager can't be used: {shown(str(error))}"
        raise PlaceError(f"{says}; move it away, and stems are measured anew, nothing is lost") from error
