"""The page of a song in a real browser: harmless, reached by key, readable in light and dark, narrow and on paper."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from tests.browser.chromium import CHROMIUM, DESKTOP, PHONE, chromium, opened, violations
from tests.support.command import Command
from tests.support.signals import band_limited_noise, sine
from tests.support.song import Song

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="Debian's chromium is not installed here"),
]

RATE: Final = 48_000
EVIL: Final = (
    "<img src=x onerror=alert(1)>.wav",
    '=HYPERLINK("http:/x").wav',
    "\u0623\u063a\u0646\u064a\u0629.wav",
    "two\nlines.wav",
    "'\"><svg onload=alert(1)>.wav",
    "a name without a place to break it which is far longer than any phone is wide_" + "m" * 120 + ".wav",
)
CLIPPED: Final = "clipped_voice.wav"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Return the browser."""
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the page of a song with the worst of names, a clipped stem, a refused one, a check and takes."""
    song = Song.made(Command(), tmp_path_factory.mktemp("page") / "song")
    for number, name in enumerate(EVIL):
        song.put(name, band_limited_noise(np.random.default_rng(number), -30.0, RATE, 1 + number % 2))
    song.put(CLIPPED, clipped_voice())
    (song.inbox / "broken <b>.wav").write_bytes(b"no sound")
    song.rest("broken <b>.wav")
    song.stage()
    take = {
        "take": "voice/<i>take</i>.wav", "at": "", "source": song.sidecar(CLIPPED)["source"],
        "levels": song.sidecar(CLIPPED)["levels"], "findings": song.sidecar(CLIPPED)["findings"],
        "verdict": "play_again", "advice": {"input_change_db": -6, "says": "Turn the input down."}, "learned": None,
    }  # fmt: skip
    (song.folder / ".stager" / "takes.json").write_text(json.dumps({"takes": [take]}))
    check = song.stager("check", song.folder, "--json").json()
    check["bus"] |= {"stretch_s": 0.5, "overview": [[[-0.2, 0.3], [-0.6, 0.5]] * 2] * 2}
    (song.folder / ".stager" / "check.json").write_text(json.dumps(check))
    result = song.stager("report", song.folder)
    assert result.code == 0, result.stderr
    return song.outbox / "report.html"


def clipped_voice() -> Any:
    """Four seconds of a tone that goes 6 dB over full scale from 1 s and from 3 s on, and is cut there."""
    samples = sine(330.0, -12.0, 4.0)
    for start, seconds in ((1.0, 0.012), (3.0, 0.2)):
        loud = slice(round(start * RATE), round((start + seconds) * RATE))
        samples[loud] *= 8.0
    return np.clip(samples, -1.0, 1.0)


def places_of(page: Page) -> Any:
    """Every button with a place."""
    return page.locator("button[data-mark]")


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_opens_quietly(browser: Browser, report: Path, scheme: Any, size: tuple[int, int]) -> None:
    """No dialog, no word on the console, no request but for the page itself; the names stand there as text."""
    with opened(browser, report.as_uri(), size, color_scheme=scheme) as seen:
        seen.page.wait_for_load_state("networkidle")
        for button in places_of(seen.page).all():
            button.click()
        assert seen.faults == []
        text = seen.page.inner_text("body")
        assert seen.page.locator("img").count() == 0
        assert all(name.replace("\n", "\\n") in text for name in EVIL)


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_everybody_can_read_it(browser: Browser, report: Path, scheme: Any, size: tuple[int, int]) -> None:
    """axe-core finds nothing: contrast, names, roles, landmarks, order of headings; nor with a place pressed."""
    with opened(browser, report.as_uri(), size, color_scheme=scheme) as seen:
        assert violations(seen.page) == []
        places_of(seen.page).first.click()
        assert violations(seen.page) == []


def test_places_are_reached_by_key(browser: Browser, report: Path) -> None:
    """Tab comes by every place, Enter and Space show it: button, mark, number and a sentence that is read out."""
    with opened(browser, report.as_uri()) as seen:
        page = seen.page
        wanted = [button.get_attribute("data-mark") for button in places_of(page).all()]
        assert len(wanted) >= 2
        met: list[str] = []
        for _ in range(400):
            page.keyboard.press("Tab")
            mark = page.evaluate("document.activeElement.dataset.mark || ''")
            if mark:
                met.append(mark)
                page.keyboard.press("Enter" if len(met) % 2 else "Space")
                shown = page.locator("article:has(:focus) .mark.on").evaluate_all("all => all.map(m => m.dataset.mark)")
                assert set(shown) == {mark}
                assert page.evaluate("document.activeElement.getAttribute('aria-pressed')") == "true"
                at = page.evaluate("document.activeElement.dataset.at")
                assert page.locator("article:has(:focus) [role=status]").inner_text().startswith(f"Listen at {at} of")
            if met == wanted:
                break
        assert met == wanted


def test_a_place_is_let_go_again(browser: Browser, report: Path) -> None:
    """A second press takes the mark back."""
    with opened(browser, report.as_uri()) as seen:
        button = places_of(seen.page).first
        button.click()
        button.click()
        assert button.get_attribute("aria-pressed") == "false"
        assert seen.page.locator("article .mark.on").count() == 0
        assert seen.page.locator("article:has(button) [role=status]").first.inner_text() == ""


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_marks_stand_where_the_sound_is(browser: Browser, report: Path, size: tuple[int, int]) -> None:
    """The loud moments begin 1 s and 3 s into 4 s of sound: a quarter and three quarters along the drawn outline."""
    with opened(browser, report.as_uri(), size) as seen:
        card = seen.page.locator(f'article[data-name="{CLIPPED}"]')
        box = card.locator(".wave .outline").bounding_box()
        assert box
        lines = [found.bounding_box() for found in card.locator("line.mark").all()]
        starts = sorted((found["x"] + found["width"] / 2 - box["x"]) / box["width"] for found in lines if found)
        assert min(starts) == pytest.approx(0.25, abs=0.015)
        assert max(starts) == pytest.approx(0.76, abs=0.04)


@pytest.mark.parametrize("width", [320, 390, 768, 1280])
def test_nothing_reaches_past_the_edge(browser: Browser, report: Path, width: int) -> None:
    """At any width from 320 px on (WCAG 2.2, 1.4.10) nobody has to scroll sideways, however long a name is."""
    with opened(browser, report.as_uri(), (width, 800)) as seen:
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= width


def test_text_at_twice_the_size(browser: Browser, report: Path) -> None:
    """With text at 200 % (WCAG 2.2, 1.4.4) the page still needs no scrolling sideways."""
    with opened(browser, report.as_uri()) as seen:
        seen.page.evaluate("document.documentElement.style.setProperty('font-size', '200%')")
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= DESKTOP[0]


def test_nothing_else_may_run_on_it(browser: Browser, report: Path) -> None:
    """Should markup ever get onto the page, its own policy stops it: no script, no handler, no picture, no frame."""
    with opened(browser, report.as_uri()) as seen:
        seen.page.evaluate("""() => {
            window.ran = [];
            const script = document.createElement('script');
            script.textContent = 'window.ran.push("script")';
            document.body.append(script);
            const holder = document.createElement('div');
            holder.innerHTML = '<b onclick="window.ran.push(1)">x</b><img src="data:image/png;base64,AAAA">';
            document.body.append(holder);
            holder.firstChild.click();
        }""")
        assert seen.page.evaluate("window.ran") == []
        assert len([fault for fault in seen.faults if "Content Security Policy" in fault]) >= 3


def test_light_and_dark(browser: Browser, report: Path) -> None:
    """The page follows the system; printed it is always dark on white, and no stem is cut by a page's end."""

    def paper(page: Page) -> int:
        text = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        return sum(map(int, text.removeprefix("rgb(").removesuffix(")").split(",")))

    with opened(browser, report.as_uri(), color_scheme="light") as seen:
        assert paper(seen.page) > 3 * 230
    with opened(browser, report.as_uri(), color_scheme="dark") as seen:
        assert paper(seen.page) < 3 * 40
        seen.page.emulate_media(media="print", color_scheme="dark")
        assert paper(seen.page) == 3 * 255
        assert not seen.page.locator("nav").is_visible()
        for place in ("article", ".glance .row", "tbody tr", ".picture"):
            style = "e => [getComputedStyle(e).breakInside, getComputedStyle(e).backgroundColor]"
            assert seen.page.locator(place).first.evaluate(style) == ["avoid", "rgba(0, 0, 0, 0)"], place


