"""What was done to every stem of a project, in SQLite: its only door.

A stem is known by the bytes of its path below the inbox. A row in state `open` is an intent: its copy was about to be
put in place, and the next start finds out how far that came.
"""

import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Final, Literal

from stager.errors import NoSpace, PlaceError
from stager.system.printable import shown

LEDGER: Final = "ledger.sqlite"
LOCK: Final = "lock"
"""Names in the folder of the project's state: the ledger, and the lock under which it is written."""

State = Literal["open", "staged", "refused"]


@dataclass(frozen=True)
class Entry:
    """One stem as it was when it was last staged or refused, and the outcome.

    `copy_path` is below the outbox, as bytes; `copy_sha256` is the copy that lies there or, in state `open`, is about
    to, `former_sha256` the one before it. `fingerprint` is the source's, as text; `seen` those of the copy and its
    sidecar, as they were when they were put in place. `follows` is the key of the stem that this one was called before.
    `gone` says that the stem was taken out of the inbox, and that this was said. Of a stem in a link, `member` is what
    it brings to the decision and `linked` the decision that its copy has, both as JSON.
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
    seen: str = ""
    follows: bytes = b""
    gone: int = 0
    member: str = ""
    linked: str = ""


COLUMNS: Final = tuple(field.name for field in fields(Entry))
SCHEMA: Final = """CREATE TABLE IF NOT EXISTS stems (
    key BLOB PRIMARY KEY, stem TEXT NOT NULL, state TEXT NOT NULL, fingerprint TEXT NOT NULL,
    source_sha256 TEXT NOT NULL, settings_sha256 TEXT NOT NULL, rules INTEGER NOT NULL, version INTEGER NOT NULL,
    copy_path BLOB NOT NULL, copy_sha256 TEXT NOT NULL, former_sha256 TEXT NOT NULL,
    refused TEXT NOT NULL, says TEXT NOT NULL, at TEXT NOT NULL
) STRICT"""
TAKES_SCHEMA: Final = """CREATE TABLE IF NOT EXISTS takes (
    key BLOB PRIMARY KEY, fingerprint TEXT NOT NULL, judged TEXT NOT NULL, number INTEGER NOT NULL
) STRICT"""
ADDED: Final = (
    "ALTER TABLE stems ADD COLUMN seen TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE stems ADD COLUMN follows BLOB NOT NULL DEFAULT x''",
    "ALTER TABLE stems ADD COLUMN gone INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE stems ADD COLUMN member TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE stems ADD COLUMN linked TEXT NOT NULL DEFAULT ''",
)
"""What a ledger of version 1 lacks; the version is the number of columns added, and one."""
NAMED: Final = ", ".join(COLUMNS)
PUT: Final = f"INSERT OR REPLACE INTO stems ({NAMED}) VALUES ({', '.join(f':{name}' for name in COLUMNS)})"  # noqa: S608


class Known:
    """What the ledger knows of stems, in memory."""

    def __init__(self, entries: Iterable[Entry]) -> None:
        self._known: dict[bytes, Entry] = {}
        self._of_source: defaultdict[str, set[bytes]] = defaultdict(set)
        self._members: set[bytes] = set()
        self.changes = 0
        self._know(entries)

    def entry(self, key: bytes) -> Entry | None:
        """Return what is known of a stem."""
        return self._known.get(key)

    def entries(self) -> tuple[Entry, ...]:
        """Return what is known of every stem, by name."""
        return tuple(sorted(self._known.values(), key=lambda entry: (entry.stem, entry.key)))

    def of_source(self, source_sha256: str) -> tuple[Entry, ...]:
        """Return the stems that had these bytes when they were last dealt with."""
        return tuple(self._known[key] for key in sorted(self._of_source.get(source_sha256, ())))

    def of_links(self) -> tuple[Entry, ...]:
        """Return the stems that were staged as members of a link, by key."""
        return tuple(self._known[key] for key in sorted(self._members))

    def _know(self, entries: Iterable[Entry]) -> None:
        self.changes += 1
        for entry in entries:
            if former := self._known.get(entry.key):
                self._of_source[former.source_sha256].discard(entry.key)
            self._known[entry.key] = entry
            self._of_source[entry.source_sha256].add(entry.key)
            (self._members.add if entry.member else self._members.discard)(entry.key)


class Ledger(Known):
    """One writing connection, used by one thread; made by `open_ledger`.

    What it holds is kept in memory too: nobody else writes while it is open.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        super().__init__(_all(connection))
        self._connection = connection

    def write(self, *entries: Entry) -> None:
        """Put entries in place of what was known, all or none; they are on the disk when this returns."""
        with _asking(), self._connection:
            self._connection.execute("BEGIN")
            self._connection.executemany(PUT, map(asdict, entries))
        self._know(entries)

    def forget(self, key: bytes) -> None:
        """Strike a stem out; one that isn't known is no error."""
        with _asking():
            self._connection.execute("DELETE FROM stems WHERE key = ?", (key,))
        if former := self._known.pop(key, None):
            self._of_source[former.source_sha256].discard(key)
            self._members.discard(key)
            self.changes += 1

    def known_takes(self) -> dict[bytes, str]:
        """Return the fingerprint of every take that was dealt with, by key."""
        with _asking():
            return dict(self._connection.execute("SELECT key, fingerprint FROM takes").fetchall())

    def judged_takes(self, most: int) -> tuple[str, ...]:
        """Return the stored records of the latest judged takes, at most `most`, in order."""
        asks = "SELECT judged FROM takes WHERE judged != '' ORDER BY number DESC LIMIT ?"
        with _asking():
            rows = self._connection.execute(asks, (most,)).fetchall()
        return tuple(row[0] for row in reversed(rows))

    def write_takes(self, takes: Iterable[tuple[bytes, str, str]]) -> None:
        """Write down takes, each as key, fingerprint and what was judged of it ("" for one that only is known)."""
        put = "INSERT OR REPLACE INTO takes SELECT ?, ?, ?, coalesce(max(number), 0) + 1 FROM takes"
        with _asking(), self._connection:
            self._connection.execute("BEGIN")
            self._connection.executemany(put, takes)


