"""Where the page is served: the address that is bound, the host names that are accepted, what is printed."""

import re
import socket
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from ipaddress import ip_address
from secrets import token_urlsafe
from typing import Final

from stager.errors import ConfigError
from stager.page.access import TOKEN_FIELD, bracketed

LOOPBACK: Final = "127.0.0.1"
USUAL_PORT: Final = 8537
"""The default port; where another program uses it, the system chooses one (own choice, of no registered service)."""
TOKEN_BYTES: Final = 16
TOKEN: Final = re.compile(r"[A-Za-z0-9._~-]{12,100}")
SOMEWHERE: Final = {socket.AF_INET: "192.0.2.1", socket.AF_INET6: "2001:db8::1"}
"""Addresses for documentation (RFC 5737, RFC 3849): the route to them shows this machine's own address."""


@dataclass(frozen=True)
class PageOptions:
    """What the command line says about the page; None is the default of each."""

    host: str | None = None
    port: int | None = None
    token: str | None = None


@dataclass(frozen=True)
class Place:
    """A listening socket, the names it is known by, and the token, if one is needed."""

    listening: socket.socket
    names: frozenset[str]
    token: str | None
    is_local: bool

    @property
    def address(self) -> str:
        """What a person opens, with the token."""
        host, port = self.listening.getsockname()[:2]
        if ip_address(host).is_unspecified:
            host = _own_address(self.listening.family)
        token = f"?{TOKEN_FIELD}={self.token}" if self.token else ""
        return f"http://{bracketed(host)}:{port}/{token}"


def place_for(options: PageOptions) -> Place:
    """Bind the address that the options name; one that others can reach always has a token.

    Raises:
        ConfigError: where the token is too short or the address can't be had.
    """
    if options.token is not None and not TOKEN.fullmatch(options.token):
        raise ConfigError("--page-token: expected 12 to 100 letters, digits and . _ ~ -, found another text")
    listening = _bound(options.host or LOOPBACK, options.port)
    is_local = ip_address(listening.getsockname()[0]).is_loopback
    token = options.token or (None if is_local else token_urlsafe(TOKEN_BYTES))
    return Place(listening, frozenset(_names(options.host, is_local=is_local)), token, is_local)


def _bound(host: str, port: int | None) -> socket.socket:
    """Bind this port; where none is named the default, or any that is free."""
    try:
        if port is not None:
            return _bind(host, port)
        with suppress(OSError):
            return _bind(host, USUAL_PORT)
        return _bind(host, 0)
    except (OSError, UnicodeError) as error:
        where = f"{host}, port {port}" if port is not None else host
        reason = error.strerror if isinstance(error, OSError) else "no name of a machine"
        raise ConfigError(f"the page: expected to serve at {where}, found: {reason}") from error


def _bind(host: str, port: int) -> socket.socket:
    family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    made = socket.socket(family, kind, protocol)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(address)
        made.listen(1)  # bound alone, another process could bind it too
    except BaseException:
        made.close()
        raise
    return made


def _names(host: str | None, *, is_local: bool) -> Iterator[str]:
    """Yield the host names that a browser on this machine, or in its network, may use."""
    if is_local:
        yield from ("localhost", LOOPBACK, "::1")
        return
    with suppress(ValueError):
        if host is None or ip_address(host):
            host = None
    own = socket.gethostname().lower()
    yield from {own, f"{own.partition('.')[0]}.local", *([host.lower()] if host else [])}


def _own_address(family: socket.AddressFamily) -> str:
    """Return this machine's address in its network; nothing is sent. The machine's name where it has no network."""
    with closing(socket.socket(family, socket.SOCK_DGRAM)) as asked:
        try:
            asked.connect((SOMEWHERE[family], 9))
            return str(asked.getsockname()[0])
        except OSError:
            return socket.gethostname()
