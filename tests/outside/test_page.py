"""The page of a watch under attack, by plain sockets: refused or bounded, while the watch goes on."""

import re
import resource
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
import zxingcpp

from tests.support import wavefile
from tests.support.command import HUNG_S, Command
from tests.support.page_client import Answer, Server
from tests.support.signals import sine
from tests.support.song import Song
from tests.support.wavefile import PCM_16

pytestmark = pytest.mark.long

TOML: Final = '[project]\nname = "Salt Road"\nsettle_s = 0.4\ntakes = "audio"\n'
TOKEN: Final = "a-token-of-our-own"  # noqa: S105 - for a page of this test alone
CROWD: Final = 1000
MOST_OPEN: Final = 160
"""Sockets that the watch may hold at once: 80 connections, its own few, and those being taken or closed, 16 a turn."""
A_CROWD: Final = 60


@dataclass(frozen=True)
class Watched:
    """A watch with its page."""

    song: Song
    process: subprocess.Popen
    log: Path
    server: Server

    def record(self, name: str, level_dbfs: float = -12.0) -> float:
        """Put a whole take into the folder of takes; gives when it was there."""
        wavefile.write(self.song.folder / "audio" / name, sine(220, level_dbfs, 1.0), kind=PCM_16)
        return time.monotonic()

    def wait(self, what: Callable[[], Any]) -> None:
        """Wait until something is so, while the watch lives."""
        _wait(what, self.process)

    def open_sockets(self) -> int:
        """How many sockets the watch holds."""
        descriptors = Path(f"/proc/{self.process.pid}/fd")
        links = [_link(entry) for entry in descriptors.iterdir()]
        return sum(link.startswith("socket:") for link in links)


def _link(entry: Path) -> str:
    try:
        return str(entry.readlink())
    except OSError:
        return ""


def _wait(what: Callable[[], Any], process: subprocess.Popen) -> None:
    deadline = time.monotonic() + HUNG_S
    while not what():
        assert process.poll() is None, "the command ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.02)


def _begin(stack: ExitStack, stager: Command, folder: Path, *options: str) -> Watched:
    """Start a watch with its page, and wait until both are there."""
    song, log = Song.made(stager, folder / "song", TOML), folder / "log"
    (song.folder / "audio").mkdir()
    process = stack.enter_context(stager.started("watch", song.folder, *options, log=log))
    _wait(lambda: "watching" in log.read_text("utf-8"), process)
    server = Server.printed(log)
    assert server is not None
    return Watched(song, process, log, server)


@pytest.fixture(scope="module")
def guarded(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Watched]:
    """Yield a watch whose page asks for a token of ours; it must still live, without an error, at the end."""
    with ExitStack() as stack:
        watched = _begin(
            stack, stager, tmp_path_factory.mktemp("guarded"), "--page", "--page-port", "0", "--page-token", TOKEN
        )
        yield watched
        assert watched.process.poll() is None
        watched.process.send_signal(signal.SIGTERM)
        assert watched.process.wait(HUNG_S) == 0
        assert not re.search("Traceback|had an error|has ended", watched.log.read_text("utf-8"))


@pytest.fixture(scope="module")
def cookie(guarded: Watched) -> str:
    """Return the cookie that the token is exchanged for."""
    return guarded.server.ask(f"/?token={TOKEN}").headers["set-cookie"].partition(";")[0]


def _is_bare(answer: Answer) -> bool:
    """Whether an answer holds nothing of the page, the song or the project."""
    return not re.search(rb"Salt Road|<html|version = 1|event:|root:", answer.body)


