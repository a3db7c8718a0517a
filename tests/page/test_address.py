"""Where the page is served, and what is printed of it."""

import re
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from stager.errors import ConfigError
from stager.page.address import PageOptions, Place, place_for


@contextmanager
def placed(host: str | None = None, port: int | None = 0, token: str | None = None) -> Iterator[Place]:
    made = place_for(PageOptions(host, port, token))
    try:
        yield made
    finally:
        made.listening.close()


def test_this_machine_alone_is_the_default() -> None:
    """Without a host the page is served on the loopback address, and needs no token."""
    with placed() as place:
        assert (place.is_local, place.token) == (True, None)
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", place.address)
        assert "localhost" in place.names


def test_the_network_never_goes_without_a_token() -> None:
    """Served to the network, a token of 128 bits or more is made, another each time."""
    tokens = set()
    for _ in range(5):
        with placed("0.0.0.0") as place:  # noqa: S104 - that it asks for a token is what is tested
            tokens.add(place.token)
            assert place.address.endswith(f"/?token={place.token}")
            assert "0.0.0.0" not in place.address  # noqa: S104
            assert "localhost" not in place.names
    assert len(tokens) == 5
    assert all(token and len(token) >= 128 / 6 for token in tokens)


def test_a_token_of_ones_own() -> None:
    """A token that is given is asked for on this machine too."""
    with placed(token="twelve-letters") as place:  # noqa: S106 - of this test alone
        assert place.token == "twelve-letters"  # noqa: S105


@pytest.mark.parametrize("token", ["", "short", "eleven-long", "with a space in it", "with&sign-in-it", "x" * 101])
def test_a_token_that_is_none_is_refused(token: str) -> None:
    """Too short to be one, or with signs that an address would have to write otherwise."""
    with pytest.raises(ConfigError, match="expected 12 to 100 letters"):
        place_for(PageOptions(token=token))


def test_a_port_is_taken_once() -> None:
    """A port that was named and is taken is an error; one that nobody named gives way."""
    with placed() as first:
        port = first.listening.getsockname()[1]
        with pytest.raises(ConfigError, match=f"expected to serve at 127.0.0.1, port {port}"):
            place_for(PageOptions(port=port))
    with placed(port=None) as one, placed(port=None) as other:
        assert one.address != other.address


@pytest.mark.parametrize("host", ["192.0.2.1", "no.such.host.invalid", "a" * 300])
def test_a_host_that_is_not_ours(host: str) -> None:
    """An address of another machine, or no name at all, is a sentence."""
    with pytest.raises(ConfigError, match="expected to serve at"):
        place_for(PageOptions(host))
