"""Text that is code, from everywhere it can come from: every page shows it, and none runs it.

After OWASP's cheat sheet on cross-site scripting (from memory). A page that took it for markup would ask for the
picture `x`, or break the policy against inline script; both are errors of the page, and fail the test.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable

import httpx
import pytest
from playwright.sync_api import Page

from aggregator.web.pages import PAGES, PARTS
from aggregator.web.people import Role
from tests.browser.conftest import PASSWORD, Place

pytestmark = [pytest.mark.peer("chromium"), pytest.mark.peer("mosquitto")]
Build = Callable[..., Place]
Command = Callable[..., subprocess.CompletedProcess[str]]
CODE = "<img src=x onerror=hit()>"
SCRIPT = "<script>hit()</script>"
ALARMS = (
    f"{{field: flow, high: 100 m3/h, deadband: 5 m3/h, priority: high, may_be: 50 .. 200 m3/h, message: 'm{CODE}', "
    f"action: 'a{CODE}'}}"
)
PATHS = [*(path for path, _ in PAGES.values()), *(path for path, _ in PARTS.values())]
SHOWN = {  # what is to be seen, as text, on which page; all of them are visited
    "/": (f"name{CODE}",),
    "/alarms": (f"m{CODE}", f"a{CODE}"),
    "/service": (SCRIPT, f"Alder Fen {CODE}", "lns/alder-fen/topic<b>/up"),
    "/alarms/journal": (f"by{CODE}", f"try{CODE}"),
    "/upkeep": (f"name{CODE}",),
    "/linking": (f"name{CODE}",),
    "/linking/FT-102": (f"name{CODE}",),
    "/meters/FT-101": (f"name{CODE}",),
}


def hostile(place: Build, command: Command) -> Place:
    """A site whose every free text is code: names, areas, alarms, topics, messages, people, tries to sign in."""
    there = place(alarms=ALARMS)
    meters, site = there.folder / "meters.yaml", there.folder / "site.yaml"
    texts = f"name: 'name{CODE}', area: 'area{CODE}'"
    meters.write_text(re.sub(r"name: Point FT-\d+", texts, meters.read_text()))
    site.write_text(site.read_text().replace("site: Alder Fen biogas works", f"site: 'Alder Fen {CODE}'"))
    told = command("reload", there.folder)
    assert told.returncode == 0, told.stderr
    there.send(0, flow=120, volume=7)
    there.publisher.send(
        SCRIPT.encode(), there.build_uplink(1, meter=9, flow=1, volume=1), topic="lns/alder-fen/topic<b>/up"
    )
    there.publisher.send(there.build_uplink(1, meter=1, flow=1, volume=1).replace(b"0a1def", SCRIPT.encode()))
    there.people.add(f"by{CODE}", Role.ENGINEER, PASSWORD)
    assert httpx.post(f"{there.url}sign-in", data={"name": f"try{CODE}", "password": "wrong"}).status_code == 403
    return there


def shows(page: Page, text: str) -> bool:
    """Whether the page comes to show that, as text."""
    page.wait_for_function("text => document.body.innerText.includes(text)", arg=text)
    return True


def test_code_in_names_topics_messages_and_people_is_shown_as_text(place: Build, command: Command) -> None:
    there = hostile(place, command)
    page = there.open("/", Role.ENGINEER, name=f"by{CODE}")
    for path in dict.fromkeys([*PATHS, *SHOWN]):
        page.goto(f"{there.url}{path.removeprefix('/')}")
        page.wait_for_function("() => !document.querySelector('[aria-busy]')")
        assert all(shows(page, text) for text in SHOWN.get(path, ())), path
        made = page.evaluate("() => document.querySelectorAll('img, main script, [onerror]').length")
        assert made == 0, path
        assert page.title().endswith(CODE)
    there.picture(page, "hostile-text")


def test_a_page_that_took_text_for_markup_would_be_found(place: Build) -> None:
    there = place()
    there.expected += ["Content Security Policy", "404"]
    page = there.open("/", Role.LOOK)
    with page.expect_console_message(lambda said: "Content Security Policy" in said.text):
        page.evaluate("text => document.querySelector('main').insertAdjacentHTML('beforeend', text)", CODE)
