"""The server's bounds, and that what goes wrong in it stays in it."""

import asyncio
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest

from stager.page import server as under_test
from stager.page.access import App, Receive, Scope, Send
from stager.page.hub import Hub
from stager.page.server import MOST_CONNECTIONS, Server
from stager.page.songs import Songs

pytestmark = pytest.mark.long

HUNG_S = 60.0


@contextmanager
def served(app: App, hub: Hub | None = None) -> Iterator[tuple[Server, int, list[str]]]:
    """Serve an app; gives the server, its port, and what it says."""
    listening, said = socket.create_server(("127.0.0.1", 0)), list[str]()
    port = listening.getsockname()[1]
    made = Server(app, hub or Hub(Songs([])), [listening], said.append)
    made.start()
    try:
        yield made, port, said
    finally:
        made.stop()


def wait(what: Callable[[], bool]) -> None:
    deadline = time.monotonic() + HUNG_S
    while not what():
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.01)


def answer(port: int) -> bytes:
    with socket.create_connection(("127.0.0.1", port), HUNG_S) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        return b"".join(iter(lambda: connection.recv(65_536), b""))


async def _fails(_scope: Scope, _receive: Receive, _send: Send) -> None:
    raise ZeroDivisionError("of our own")


async def _here(_scope: Scope, _receive: Receive, send: Send) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": [(b"connection", b"close")]})
    await send({"type": "http.response.body", "body": b"here"})


def test_an_error_is_said_once() -> None:
    """Whatever often a request fails, one sentence is said, and the next request is answered."""
    with served(_fails) as (_, port, said):
        assert [answer(port)[:12] for _ in range(3)] == [b"HTTP/1.1 500"] * 3
        assert said == ["the page had an error, the watch goes on: ZeroDivisionError('of our own')"]


def test_noise_amid_an_answer_is_no_error() -> None:
    """Bytes that are no request, sent while an answer is under way, end that connection, and nothing is said of it."""
    ended: list[bool] = []

    async def slow(_scope: Scope, _receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for _ in range(20):
            await send({"type": "http.response.body", "body": b"more", "more_body": True})
            await asyncio.sleep(0.02)
        await send({"type": "http.response.body", "body": b""})
        ended.append(True)

    with served(slow) as (_, port, said), socket.create_connection(("127.0.0.1", port), HUNG_S) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n")
        assert connection.recv(4)
        connection.sendall(b"no size of a chunk\r\n")
        wait(lambda: bool(ended) or bool(said))
        assert said == []


def test_an_end_by_itself_is_said() -> None:
    """Where the page's own loop fails it ends and says so; nothing is raised where it was begun, told or stopped."""

    class Broken(Hub):
        async def run(self) -> None:
            raise ZeroDivisionError("of our own")

    with served(_here, Broken(Songs([]))) as (server, port, said):
        wait(lambda: bool(said))
        server.call(lambda: None)
        with pytest.raises(OSError, match="refused"):
            answer(port)
    assert said == ["the page has ended, the watch goes on: ZeroDivisionError('of our own')"]


def test_a_reader_who_does_not_read_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer without end, to a reader that takes none of it, is cut after a while, and its task ends."""
    monkeypatch.setattr(under_test, "READ_S", 0.2)
    ended: list[bool] = []

    async def endless(_scope: Scope, _receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        try:
            for _ in range(100_000):
                await send({"type": "http.response.body", "body": bytes(65_536), "more_body": True})
        finally:
            ended.append(True)

    with served(endless) as (_, port, _said), socket.create_connection(("127.0.0.1", port), HUNG_S) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        wait(lambda: bool(ended))


def _tells(connection: socket.socket) -> bool:
    """Whether the other side has closed."""
    try:
        return connection.recv(1) == b""
    except ConnectionError:
        return True


def test_too_many_connections_are_closed_unanswered(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first ones are kept for as long as a request may take, the others are closed at once."""
    monkeypatch.setattr(under_test, "ARRIVE_S", 30.0)
    with served(_here) as (_, port, _said):
        crowd = [socket.create_connection(("127.0.0.1", port), HUNG_S) for _ in range(MOST_CONNECTIONS + 20)]
        closed: set[int] = set()

        def count() -> bool:
            for number, connection in enumerate(crowd):
                connection.setblocking(False)
                with suppress(BlockingIOError):
                    closed.update([number] if _tells(connection) else [])
            return len(closed) >= 20

        wait(count)
        assert len(closed) == 20
        for connection in crowd:
            connection.close()
        wait(lambda: b"here" in answer(port))


def test_the_end_comes_at_once() -> None:
    """A server ends though connections lie open, and a second end is none."""
    with served(_here) as (server, port, _), socket.create_connection(("127.0.0.1", port), HUNG_S):
        assert b"here" in answer(port)  # so the connection before it was taken too
        server.stop()
        server.call(lambda: None)
