"""Who is told what, and that nothing is read while nobody looks."""

import asyncio
import json
from collections.abc import AsyncGenerator, Awaitable, Callable
from typing import Any

from stager.page.hub import Hub
from stager.page.songs import Songs


class Counted(Songs):
    """Songs that count how often they were read; `key` "none" is no song."""

    def __init__(self) -> None:
        super().__init__([])
        self.read, self.told = 0, "first"

    def state(self, key: str) -> dict[str, Any] | None:
        self.read += 1
        return None if key == "none" else {"says": self.told}

    def pulse(self, key: str) -> dict[str, Any]:
        return {"key": key}


def with_hub(what: Callable[[Hub, Counted], Awaitable[None]]) -> None:
    """Run a hub beside this, within a limit that only a hang reaches."""

    async def run() -> None:
        songs = Counted()
        hub = Hub(songs)
        running = asyncio.ensure_future(hub.run())
        async with asyncio.timeout(60):
            await what(hub, songs)
        running.cancel()

    asyncio.run(run())


async def next_of(events: AsyncGenerator[str, None], kind: str) -> tuple[str, Any]:
    """Return id and data of the next event of this kind."""
    async for event in events:
        fields = dict(line.split(": ", 1) for line in event.strip().splitlines())
        if fields.get("event") == kind:
            return fields.get("id", ""), json.loads(fields["data"])
    raise AssertionError("the stream has ended")


def test_nothing_is_read_while_nobody_looks() -> None:
    """News without anybody who looks costs nothing; the first who comes is told all."""

    async def what(hub: Hub, songs: Counted) -> None:
        for _ in range(3):
            hub.stir()
            await asyncio.sleep(0.05)
        assert songs.read == 0
        songs.told = "second"
        assert (await next_of(hub.events("", ""), "state"))[1] == {"says": "second"}

    with_hub(what)


def test_after_the_last_one_left_nothing_is_read() -> None:
    """A stream that is closed is forgotten."""

    async def what(hub: Hub, songs: Counted) -> None:
        events = hub.events("", "")
        await next_of(events, "state")
        await events.aclose()
        await asyncio.sleep(0.2)
        before = songs.read
        for _ in range(3):
            hub.stir()
            await asyncio.sleep(0.2)
        assert songs.read <= before + 1  # what was due when the last one left

    with_hub(what)


def test_all_who_look_are_told_of_one_reading() -> None:
    """Ten who look at one song share what is read."""

    async def what(hub: Hub, songs: Counted) -> None:
        streams = [hub.events("", "") for _ in range(10)]
        await asyncio.gather(*(next_of(events, "state") for events in streams))
        before, songs.told = songs.read, "second"
        hub.stir()
        told = await asyncio.gather(*(next_of(events, "state") for events in streams))
        assert [data for _, data in told] == [{"says": "second"}] * 10
        assert songs.read <= before + 2

    with_hub(what)


def test_a_known_state_is_not_told_again() -> None:
    """Who comes back with the last id gets a sign of life only; another state has another id, and the same the same."""

    async def what(hub: Hub, songs: Counted) -> None:
        known, _ = await next_of(hub.events("", ""), "state")
        events = hub.events("", known)
        first = [event async for event in _some(events, 2)]
        assert ["event: pulse" in event for event in first] == [False, True]
        songs.told = "second"
        hub.stir()
        other, _ = await next_of(events, "state")
        songs.told = "first"
        assert (await next_of(hub.events("", other), "state"))[0] == known

    with_hub(what)


async def _some(events: AsyncGenerator[str, None], count: int) -> AsyncGenerator[str, None]:
    for _ in range(count):
        yield await anext(events)


def test_no_such_song() -> None:
    """Under an unknown key there is one event that says so, and the stream ends."""

    async def what(hub: Hub, _songs: Counted) -> None:
        told = [event async for event in hub.events("none", "")]
        assert "event: gone" in told[-1]

    with_hub(what)


def test_the_end_ends_every_stream() -> None:
    """At the end no stream waits."""

    async def what(hub: Hub, _songs: Counted) -> None:
        events = hub.events("", "")
        await next_of(events, "pulse")
        waiting = asyncio.ensure_future(anext(events, "ended"))
        await asyncio.sleep(0.01)
        await hub.close()
        while (told := await waiting) != "ended":
            waiting = asyncio.ensure_future(anext(events, "ended"))
        assert told == "ended"

    with_hub(what)