def _all(connection: sqlite3.Connection) -> tuple[Entry, ...]:
    """Every entry by name; what the columns of an older ledger don't say is as for a new entry."""
    connection.row_factory = sqlite3.Row
    with _asking():
        rows = connection.execute("SELECT * FROM stems ORDER BY stem, key").fetchall()
    return tuple(Entry(**{name: row[name] for name in row.keys() if name in COLUMNS}) for row in rows)  # noqa: SIM118


@contextmanager
def open_ledger(path: Path) -> Iterator[Ledger]:
    """Open the ledger for writing, under the project's lock; it is made where there is none.

    Raises:
        PlaceError: where SQLite can't use the file.
    """
    with _asking():
        # a watch steps a project in one of several threads, never in two at once
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        _bring_up_to_date(connection)
    try:
        yield Ledger(connection)
    finally:
        with suppress(sqlite3.Error):  # a disk that is gone has no room for a last word
            connection.close()


def read_entries(path: Path) -> tuple[Entry, ...]:
    """Return every entry without a lock, beside a running daemon; nothing where there is no ledger.

    Where no daemon is at work, SQLite is told that the file stands still, so that reading leaves no file of its own.
    """
    if not path.exists():
        return ()
    with _asking():
        still = "" if path.with_name(path.name + "-wal").exists() else "&immutable=1"
        uri = f"{path.absolute().as_uri()}?mode=ro{still}"
        connection = sqlite3.connect(uri, uri=True, isolation_level=None)
        try:
            return _all(connection)
        finally:
            connection.close()


def _bring_up_to_date(connection: sqlite3.Connection) -> None:
    """Make the table, or add what an older version of this package did not write; one step is whole or not at all."""
    connection.execute(SCHEMA)
    connection.execute(TAKES_SCHEMA)
    version = max(1, connection.execute("PRAGMA user_version").fetchone()[0])
    for number, statement in enumerate(ADDED[version - 1 :], version):
        connection.execute("BEGIN")
        connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {number + 1}")
        connection.execute("COMMIT")


@contextmanager
def _asking() -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        if "full" in str(error):
            raise NoSpace("the ledger in .stager: expected room to write, found the disk full") from error
        says = f"the ledger in .stager can't be used: {shown(str(error))}"
        raise PlaceError(f"{says}; move it away, and stems are measured anew, nothing is lost") from error