def test_the_token_opens_and_a_cookie_keeps_open(guarded: Watched) -> None:
    """The token in the address gives the page and a cookie that no script reads and no other site sends."""
    answer = guarded.server.ask(f"/?token={TOKEN}")
    kept, *rest = answer.headers["set-cookie"].split("; ")
    assert (answer.status, {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(rest)) == (200, True)
    assert TOKEN not in kept
    assert guarded.server.ask("/", Cookie=kept).status == 200
    assert guarded.server.ask("/alive", Cookie=f"other=1; {kept}").status == 200


@pytest.mark.parametrize("target", ["/", "/events", "/page.js", "/page.css", "/alive", "/song/000000000000", "/none"])
@pytest.mark.parametrize(
    "given",
    ["", "?token=", "?token=wrong", f"?token={TOKEN[:-1]}", f"?token={TOKEN}x", f"?TOKEN={TOKEN}", "?token=%ff%00"],
)
def test_nothing_without_the_token(guarded: Watched, target: str, given: str) -> None:
    """Without the very token every address answers 403, with nothing in it and no cookie."""
    answer = guarded.server.ask(target + given)
    assert (answer.status, _is_bare(answer), "set-cookie" in answer.headers) == (403, True, False)


def test_no_cookie_is_made_up(guarded: Watched, cookie: str) -> None:
    """The token as a cookie, a cookie cut short, and one of another name are all refused."""
    name, _, value = cookie.partition("=")
    for wrong in (f"{name}={TOKEN}", f"{name}={value[:-1]}", f"{name}=", f"x{name}={value}", f"{name}=\xff"):
        assert guarded.server.ask("/", Cookie=wrong).status == 403


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "", None, "10.0.0.1:{port}"]
)
def test_a_forged_host_is_turned_away(guarded: Watched, cookie: str, host: str | None) -> None:
    """A name that is not this machine's, as in DNS rebinding, is refused even with the cookie."""
    named = host.format(port=guarded.server.port) if host else host
    answer = guarded.server.ask("/events", Host=named, Cookie=cookie)
    assert (answer.status in {400, 421}, _is_bare(answer)) == (True, True)


@pytest.mark.parametrize("host", ["localhost:{port}", "LOCALHOST:{port}", "127.0.0.1:{port}"])
def test_this_machine_is_known_by_its_names(guarded: Watched, cookie: str, host: str) -> None:
    """The loopback address and its usual name are answered."""
    assert guarded.server.ask("/", Host=host.format(port=guarded.server.port), Cookie=cookie).status == 200


@pytest.mark.parametrize(
    "target",
    [
        "/../stager.toml",
        "/%2e%2e/stager.toml",
        "/page.js/../../stager.toml",
        "/..%2f..%2fstager.toml",
        "/assets/page.html",
        "//etc/passwd",
        "/etc/passwd%00.css",
        "/song/../../stager.toml",
        "/song/..%2f..%2f..%2fstager.toml",
        "/page.html",
        "/PAGE.JS",
        "/page.css/",
        "/" + "a" * 5000,
        "http://evil.example/none",
    ],
)
def test_no_path_reaches_the_disk(guarded: Watched, cookie: str, target: str) -> None:
    """Only the names that are served are served, however a path is written."""
    answer = guarded.server.ask(target, Cookie=cookie)
    assert (answer.status in {400, 404}, _is_bare(answer)) == (True, True)


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND", "get"])
def test_the_page_is_for_looking_only(guarded: Watched, cookie: str, method: str) -> None:
    """Every method but GET and HEAD is refused."""
    for target in ("/", "/events", "/page.js"):
        answer = guarded.server.ask(target, method, Cookie=cookie, Content_Length="0")
        assert (answer.status, answer.headers["allow"]) == (405, "GET, HEAD")


def test_another_site_gets_nothing(guarded: Watched, cookie: str) -> None:
    """A request that a page of another site makes is refused, though the browser may send it."""
    answer = guarded.server.ask("/events", Cookie=cookie, Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="no-cors")
    assert answer.status == 403


@pytest.mark.parametrize(("target", "status"), [("/", 200), ("/none", 404), ("/page.js", 200), ("/alive", 200)])
@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_every_answer_says_what_it_allows(guarded: Watched, cookie: str, method: str, target: str, status: int) -> None:
    """A strict content policy, no sniffing, no referrer, no store; HEAD has no body."""
    answer = guarded.server.ask(target, method, Cookie=cookie)
    policy = dict(part.strip().partition(" ")[::2] for part in answer.headers["content-security-policy"].split(";"))
    assert answer.status == status
    assert policy.pop("default-src") == "'none'"
    assert set(policy.values()) == {"'self'", "'none'"}
    assert policy["frame-ancestors"] == "'none'"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert (answer.headers["referrer-policy"], answer.headers["cache-control"]) == ("no-referrer", "no-store")
    assert "access-control-allow-origin" not in answer.headers
    assert bool(answer.body) == (method == "GET")


