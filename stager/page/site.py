"""The pages and files that are served, each by its own name: no path of a request ever reaches the disk."""

import asyncio
from collections.abc import AsyncIterable
from importlib.resources import files
from typing import Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from stager.page.access import Access, App, Receive, Scope, Send
from stager.page.hub import Hub

ASSETS: Final = {
    "page.html": "text/html; charset=utf-8",
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}
EVENT_HEADERS: Final = [(b"content-type", b"text/event-stream; charset=utf-8")]


class _Stream:
    """Server-sent events as an ASGI app: ends when the reader leaves, or when there is nothing more to send."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        last_id = dict(scope["headers"]).get(b"last-event-id", b"").decode("latin-1")
        await send({"type": "http.response.start", "status": 200, "headers": EVENT_HEADERS})
        if scope["method"] == "HEAD":
            await send({"type": "http.response.body", "body": b""})
            return
        events = self._hub.events(scope["path_params"].get("key", ""), last_id)
        telling, leaving = asyncio.ensure_future(_tell(events, send)), asyncio.ensure_future(_left(receive))
        try:
            await asyncio.wait({telling, leaving}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (telling, leaving):
                task.cancel()
            await asyncio.wait({telling, leaving})
            await events.aclose()
        if not telling.cancelled():
            telling.result()


async def _tell(events: AsyncIterable[str], send: Send) -> None:
    async for event in events:
        await send({"type": "http.response.body", "body": event.encode(), "more_body": True})
    await send({"type": "http.response.body", "body": b""})


async def _left(receive: Receive) -> None:
    """Wait until the reader has gone."""
    while (await receive())["type"] != "http.disconnect":
        pass


def site(hub: Hub, names: frozenset[str], token: str | None) -> App:
    """Return the whole site behind its access control."""
    content = {name: files("stager.page").joinpath("assets", name).read_bytes() for name in ASSETS}

    def served(name: str, path: str) -> Route:
        async def answer(_request: Request) -> Response:
            return Response(content[name], headers={"content-type": ASSETS[name]})

        return Route(path, answer)

    async def alive(_request: Request) -> Response:
        return PlainTextResponse("here\n")

    stream = _Stream(hub)
    pages = [served("page.html", "/"), served("page.html", "/song/{key:str}")]
    parts = [served(name, f"/{name}") for name in ("page.css", "page.js", "icon.svg")]
    streams = [Route("/events", stream), Route("/events/{key:str}", stream)]
    made = Starlette(routes=[*pages, *parts, *streams, Route("/alive", alive)])
    made.router.redirect_slashes = False
    return Access(made, names, token)
