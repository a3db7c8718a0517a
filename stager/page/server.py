"""Serves the page from a thread with its own event loop; an error there does not stop the watch.

uvicorn limits neither how many connections lie open nor how long a request may take to arrive; `_Bounded` does. Each
open connection is a file descriptor of the process that stages stems.
"""

import asyncio
import logging
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from socket import socket
from typing import Any, Final

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from stager.page.access import App
from stager.page.hub import Hub

MOST_REQUESTS: Final = 64
"""Streams and requests at once; the next is answered 503."""
MOST_CONNECTIONS: Final = 80
"""Connections at once; the next is closed unanswered."""
WAITING: Final = 16
"""Connections that the system queues until they are accepted; also how many are accepted at once."""
ARRIVE_S: Final = 5.0
"""How long a request may take to arrive."""
READ_S: Final = 10.0
"""How long a reader may leave a full buffer unread (64 KiB beside the system's own)."""
LONGEST_HEAD_BYTES: Final = 16_384
END_S: Final = 2
LOGGER: Final = "uvicorn.error"
BROKEN_OFF: Final = frozenset({"LocalProtocolError"})
"""What uvicorn 0.54 logs, rarely, where the other side closed a connection in the middle of an answer: not an error."""


class _Bounded(H11Protocol):
    """A connection that is closed where there are too many, its request takes too long, or its client does not read."""

    _late: asyncio.TimerHandle | None = None
    _unread: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Accept a connection, or close it where there are too many."""
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.abort()
            return
        self._await_request()

    def connection_lost(self, exc: Exception | None) -> None:
        """Cancel the timers of a closed connection."""
        self._cancel(self._late, self._unread)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Receive bytes; once a whole request is there, its timer is cancelled."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._cancel(self._late)

    def on_response_complete(self) -> None:
        """Start to wait for the next request."""
        super().on_response_complete()
        if self.cycle.response_complete:
            self._await_request()

    def send_400_response(self, msg: str) -> None:
        """Answer bytes that are no request; where they come amid an answer, there is no more to say (uvicorn 0.54)."""
        if self.cycle is None or self.cycle.response_complete:
            super().send_400_response(msg)
            return
        self.cycle.disconnected = True
        self.transport.abort()

    def pause_writing(self) -> None:
        """The reader does not keep up: start its timer."""
        super().pause_writing()
        self._unread = self.loop.call_later(READ_S, self.transport.abort)

    def resume_writing(self) -> None:
        """The reader keeps up again: cancel its timer."""
        super().resume_writing()
        self._cancel(self._unread)

    def _await_request(self) -> None:
        self._cancel(self._late)
        self._late = self.loop.call_later(ARRIVE_S, self.transport.abort)

    @staticmethod
    def _cancel(*timers: asyncio.TimerHandle | None) -> None:
        for timer in timers:
            if timer:
                timer.cancel()


class _Calm(uvicorn.Server):
    """A server that waits for its stop event instead of polling ten times a second."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.told = asyncio.Event()

    async def main_loop(self) -> None:
        """Wait until told to stop."""
        await self.told.wait()


class _FirstError(logging.Handler):
    """Passes on the first error that the server logs, and no more."""

    def __init__(self, say: Callable[[str], None]) -> None:
        super().__init__(logging.ERROR)
        self._say, self._said = say, False

    def emit(self, record: logging.LogRecord) -> None:
        """Receive a record of the server's log."""
        error = record.exc_info[1] if record.exc_info else record.getMessage()
        if not self._said and type(error).__name__ not in BROKEN_OFF:
            self._said = True
            self._say(f"the page had an error, the watch goes on: {error!r}")


class Server:
    """Serves an app on listening sockets until stopped; the first error goes to `say`."""

    def __init__(self, app: App, hub: Hub, sockets: list[socket], say: Callable[[str], None]) -> None:
        self._app, self._hub, self._sockets, self._say = app, hub, sockets, say
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="page")
        self._loop: Future[asyncio.AbstractEventLoop] = Future()
        self._served: Future[None] | None = None
        self._told: asyncio.Event | None = None

    def start(self) -> None:
        """Begin to serve."""
        self._served = self._executor.submit(lambda: asyncio.run(self._serve()))
        self._served.add_done_callback(self._ended)

    def call(self, what: Callable[[], None]) -> None:
        """Run a function in the event loop; may be called from any thread, and does nothing once the loop has ended."""
        with suppress(RuntimeError, TimeoutError):
            self._loop.result(0.0).call_soon_threadsafe(what)

    def stop(self) -> None:
        """Close every connection, and return once the server has stopped."""
        with suppress(RuntimeError):
            self._loop.result().call_soon_threadsafe(self._tell_end)
        self._executor.shutdown()

    async def _serve(self) -> None:
        server = _Calm(_config(self._app))
        self._told = server.told
        _log_to(_FirstError(self._say))
        self._loop.set_result(asyncio.get_running_loop())
        reading = asyncio.ensure_future(self._hub.run())
        serving = asyncio.ensure_future(self._until_told(server))
        try:
            await asyncio.wait({reading, serving}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            server.told.set()
            await serving
            reading.cancel()
            await asyncio.wait({reading})
        if not reading.cancelled():
            reading.result()

    async def _until_told(self, server: _Calm) -> None:
        ending = asyncio.ensure_future(self._end(server))
        await server.serve(self._sockets)
        await ending

    async def _end(self, server: _Calm) -> None:
        """Once told to stop, end the streams first, so that no connection has to be cut."""
        await server.told.wait()
        await self._hub.close()

    def _tell_end(self) -> None:
        if self._told:
            self._told.set()

    def _ended(self, served: Future[Any]) -> None:
        error = served.exception()
        if error is not None:
            if not self._loop.done():
                self._loop.set_exception(RuntimeError("never began"))
            self._say(f"the page has ended, the watch goes on: {error!r}")


def _config(app: App) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        http=_Bounded,
        ws="none",
        lifespan="off",
        loop="asyncio",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        limit_concurrency=MOST_REQUESTS,
        backlog=WAITING,
        h11_max_incomplete_event_size=LONGEST_HEAD_BYTES,
        timeout_keep_alive=int(ARRIVE_S),
        timeout_graceful_shutdown=END_S,
    )


def _log_to(handler: logging.Handler) -> None:
    """Keep the server's own lines out of the watch's log: refused connections aren't worth a line."""
    logger = logging.getLogger(LOGGER)
    logger.handlers[:] = [handler]
    logger.propagate = False
    logger.setLevel(logging.ERROR)
    logging.getLogger("asyncio").setLevel(logging.CRITICAL)
