"""The recording-room page in a real browser: what people see of it, and that it asks nobody else for anything."""

import json
import re
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.command import HUNG_S, Command
from tests.support.page_client import Server
from tests.support.signals import sine
from tests.support.song import Song
from tests.support.wavefile import PCM_16

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM: Final = Path("/usr/bin/chromium")
FLAGS: Final = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
AXE: Final = "axe_playwright_python"
HUNG_MS: Final = 20_000
TOML: Final = '[project]\nname = "Salt Road"\nsettle_s = 0.4\ntakes = "audio"\n'
HOSTILE: Final = "<img src=x onerror=alert(1)>.wav"
LOOKERS: Final = 10
BROWSERS: Final = 3
"""How many of those who look are browsers with a profile of their own; the others are plain streams."""
MINUS: Final = "\N{MINUS SIGN}"

pytestmark = [pytest.mark.long, pytest.mark.skipif(not CHROMIUM.exists(), reason=f"no browser at {CHROMIUM}")]


class Watch:
    """A watch with its page on one port; it can be stopped and started again."""

    def __init__(self, stager: Command, folder: Path) -> None:
        self.song, self.log, self.stack = Song.made(stager, folder / "song", TOML), folder / "log", ExitStack()
        (self.song.folder / "audio").mkdir()
        self.port = 0
        self.start()

    def start(self) -> None:
        """Start it, on the port it had before."""
        self.log.write_bytes(b"")
        options = ("--page", "--page-port", str(self.port))
        started = self.song.stager.started("watch", self.song.folder, *options, log=self.log)
        self.process: subprocess.Popen = self.stack.enter_context(started)
        self.wait(lambda: "watching" in self.log.read_text("utf-8"))
        server = Server.printed(self.log)
        assert server is not None
        self.port = server.port

    def stop(self) -> None:
        """Stop it, as its console does."""
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(HUNG_S) == 0

    def wait(self, what: Callable[[], Any]) -> None:
        """Wait until something is so."""
        deadline = time.monotonic() + HUNG_S
        while not what():
            assert self.process.poll() is None, "the command ended too early"
            assert time.monotonic() < deadline, "hung"
            time.sleep(0.02)

    @property
    def address(self) -> str:
        """Where the page is."""
        return f"http://127.0.0.1:{self.port}/"

    def record(self, name: str, samples: np.ndarray) -> float:
        """Put a whole take into the folder of takes; gives when it was there."""
        wavefile.write(self.song.folder / "audio" / name, samples, kind=PCM_16)
        return time.monotonic()


def clipped() -> np.ndarray:
    """A tone 6 dB over full scale, cut there: clipped by arithmetic."""
    return np.clip(2.0 * sine(220, 0.0, 2.0), -1.0, 1.0)


def good() -> np.ndarray:
    """A tone whose level a good take has: a sine's average is its peak (AES17)."""
    return sine(220, -17.0, 2.0)


@pytest.fixture(scope="module")
def watch(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Watch]:
    """Return a watch with its page."""
    made = Watch(stager, tmp_path_factory.mktemp("room"))
    with made.stack:
        yield made
        assert "Traceback" not in made.log.read_text("utf-8")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Return Debian's Chromium."""
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def look(browser: Any, watch: Watch) -> Iterator[Callable[..., Any]]:
    """Return a way to open the page; whatever its console said, or it asked of others, fails the test.

    With `may_lose` the browser itself may say that it can't reach a watch which was stopped: no fault of the page's.
    """
    complaints: list[str] = []
    pages = []

    def opened(before: Callable[[Any], None] = lambda _page: None, *, may_lose: bool = False, **options: Any) -> Any:
        context = browser.new_context(**{"viewport": {"width": 1024, "height": 768}, **options})
        page = context.new_page()
        page.set_default_timeout(HUNG_MS)
        page.on(
            "console",
            lambda message: None if may_lose and "net::ERR_" in message.text else complaints.append(message.text),
        )
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("dialog", lambda dialog: complaints.append(f"dialog: {dialog.message}"))
        page.on(
            "request", lambda request: None if request.url.startswith(watch.address) else complaints.append(request.url)
        )
        before(page)
        page.goto(watch.address)
        pages.append(context)
        return page

    yield opened
    for context in pages:
        context.close()
    assert complaints == []


