"""A browser, a page in it, and what every page must keep to: nothing from elsewhere, no error."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, expect, sync_playwright

from browser.fake import Fake, normal

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",  # nothing else can be reached
)
ZONE = "Europe/Berlin"
WAIT_MS = 15_000.0
"""Longest wait for anything on a page: a busy machine is no failure. [ms]"""

expect.set_options(timeout=WAIT_MS)


@dataclass
class Seen:
    """What a page asked for and complained of."""

    allowed: list[str] = field(default_factory=list)
    """Patterns of complaints that a test provokes."""
    complaints: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def left(self) -> list[str]:
        """Complaints that nobody provoked."""
        return [
            one for one in self.complaints if not any(re.search(may, one) for may in self.allowed)
        ]


# Of each module, not of the session: while it is open its event loop counts as running, and no
# test of ours that is a coroutine could run beside it.
@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One headless Chromium for all tests of a module."""
    if CHROMIUM is None:
        pytest.skip("this machine cannot: it has no chromium (Debian: apt-get install chromium)")
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield found
        found.close()


@pytest.fixture
def fake() -> Iterator[Fake]:
    """The stand-in of the daemon, all well."""
    with Fake(normal()) as running:
        yield running


@pytest.fixture
def seen() -> Seen:
    """What the page of this test does besides."""
    return Seen()


@pytest.fixture
def page(browser: Browser, fake: Fake, seen: Seen) -> Iterator[Page]:
    """A page of 1280 x 720 that shows nothing yet; it must end without a complaint."""
    # Made after the stand-in and so closed before it: no page hears it end.
    context = browser.new_context(
        base_url=fake.url, viewport={"width": 1280, "height": 720}, timezone_id=ZONE
    )
    context.set_default_timeout(WAIT_MS)

    def note(request: Request) -> None:
        is_here = urlsplit(request.url).hostname == "127.0.0.1"
        (seen.asked if is_here else seen.elsewhere).append(request.url)

    found = context.new_page()
    found.on("request", note)

    def hear(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            seen.complaints.append(message.text)

    found.on("console", hear)
    found.on("pageerror", lambda error: seen.complaints.append(str(error)))
    yield found
    context.close()
    assert seen.elsewhere == []
    assert seen.left() == []
