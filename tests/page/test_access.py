"""Who is let in, by hand-made requests; the rest is proven on the running command."""

import asyncio
from typing import Any

import pytest

from stager.page.access import Access, Message, Receive, Scope, Send, bracketed, proof_of

TOKEN = "twelve-letters-or-more"  # noqa: S105 - of this test alone


async def _inside(_scope: Scope, _receive: Receive, send: Send) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"inside"})


def ask(gate: Access, query: str = "", server: tuple[str, int] = ("192.0.2.7", 8537), **headers: str) -> list[Message]:
    """Return what is sent in answer."""
    sent: list[Message] = []

    async def send(message: Message) -> None:
        sent.append(message)

    async def receive() -> Message:
        return {"type": "http.disconnect"}

    scope: dict[str, Any] = {
        "type": "http",
        "method": "GET",
        "raw_path": b"/",
        "query_string": query.encode(),
        "server": server,
        "headers": [(name.replace("_", "-").encode(), value.encode("latin-1")) for name, value in headers.items()],
    }
    asyncio.run(gate(scope, receive, send))
    return sent


def gate(*names: str, token: str | None = None) -> Access:
    return Access(_inside, frozenset(names), token)


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("192.0.2.7:8537", 200),
        ("desk.local:8537", 200),
        ("192.0.2.7", 421),
        ("192.0.2.8:8537", 421),
        ("evil.example:8537", 421),
        ("desk.local:8537.evil.example", 421),
        ("desk.local:8537@evil.example", 421),
    ],
)
def test_only_our_own_names(host: str, status: int) -> None:
    """The address that the connection came in at and the names we were given are ours; no other is."""
    assert ask(gate("desk.local"), host=host)[0]["status"] == status


def test_an_address_of_the_newer_kind() -> None:
    """IPv6 stands in brackets, and an IPv4 caller of a socket for both is called by the plain address."""
    assert ask(gate(), server=("::1", 8537), host="[::1]:8537")[0]["status"] == 200
    assert ask(gate(), server=("::ffff:192.0.2.7", 8537), host="192.0.2.7:8537")[0]["status"] == 200
    assert (bracketed("::1"), bracketed("192.0.2.7")) == ("[::1]", "192.0.2.7")


def test_the_usual_port_is_left_out() -> None:
    """At port 80 a browser names no port (RFC 9110, 7.2)."""
    assert ask(gate(), server=("192.0.2.7", 80), host="192.0.2.7")[0]["status"] == 200


def test_a_token_among_others() -> None:
    """The token counts wherever it stands in the query; an empty one, or one that is only like it, does not."""
    asked = {query: ask(gate(token=TOKEN), query, host="192.0.2.7:8537")[0]["status"] for query in QUERIES}
    assert asked == QUERIES


QUERIES = {
    f"token={TOKEN}": 200,
    f"a=b&token={TOKEN}": 200,
    f"token=x&token={TOKEN}": 200,
    "": 403,
    "token=": 403,
    f"token={TOKEN.upper()}": 403,
    f"t={TOKEN}": 403,
    "&" * 300 + f"token={TOKEN}" * 3: 403,
}


def test_the_proof_is_not_the_token() -> None:
    """What a browser keeps opens this page and tells nothing of the token; another token's does not open it."""
    kept = {"host": "192.0.2.7:8537", "cookie": f"stager_page_8537={proof_of(TOKEN)}"}
    assert ask(gate(token=TOKEN), **kept)[0]["status"] == 200
    assert ask(gate(token=TOKEN[1:]), **kept)[0]["status"] == 403
    assert TOKEN not in proof_of(TOKEN)


def test_a_link_on_another_site_may_be_followed() -> None:
    """A person who follows a link comes in; a request that a page of another site makes by itself does not."""
    seen = {
        mode: ask(gate(), host="192.0.2.7:8537", sec_fetch_site="cross-site", sec_fetch_mode=mode)[0]["status"]
        for mode in ("navigate", "cors", "no-cors")
    }
    assert seen == {"navigate": 200, "cors": 403, "no-cors": 403}