def shows(page: Any, selector: str, text: str) -> None:
    """Wait until an element holds this text."""
    page.locator(selector, has_text=re.compile(rf"^\s*{re.escape(text)}\s*$")).first.wait_for()


def takes(watch: Watch, page: Any, *names: str) -> None:
    """Record good takes, one after the other, and wait until each is on the page."""
    for name in names:
        watch.record(name, good())
        shows(page, "#newest .named bdi", name)


def test_a_take_appears_on_ten_pages(
    watch: Watch, look: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    """A clipped take is on the open pages among ten who look: the word, the signed dB, the place to listen."""
    pages = [look() for _ in range(BROWSERS)]
    for page in pages:
        shows(page, "#empty", "Nothing yet. Record a take, and it appears here.")
    with ExitStack() as stack:
        server = Server(watch.port, None)
        streams = [stack.enter_context(server.looking()) for _ in range(LOOKERS - BROWSERS)]
        complete_s = watch.record("voice 01.wav", clipped())
        shows(pages[0], "#newest .named bdi", "voice 01.wav")
        first_s = time.monotonic() - complete_s
        assert {stream.until("voice 01.wav")["newest"]["mark"] for stream in streams} == {"play_again"}
        for page in pages:
            shows(page, "#newest .word", "Play again")
        all_s = time.monotonic() - complete_s
    assert re.fullmatch(rf"{MINUS}\d+ dB", pages[0].locator("#newest .change .figure").inner_text())
    assert re.fullmatch(r"0:0\d\.\d", pages[0].locator("#newest .place .figure").inner_text())
    assert "Clipped" in pages[0].locator("#newest .says").inner_text()
    with capsys.disabled():
        print(f"\na take is on the page {first_s:.2f} s after it is complete, on ten after {all_s:.2f} s (bound 1.5 s)")


def test_the_word_is_read_at_three_metres(watch: Watch, look: Callable[..., Any]) -> None:
    """On a tablet of 132 px an inch the word's capitals are 15 mm high, a two-hundredth of three metres, or more."""
    watch.record("voice 02.wav", clipped())
    page = look()
    shows(page, "#newest .named bdi", "voice 02.wav")
    shows(page, "#newest .word", "Play again")
    size_px = float(
        page.locator("#newest .word").evaluate("word => getComputedStyle(word).fontSize").removesuffix("px")
    )
    capital_mm = 0.7 * size_px / 132 * 25.4
    assert capital_mm >= 15.0
    assert page.evaluate("document.documentElement.scrollWidth") <= 1024


def test_a_hostile_name_is_a_name(watch: Watch, look: Callable[..., Any]) -> None:
    """A take named as markup stands there as text, and nothing of it becomes an element."""
    page = look()
    watch.record(HOSTILE, good())
    shows(page, "#newest .named bdi", HOSTILE)
    shows(page, "#newest .word", "Usable")
    assert page.locator("img").count() == 0
    watch.record("a\nb <b>c</b> \N{RIGHT-TO-LEFT OVERRIDE}x.wav", good())
    page.locator("#newest .named bdi", has_text="<b>c</b>").wait_for()
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in page.locator("#newest .named bdi").inner_text()
    assert page.locator("b").count() == 0


def test_takes_before_open_by_key(watch: Watch, look: Callable[..., Any]) -> None:
    """What was recorded before is listed; Tab and Enter open what was said of it."""
    page = look()
    watch.record("voice 03.wav", clipped())
    shows(page, "#newest .named bdi", "voice 03.wav")
    takes(watch, page, "voice 04.wav")
    row = page.locator("#takes details", has_text="voice 03.wav")
    row.wait_for()
    assert not row.locator(".says").is_visible()
    for _ in range(20):
        page.keyboard.press("Tab")
        if row.locator("summary").evaluate("row => row === document.activeElement"):
            break
    page.keyboard.press("Enter")
    assert "Clipped" in row.locator(".says").inner_text()


def test_a_louder_copy_brings_the_caution(watch: Watch, look: Callable[..., Any]) -> None:
    """A stem that is raised by more than 6 dB is listed with its trim, and the caution stands above."""
    page = look()
    takes(watch, page, "voice 05.wav")
    page.evaluate("document.querySelector('#newest .word').dataset.stood = 'before'")
    watch.song.put("drone.wav", sine(110, -30.05, 1.0))
    page.locator("#stems li", has_text="drone.wav").wait_for()
    assert page.locator("#newest .word[data-stood=before]").count() == 1, "what did not change was read aloud anew"
    shows(page, "#stems .figure", "+12.0 dB")  # from -30.05 to the target of -18, rounded down
    assert "Turn monitors and headphones down" in page.locator("#caution").inner_text()


@pytest.mark.parametrize("colours", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(1024, 768), (390, 844)], ids=["tablet", "phone"])
def test_contrast_names_and_roles(
    watch: Watch, look: Callable[..., Any], colours: str, width: int, height: int
) -> None:
    """axe-core finds nothing against WCAG A and AA, with everything opened, and nothing is wider than the screen."""
    axe = pytest.importorskip(f"{AXE}.sync_playwright", reason="axe-core is not installed")
    page = look(color_scheme=colours, viewport={"width": width, "height": height}, reduced_motion="reduce")
    takes(watch, page, f"{colours} {width}.wav", f"{colours} {width} again.wav")
    page.locator("#takes details").first.wait_for()
    page.evaluate("document.querySelectorAll('details').forEach(row => row.open = true)")
    rules = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}
    found = axe.Axe().run(page, options=rules).response["violations"]
    assert [(rule["id"], [node["html"] for node in rule["nodes"]]) for rule in found] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_hidden_page_asks_for_nothing(watch: Watch, look: Callable[..., Any]) -> None:
    """A page that nobody sees closes its stream; seen again, it shows what came meanwhile."""
    page = look()
    takes(watch, page, "voice 06.wav")
    _hide(page, hidden=True)
    watch.record("voice 07.wav", good())
    watch.wait(lambda: "take voice 07.wav" in watch.log.read_text("utf-8"))
    assert page.locator("#newest .named bdi").inner_text() != "voice 07.wav"
    _hide(page, hidden=False)
    shows(page, "#newest .named bdi", "voice 07.wav")


