"""A real browser in front of a real service behind a real broker.

The peers and the small site are those of tests/edges. What a page logs as an error fails its test. Pictures go into
`.pictures/` of this copy, to be looked at: `place.picture(page, "overview")`.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect, sync_playwright

from aggregator.web.people import People, Role
from tests.conftest import find_peer
from tests.edges.broker import Broker, Publisher
from tests.edges.caller import Caller
from tests.edges.conftest import Service, broker, caller, command, publisher, service, site, until, uplink

__all__ = ["broker", "caller", "command", "publisher", "service", "site", "until", "uplink"]

DESKTOP, PHONE, WALL = (1280, 900), (390, 844), (1920, 1080)
PASSWORD = "correct horse battery"
PICTURES = Path(__file__).resolve().parents[2] / ".pictures"
PATIENCE = 20_000  # ms that a busy machine may take
ALARMS = (
    "{field: flow, high: 100 m3/h, deadband: 5 m3/h, priority: high, may_be: 50 .. 200 m3/h, message: Flow is high, "
    "action: Call the control room}, "
    "{field: flow, high_high: 150 m3/h, deadband: 5 m3/h, priority: critical, latches: yes}"
)
# Debian's browser, that asks nobody outside for anything.
QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
expect.set_options(timeout=PATIENCE)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """The browser, one a module: its library keeps an event loop running meanwhile, and other tests need their own."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_peer("chromium"), args=list(QUIET))
        yield browser
        browser.close()


@dataclass
class Place:
    """A running site with pages, what reaches it, and who looks at it."""

    folder: Path
    url: str
    broker: Broker
    service: Service
    publisher: Publisher
    caller: Callable[..., Caller]
    build_uplink: Callable[..., bytes]
    browser: Browser
    until: Callable[..., Any]
    errors: list[str] = field(default_factory=list)
    expected: list[str] = field(default_factory=list)  # patterns of errors that a test provokes
    _counters: dict[int, Iterator[int]] = field(default_factory=dict)

    @property
    def people(self) -> People:
        return People(self.folder / "data")

    def send(self, meter: int, **fields: object) -> None:
        """One uplink of a meter, taken once this returns."""
        watcher = self.caller(self.service.port)
        before = watcher.figure("uplinks_accepted")
        counter = next(self._counters.setdefault(meter, itertools.count(1)))
        self.publisher.send(self.build_uplink(counter, meter=meter, **fields))
        self.until(lambda: watcher.figure("uplinks_accepted") > before, what="the uplink")

    def open(
        self,
        path: str = "/",
        role: Role | None = None,
        size: tuple[int, int] = DESKTOP,
        *,
        dark: bool = False,
        name: str = "",
    ) -> Page:
        """A page in a browser of its own, by somebody who has signed in with a role, or by nobody."""
        viewport: ViewportSize = {"width": size[0], "height": size[1]}
        context = self.browser.new_context(viewport=viewport, color_scheme="dark" if dark else "light")
        context.set_default_timeout(PATIENCE)
        page = context.new_page()
        page.on("pageerror", lambda error: self.errors.append(f"{page.url}: {error}"))
        page.on("console", lambda said: self.errors.append(said.text) if said.type == "error" else None)
        if role is not None and self.people.find(name or role.words) is None:
            self.people.add(name or role.words, role, PASSWORD)
        page.goto(f"{self.url}{path.removeprefix('/')}")
        if role is not None:
            self.sign_in(page, name or role.words)
        return page

    def sign_in(self, page: Page, name: str) -> None:
        """Sign in by the form that the page leads to."""
        page.get_by_label("Name").fill(name)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("navigation", name="Pages")).to_be_visible()

    def picture(self, page: Page, name: str) -> Path:
        """A picture of the page as it is, to be looked at."""
        PICTURES.mkdir(exist_ok=True)
        path = PICTURES / f"{name}.png"
        page.screenshot(path=path)
        return path


@pytest.fixture
def place(
    broker: Callable[..., Broker],
    site: Callable[..., Path],
    service: Callable[..., Service],
    publisher: Callable[..., Publisher],
    uplink: Callable[..., bytes],
    caller: Callable[..., Caller],
    chromium: Browser,
    until: Callable[..., Any],
) -> Iterator[Callable[..., Place]]:
    """Build it: `place(meters=3, web="open_to_look: yes")`; `web` are more keys of the pages."""
    built: list[Place] = []

    def build(meters: int = 3, alarms: str = ALARMS, web: str = "", **keys: Any) -> Place:
        there = broker()
        folder = site(there.port, meters=meters, alarms=alarms, **keys)
        with (folder / "site.yaml").open("a") as file:
            file.write(f"web: {{at: 127.0.0.1:0{', ' * bool(web)}{web}}}\n")
        running = service(folder)
        until(there.subscriptions, what="the subscription")
        url = until(lambda: running.log("pages served"), what="the pages")[0]["at"]
        built.append(Place(folder, url, there, running, publisher(there), caller, uplink, chromium, until))
        return built[-1]

    yield build
    for each in built:
        for context in each.browser.contexts:
            context.close()
        unexpected = [error for error in each.errors if not any(re.search(one, error) for one in each.expected)]
        assert unexpected == []
