"""Sends events to the open pages whenever something changed. While no page is open, nothing is read.

Every event carries the whole state, so a page that falls behind needs only the latest one, and no queue is kept.
"""

import asyncio
import json
from collections import Counter
from collections.abc import AsyncGenerator
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from stager.page.songs import Songs

PULSE_S: Final = 5.0
"""How often an open page is sent the status of the watch."""
GATHER_S: Final = 0.1
"""Outcomes that come this close together are sent together."""
ID_DIGITS: Final = 16
RETRY_MS: Final = 2000
"""After how long a browser asks again when the connection was lost."""


@dataclass
class Board:
    """What was last read under one key; `state_id` is a hash of the state, `tick` counts the readings."""

    state: str = ""
    state_id: str = ""
    pulse: str = ""
    tick: int = 0
    is_there: bool = True


class Hub:
    """Reads songs while a page is open, and sends it the changes. All but `songs` belongs to one event loop."""

    def __init__(self, songs: Songs) -> None:
        self._songs = songs
        self._boards: dict[str, Board] = {}
        self._lookers: Counter[str] = Counter()
        self._stirred, self._looked_at = asyncio.Event(), asyncio.Event()
        self._told = asyncio.Condition()
        self._closed = False

    def stir(self) -> None:
        """Note that something changed: it is read as soon as a page is open."""
        self._stirred.set()

    async def close(self) -> None:
        """End every stream."""
        self._closed = True
        async with self._told:
            self._told.notify_all()

    async def run(self) -> None:
        """Read and send, until cancelled."""
        while True:
            await self._looked_at.wait()
            is_news = self._stirred.is_set()
            self._stirred.clear()
            for key, board in list(self._boards.items()):
                await self._read(key, board, whole=is_news or not board.state)
            async with self._told:
                self._told.notify_all()
            await asyncio.sleep(GATHER_S)
            with suppress(TimeoutError):
                async with asyncio.timeout(PULSE_S):
                    await self._stirred.wait()

    async def events(self, key: str, last_id: str) -> AsyncGenerator[str, None]:
        """Yield the server-sent events for one open page; one called `gone` where there is no such song.

        The state comes first, unless `last_id` says that it is known, and then whenever it is another; the status of
        the watch comes with it and every few seconds.
        """
        board = self._boards.setdefault(key, Board())
        tick = board.tick
        self._come(key)
        try:
            yield f"retry: {RETRY_MS}\n\n"
            while await self._next(board, tick):
                tick = board.tick
                if board.state_id != last_id:
                    last_id = board.state_id
                    yield f"id: {last_id}\nevent: state\ndata: {board.state}\n\n"
                yield f"event: pulse\ndata: {board.pulse}\n\n"
            if not board.is_there:
                yield "event: gone\ndata: {}\n\n"
        finally:
            self._go(key)

    async def _next(self, board: Board, tick: int) -> bool:
        """Wait for the next reading; False where there will be none."""
        async with self._told:
            await self._told.wait_for(lambda: board.tick != tick or self._closed)
        return board.is_there and not self._closed

    def _come(self, key: str) -> None:
        self._lookers[key] += 1
        self._looked_at.set()
        self._stirred.set()

    def _go(self, key: str) -> None:
        self._lookers[key] -= 1
        if not self._lookers[key]:
            del self._lookers[key], self._boards[key]
        if not self._lookers:
            self._looked_at.clear()

    async def _read(self, key: str, board: Board, *, whole: bool) -> None:
        """Read what is shown under a key, in another thread: slow files must not delay the streams."""
        if whole:
            found = await asyncio.to_thread(self._songs.state, key)
            board.state, board.is_there = json.dumps(found), found is not None
            board.state_id = sha256(board.state.encode()).hexdigest()[:ID_DIGITS]
        board.pulse = json.dumps(await asyncio.to_thread(self._songs.pulse, key))
        board.tick += 1
