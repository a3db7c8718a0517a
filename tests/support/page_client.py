"""Looks at the page of a watch with plain sockets: requests as raw bytes, answers and events as they come."""

import json
import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

SILENT_S: Final = 60.0
"""A connection on which nothing comes for longer hangs."""
ADDRESS: Final = re.compile(r"http://(\[[^]]+\]|[^:/\s]+):(\d+)/(?:\?token=([^\s\"]+))?")


@dataclass(frozen=True)
class Answer:
    """An answer to a request: its status, its headers by lower-case name, its body."""

    status: int
    headers: dict[str, str]
    body: bytes


@dataclass(frozen=True)
class Server:
    """Where a page is served, read off what the command printed."""

    port: int
    token: str | None

    @classmethod
    def printed(cls, log: Path) -> "Server | None":
        """Return the server that a log names, or None."""
        found = ADDRESS.search(log.read_text("utf-8"))
        return cls(int(found[2]), found[3]) if found else None

    def connect(self) -> socket.socket:
        """Open a connection."""
        made = socket.socket()
        made.settimeout(SILENT_S)
        made.connect(("127.0.0.1", self.port))
        return made

    def begin(self, receive_bytes: int) -> socket.socket:
        """Begin to open a connection without waiting for it; every use of it may raise OSError."""
        made = socket.socket()
        made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        made.setblocking(False)
        made.connect_ex(("127.0.0.1", self.port))
        return made

    def ask(self, target: str = "/", method: str = "GET", **headers: str | None) -> Answer:
        """Send a request and give the answer; a header that is None is left out."""
        return self.raw(self.request(target, method, **headers))

    def request(self, target: str = "/", method: str = "GET", **headers: str | None) -> bytes:
        """Return a request as bytes; the Host header is the true one, unless another is named."""
        named = {"Host": f"127.0.0.1:{self.port}", **{name.replace("_", "-"): value for name, value in headers.items()}}
        lines = [f"{name}: {value}" for name, value in named.items() if value is not None]
        return "\r\n".join([f"{method} {target} HTTP/1.1", *lines, "", ""]).encode("latin-1")

    def raw(self, request: bytes) -> Answer:
        """Send bytes, and give the answer to them."""
        with self.connect() as connection:
            connection.sendall(request)
            return parsed(b"".join(iter(lambda: connection.recv(65_536), b"")))

    @contextmanager
    def looking(self, target: str = "/events", **headers: str | None) -> Iterator["Events"]:
        """Open a stream of events."""
        with self.connect() as connection:
            connection.sendall(self.request(target, **headers))
            yield Events(connection)


def parsed(raw: bytes) -> Answer:
    """Take an answer apart."""
    head, _, body = raw.partition(b"\r\n\r\n")
    first, *lines = head.decode("latin-1").split("\r\n")
    fields = (line.partition(":") for line in lines)
    return Answer(int(first.split()[1]), {name.lower(): value.strip() for name, _, value in fields}, body)


@dataclass
class Events:
    """A stream of events that was asked for, in a chunked answer."""

    connection: socket.socket
    _raw: bytes = b""
    _lines: list[str] = field(default_factory=list)
    last_id: str = ""

    def next(self, kind: str | None = None) -> Any:
        """Return the data of the next event, of this kind where one is named; fails where the stream ends."""
        found = ""
        while not found or (kind is not None and found != kind):
            event = self._event()
            found = event.get("event", "")
            self.last_id = event.get("id", self.last_id)
        return json.loads(event["data"])

    def kinds(self, count: int) -> list[str]:
        """Return the kinds of the next events."""
        kinds: list[str] = []
        while len(kinds) < count:
            kinds += [kind] if (kind := self._event().get("event")) else []
        return kinds

    def until(self, name: str) -> dict[str, Any]:
        """Return the first state whose newest entry has this name."""
        while True:
            state: dict[str, Any] = self.next("state")
            if state["newest"] and state["newest"]["name"] == name:
                return state

    def _event(self) -> dict[str, str]:
        fields = {}
        while line := self._line():
            name, _, value = line.partition(": ")
            fields[name] = value
        return fields

    def _line(self) -> str:
        """Return the next line of the body: chunk sizes stand alone between blank lines, and are passed over."""
        while not self._lines:
            self._more()
        return self._lines.pop(0)

    def _more(self) -> None:
        """Take the next whole chunk of the answer."""
        while (chunk := _chunk(self._raw)) is None:
            received = self.connection.recv(65_536)
            assert received, "the stream has ended"
            self._raw += received
        text, self._raw = chunk
        self._lines += text.decode("utf-8").split("\n")[:-1]


def _chunk(raw: bytes) -> tuple[bytes, bytes] | None:
    """Return the first chunk of a chunked body, after the head, and what follows; None where it is not whole yet."""
    if raw.startswith(b"HTTP/"):
        _, end, raw = raw.partition(b"\r\n\r\n")
        if not end:
            return None
        assert b"200 OK" in _[:20], _
    size, end, rest = raw.partition(b"\r\n")
    if not end or len(rest) < int(size, 16) + 2:
        return None
    length = int(size, 16)
    assert length, "the stream has ended"
    return rest[:length], rest[length + 2 :]
