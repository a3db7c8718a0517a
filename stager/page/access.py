"""Access control: the host names that are accepted, the token, two methods; and the headers of every answer.

A page of another site may send its visitor's browser here (DNS rebinding): the Host header must name this machine.
"""

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from hashlib import sha256
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import parse_qsl

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

METHODS: Final = ("GET", "HEAD")
TOKEN_FIELD: Final = "token"  # noqa: S105 - the name of the field
LONGEST_PATH: Final = 200
KEPT_S: Final = 30 * 24 * 3600
"""How long a browser keeps the proof that it had the token: a month, so that a tablet needs it once (own choice)."""
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS: Final = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cache-control", b"no-store"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"connection", b"close"),  # a browser's spare connections would take the places of others
)


class Access:
    """An ASGI app in front of another: refuses a request, or passes it on and adds the headers.

    `names` are host names that count beside the address a connection came in at; without `token` none is needed.
    """

    def __init__(self, app: App, names: frozenset[str], token: str | None) -> None:
        self._app, self._names, self._token = app, names, token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal:
            await _refuse(send, *refusal)
            return
        extra = [*HEADERS, *self._kept(scope)]

        async def passed_on(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message["headers"], *extra]}
            await send(message)

        await self._app(scope, receive, passed_on)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[HTTPStatus, str] | None:
        """Return why a request is refused, or None."""
        if scope["method"] not in METHODS:
            return HTTPStatus.METHOD_NOT_ALLOWED, "This page is for looking only."
        if headers.get("host", "").lower() not in self._hosts(scope):
            return HTTPStatus.MISDIRECTED_REQUEST, "This page is not known by that name."
        if headers.get("sec-fetch-site") == "cross-site" and headers.get("sec-fetch-mode") != "navigate":
            return HTTPStatus.FORBIDDEN, "Another site may not ask here."
        if not self._is_let_in(scope, headers):
            return HTTPStatus.FORBIDDEN, "Open the address that stager watch printed, with its token, or scan its code."
        if len(scope["raw_path"]) > LONGEST_PATH:
            return HTTPStatus.NOT_FOUND, "There is no such page."
        return None

    def _hosts(self, scope: Scope) -> set[str]:
        """Return every Host header that means us: our names, and the address that this connection came in at."""
        address, port = scope["server"]
        hosts = {bracketed(name) for name in (*self._names, address.removeprefix("::ffff:").lower())}
        return {f"{host}:{port}" for host in hosts} | (hosts if port == 80 else set())

    def _is_let_in(self, scope: Scope, headers: dict[str, str]) -> bool:
        if self._token is None:
            return True
        cookies = (cookie.strip().partition("=") for cookie in headers.get("cookie", "").split(";"))
        kept = [value for name, _, value in cookies if name == self._cookie_name(scope)]
        return _is_one_of(self._token, _given(scope)) or _is_one_of(proof_of(self._token), kept)

    def _kept(self, scope: Scope) -> list[tuple[bytes, bytes]]:
        """Return the cookie for a request that has the token; scripts can't read it, other sites can't send it."""
        if self._token is None or not _is_one_of(self._token, _given(scope)):
            return []
        cookie = f"{self._cookie_name(scope)}={proof_of(self._token)}; Path=/; HttpOnly; SameSite=Strict"
        return [(b"set-cookie", f"{cookie}; Max-Age={KEPT_S}".encode())]

    def _cookie_name(self, scope: Scope) -> str:
        """Browsers share cookies between the ports of a machine."""
        return f"stager_page_{scope['server'][1]}"


def proof_of(token: str) -> str:
    """Return what a browser keeps in place of the token; the token can't be derived from it."""
    return hmac.new(token.encode(), b"recording room", sha256).hexdigest()


def bracketed(host: str) -> str:
    """Return a host as it is written in an address: IPv6 in brackets."""
    return f"[{host}]" if ":" in host else host


def _given(scope: Scope) -> list[str]:
    query = scope["query_string"].decode("latin-1")
    return [value for name, value in parse_qsl(query[: 2 * LONGEST_PATH]) if name == TOKEN_FIELD]


def _is_one_of(secret: str, given: list[str]) -> bool:
    """Compare in constant time."""
    return any(hmac.compare_digest(secret.encode(), value.encode()) for value in given)


async def _refuse(send: Send, status: HTTPStatus, says: str) -> None:
    body = f"{says}\n".encode()
    headers = [*HEADERS, (b"content-type", b"text/plain; charset=utf-8"), (b"content-length", b"%d" % len(body))]
    if status is HTTPStatus.METHOD_NOT_ALLOWED:
        headers.append((b"allow", ", ".join(METHODS).encode()))
    await send({"type": "http.response.start", "status": int(status), "headers": headers})
    await send({"type": "http.response.body", "body": body})
