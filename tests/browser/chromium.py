"""Debian's Chromium, driven by Playwright: no network of its own, and a page that notes whatever it should not do."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM: Final = Path("/usr/bin/chromium")
FLAGS: Final = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
DESKTOP: Final = (1280, 900)
PHONE: Final = (390, 844)


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start the browser; it is gone at the end."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Seen:
    """A page that was opened, and what it did that a page of a file should not: it asks, complains, opens dialogs."""

    page: Page
    faults: list[str] = field(default_factory=list)


@contextmanager
def opened(browser: Browser, url: str, size: tuple[int, int] = DESKTOP, **options: Any) -> Iterator[Seen]:
    """Open a page in a window of this size; `options` are the context's, such as `color_scheme`."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, **options)
    seen = Seen(context.new_page())
    page, begin = seen.page, url.partition(":")[0] + ":"
    page.on("console", lambda message: seen.faults.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: seen.faults.append(f"error: {error}"))
    page.on("request", lambda asked: asked.url.startswith(begin) or seen.faults.append(f"asked for {asked.url}"))
    page.on("dialog", lambda dialog: (seen.faults.append(f"dialog: {dialog.message}"), dialog.dismiss()))
    try:
        page.goto(url)
        yield seen
    finally:
        context.close()


def violations(page: Page) -> list[str]:
    """Return what axe-core finds against WCAG 2.2 A and AA, and its best practices, one line each."""
    found = Axe().run(page).response["violations"]
    return [
        f"{each['id']}: {node['target']} {node.get('failureSummary', '')}" for each in found for node in each["nodes"]
    ]