def test_it_prints(browser: Browser, report: Path) -> None:
    """Printed, it is a PDF of some pages."""
    with opened(browser, report.as_uri()) as seen:
        assert seen.page.pdf(prefer_css_page_size=True).count(b"/Type /Page\n") >= 2


def test_without_script_all_is_there(browser: Browser, report: Path) -> None:
    """With script switched off, every sentence, picture and number of a place is still on the page."""
    with opened(browser, report.as_uri(), java_script_enabled=False) as seen:
        assert seen.faults == []
        buttons, marks = places_of(seen.page), seen.page.locator("article .flags text")
        assert buttons.locator("b").all_inner_texts() == marks.all_text_contents()


def test_sixty_stems_open(browser: Browser, tmp_path: Path) -> None:
    """Sixty stereo stems: the page opens without a word; how long that takes is printed, not judged."""
    song = Song.made(Command(), tmp_path / "song")
    rng = np.random.default_rng(9)
    for number in range(60):
        song.put(f"part {number:02d}.wav", band_limited_noise(rng, -24.0, 16_000, 2), 8_000)
    assert song.stage().code == 0
    assert song.stager("report", song.folder).code == 0
    with opened(browser, (song.outbox / "report.html").as_uri()) as seen:
        assert seen.page.locator("article").count() == 60
        took_ms = seen.page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
        print(f"60 stems: open after {took_ms / 1000:.2f} s")
        assert seen.faults == []