def _hide(page: Any, *, hidden: bool) -> None:
    page.evaluate(
        "is => { Object.defineProperty(document, 'hidden', { configurable: true, get: () => is });"
        "document.dispatchEvent(new Event('visibilitychange')); }",
        hidden,
    )


def test_the_server_restarts_under_an_open_page(watch: Watch, look: Callable[..., Any]) -> None:
    """Without the watch the page says so in plain words; with a new one at the same place it goes on by itself."""
    page = look(may_lose=True)
    shows(page, "#doing", "watching")
    assert page.locator("#warning").is_hidden()
    watch.stop()
    page.locator("#warning", has_text="No connection to the watch.").wait_for()
    shows(page, "#doing", "no connection")
    watch.start()
    page.locator("#warning").wait_for(state="hidden")
    watch.record("voice 09.wav", good())
    shows(page, "#newest .named bdi", "voice 09.wav")


def test_a_watch_without_sign_of_life_is_called_out(watch: Watch, look: Callable[..., Any]) -> None:
    """A last sign of life that is years old brings a plain warning, though the connection stands."""
    page, deadline = look(), time.monotonic() + HUNG_S
    shows(page, "#doing", "watching")
    place = watch.song.folder / ".stager" / "watch.json"
    while "gives no sign of life" not in page.locator("#warning").inner_text():
        assert time.monotonic() < deadline, "hung"
        left = json.loads(place.read_text("utf-8"))
        place.write_text(json.dumps({**left, "at": "2020-01-01T00:00:00.000+00:00", "renewed": ""}), "utf-8")
        page.reload()
        page.locator("#seen", has_text="ago").wait_for()


def test_a_connection_that_died_unseen_is_found_out(watch: Watch, look: Callable[..., Any]) -> None:
    """After a sleep, or from a computer that answers nothing, the page says so, and comes back by itself."""
    page = look(before=lambda page: page.clock.install(), may_lose=True)
    shows(page, "#doing", "watching")
    watch.process.send_signal(signal.SIGSTOP)
    try:
        page.clock.fast_forward(60_000)
        page.locator("#warning", has_text="No connection to the watch.").wait_for()
    finally:
        watch.process.send_signal(signal.SIGCONT)
    page.locator("#warning").wait_for(state="hidden")
    shows(page, "#doing", "watching")