def test_ten_who_look_hear_of_a_take(guarded: Watched, cookie: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each of ten streams brings the state, and then the new take; a known state is not sent again."""
    with ExitStack() as stack:
        streams = [stack.enter_context(guarded.server.looking("/events", Cookie=cookie)) for _ in range(10)]
        assert {stream.next()["name"] for stream in streams} == {"Salt Road"}
        complete_s = guarded.record("voice 01.wav", -1.0)
        states = [stream.until("voice 01.wav") for stream in streams]
        late_s = time.monotonic() - complete_s
        last_id = streams[0].last_id
    # a sine's average is its peak (AES17): -1 down to the -18 that a good take has
    assert {state["newest"]["figure"] for state in states} == {"\N{MINUS SIGN}17 dB"}
    with guarded.server.looking("/events", Cookie=cookie, Last_Event_ID=last_id) as stream:
        assert stream.kinds(1) == ["pulse"]
    with capsys.disabled():
        print(f"\na take is told to ten who look {late_s:.2f} s after it is complete (bound 1.5 s, settle_s 0.4)")


def test_a_crowd_does_not_stop_the_watch(guarded: Watched, cookie: str, capsys: pytest.CaptureFixture[str]) -> None:
    """1,000 connections, idle, half a request, and readers who never read: few are held, and stems are staged."""
    request = guarded.server.request("/events", Cookie=cookie)
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 2 * CROWD)), hard))
    with ExitStack() as stack:
        crowd = [stack.enter_context(guarded.server.begin(receive_bytes=2048)) for _ in range(CROWD)]
        most = 0

        def pressed() -> int:
            """Press on, and give how many are held at most until now."""
            nonlocal most
            for number, connection in enumerate(crowd):
                with suppress(OSError):  # not taken yet, or closed by the other side: that is the bound
                    connection.send((b"", request[:40], request)[number % 3])
            most = max(most, guarded.open_sockets())
            return most

        guarded.wait(lambda: pressed() > A_CROWD)
        guarded.song.put("drone.wav", sine(110, -30.0, 1.0))
        guarded.record("voice 02.wav")
        for said in ("staged drone.wav", "take voice 02.wav"):
            guarded.wait(lambda said=said: pressed() and said in guarded.log.read_text("utf-8"))
    assert most <= MOST_OPEN
    guarded.wait(lambda: _answers(guarded.server, cookie))
    with capsys.disabled():
        print(f"\nof {CROWD} connections the watch held {most} sockets at most")


def _answers(server: Server, cookie: str) -> bool:
    try:
        return server.ask("/alive", Cookie=cookie).status == 200
    except (OSError, IndexError):
        return False


def test_a_request_that_does_not_arrive_is_given_up(guarded: Watched) -> None:
    """Nothing at all, half a head, and a head that comes byte by byte are closed by the page, not by us."""
    with guarded.server.connect() as idle, guarded.server.connect() as half, guarded.server.connect() as slow:
        half.sendall(b"GET / HTTP/1.1\r\nHost:")
        slow.settimeout(0.2)
        _drip(slow)
        for connection in (idle, half):
            assert _is_closed(connection)


def _drip(connection: Any) -> None:
    """Send a head that never ends, until the connection is closed."""
    deadline = time.monotonic() + HUNG_S
    try:
        connection.sendall(b"GET / HTTP/1.1\r\n")
        while time.monotonic() < deadline:
            connection.sendall(b"a: b\r\n")
            time.sleep(0.2)
    except OSError:
        return
    pytest.fail("hung")


def _is_closed(connection: Any) -> bool:
    try:
        return connection.recv(1) == b""
    except ConnectionError:
        return True


def test_a_head_without_end_is_refused(guarded: Watched) -> None:
    """A head of a megabyte is not kept."""
    with guarded.server.connect() as connection:
        try:
            connection.sendall(b"GET / HTTP/1.1\r\n" + b"a: " + b"b" * 1_000_000)
            answer = connection.recv(65_536)
        except ConnectionError:
            answer = b""
    assert answer == b"" or answer.startswith(b"HTTP/1.1 400")


def test_the_network_asks_for_a_token_that_is_made(stager: Command, tmp_path: Path) -> None:
    """With --page-host and no token one is made, printed in the address, and in the code that another reader reads."""
    with ExitStack() as stack:
        watched = _begin(stack, stager, tmp_path, "--page-host", "0.0.0.0", "--page-port", "0")  # noqa: S104
        printed = watched.log.read_text("utf-8")
        token = watched.server.token
        assert token is not None
        assert len(token) >= 20
        assert watched.server.ask("/").status == 403
        assert watched.server.ask(f"/?token={token}").status == 200
        address = re.search(r"http://\S+", printed)
        assert address is not None
        assert _read_code(printed) == address[0]
        with watched.server.looking(f"/events?token={token}") as stream:
            stream.next("state")
            watched.process.send_signal(signal.SIGINT)
            assert watched.process.wait(HUNG_S) == 130
        assert "Traceback" not in watched.log.read_text("utf-8")


def _read_code(printed: str) -> str:
    """Read a QR code in half blocks, light where a block is, with a reader of QR codes."""
    lines = [line for line in printed.splitlines() if line and set(line) <= set("█▀▄ ")]
    above = [[char in "█▀" for char in line] for line in lines]
    below = [[char in "█▄" for char in line] for line in lines]
    rows = [row for pair in zip(above, below, strict=True) for row in pair]
    picture = np.kron(np.array(rows), np.ones((8, 8))).astype(np.uint8) * 255
    found = zxingcpp.read_barcodes(np.pad(picture, 32, constant_values=255))
    return str(found[0].text)


def test_a_port_that_is_taken(stager: Command, tmp_path: Path) -> None:
    """Two watches without a port both have a page; a named port that is taken, and a short token, are exit 2."""
    with ExitStack() as stack:
        places = [_begin(stack, stager, tmp_path / name, "--page") for name in ("one", "two")]
        assert places[0].server.port != places[1].server.port
        for options in (("--page-port", str(places[0].server.port)), ("--page", "--page-token", "short")):
            song = Song.made(stager, tmp_path / options[0], TOML)
            (song.folder / "audio").mkdir()
            result = stager("watch", song.folder, *options)
            assert (result.code, "Traceback" in result.stderr) == (2, False)
            assert "expected" in result.stderr


def test_several_songs_are_listed(stager: Command, tmp_path: Path) -> None:
    """One process with several projects shows a list, and each song under an address of its own."""
    songs = [Song.made(stager, tmp_path / name, TOML.replace("Salt Road", name)) for name in ("one", "two")]
    for song in songs:
        (song.folder / "audio").mkdir()
    log = tmp_path / "log"
    with stager.started("watch", *(song.folder for song in songs), "--page", "--page-port", "0", log=log) as watch:
        _wait(lambda: log.read_text("utf-8").count("watching") == 2, watch)
        server = Server.printed(log)
        assert server is not None
        with server.looking() as stream:
            listed = stream.next("state")
        assert {song["name"] for song in listed["songs"]} == {"one", "two"}
        for song in listed["songs"]:
            with server.looking(f"/events/{song['key']}") as stream:
                assert stream.next("state")["name"] == song["name"]
        with server.looking("/events/000000000000") as stream:
            assert stream.next("gone") == {}


@pytest.mark.parametrize("missing", ["starlette", "uvicorn", "segno"])
def test_the_page_is_an_extra(stager: Command, tmp_path: Path, missing: str) -> None:
    """Without a package of the extra a watch runs as ever; asked for the page it is exit 2 and says what to install."""
    (tmp_path / f"{missing}.py").write_text(f"raise ModuleNotFoundError('none', name={missing!r})\n", "utf-8")
    song, without = Song.made(stager, tmp_path / "song"), {"PYTHONPATH": str(tmp_path)}
    assert stager("watch", song.folder, "--until-idle", "0", env=without).code == 0
    result = stager("watch", song.folder, "--until-idle", "0", "--page", env=without)
    assert (result.code, f"{missing}, which is not installed" in result.stderr) == (2, True)
    assert "pipx install --force '.[page]'" in result.stderr
