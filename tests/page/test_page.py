"""The page as the watch uses it."""

import json
import socket
from pathlib import Path

import pytest

from stager.errors import ConfigError
from stager.page import Page, PageOptions
from tests.page.rooms import leave, take
from tests.support.records import project


def test_a_stirred_page_tells(tmp_path: Path) -> None:
    """What a watch writes and stirs is told to one who looks; after the end nothing is raised."""
    song, said = project(tmp_path / "song"), list[str]()
    page = Page([song], PageOptions(port=0), said.append)
    page.start()
    try:
        port = int(page.address.rpartition(":")[2].strip("/"))
        with socket.create_connection(("127.0.0.1", port), 60.0) as connection:
            connection.sendall(f"GET /events HTTP/1.1\r\nHost: localhost:{port}\r\n\r\n".encode())
            stream = connection.makefile("rb")
            assert _newest(stream) is None
            leave(song, take("voice.wav"))
            page.stir(song)
            assert _newest(stream) == "voice.wav"
    finally:
        page.stop()
    page.stir(song)
    assert said == []


def _newest(stream: object) -> str | None:
    """Return the name of the newest in the next state."""
    for line in stream:  # type: ignore[attr-defined]
        if line.startswith(b"data: ") and (state := json.loads(line[6:])).get("kind") == "song":
            return state["newest"] and state["newest"]["name"]
    raise AssertionError("the stream has ended")


def test_an_address_that_is_not_ours_is_an_error_at_once(tmp_path: Path) -> None:
    """What can't be served is told before the watch begins."""
    with pytest.raises(ConfigError, match="expected to serve"):
        Page([project(tmp_path / "song")], PageOptions(host="192.0.2.1"), print)
