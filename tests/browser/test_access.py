"""Pages for everybody: held against axe-core, an independent checker, and used without a pointer.

axe-core (MPL 2.0) comes with the package axe-playwright-python and checks what of WCAG 2.2 a program can.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from aggregator.web.pages import PAGES, PARTS
from aggregator.web.people import Role
from tests.browser.conftest import DESKTOP, PASSWORD, PHONE, Place

pytestmark = [pytest.mark.peer("chromium"), pytest.mark.peer("mosquitto")]
Build = Callable[..., Place]
PATHS = [
    *(path for path, _ in PAGES.values()),
    *(path for path, _ in PARTS.values()),
    "/meters/FT-101",
    "/linking/FT-101",
    "/meters/NONE",
]
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
FILLED = (
    "() => !document.querySelector('[aria-busy]') && !/^(Loading|…)/m.test(document.querySelector('main').innerText)"
)


def busy(place: Build) -> Place:
    """A site with something on every page: alarms of two kinds, silence, a stranger, a message that is none."""
    there = place()
    there.send(0, flow=160, volume=7)
    there.send(1, flow=120, volume=7)
    there.publisher.send(there.build_uplink(1, meter=7, flow=12, volume=3))
    there.publisher.send(b"no JSON")
    return there


def findings(page: Page) -> list[str]:
    """What axe calls serious or critical, each with where it is."""
    told = Axe().run(page, options=RULES).response
    assert len(told["passes"]) > 10, "the checker has looked at something"
    return [
        f"{page.url} {each['id']} ({each['impact']}): {node['html'][:160]} {node['failureSummary'][:200]}"
        for each in told["violations"]
        if each["impact"] in {"serious", "critical"}
        for node in each["nodes"][:3]
    ]


def visit_all(page: Page, there: Place) -> list[str]:
    found = []
    for path in PATHS:
        page.goto(f"{there.url}{path.removeprefix('/')}")
        page.wait_for_function(FILLED)
        found += findings(page)
    return found


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_an_independent_checker_finds_nothing_serious_on_any_page(place: Build, dark: bool) -> None:
    there = busy(place)
    there.expected.append("404")
    page = there.open("/", Role.ENGINEER, dark=dark)
    found = visit_all(page, there)
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    found += visit_all(page, there)
    assert found == []


@pytest.mark.parametrize(("size", "dark"), [(DESKTOP, False), (PHONE, True)], ids=["desktop", "phone, dark"])
def test_an_independent_checker_finds_nothing_serious_at_the_door(
    place: Build, size: tuple[int, int], dark: bool
) -> None:
    there = place()
    there.expected.append("403")
    page = there.open("/", size=size, dark=dark)
    expect(page.get_by_role("heading", name="The first person")).to_be_visible()
    found = findings(page)
    there.people.add("olav", Role.OPERATE, PASSWORD)
    page.goto(there.url)
    found += findings(page)
    page.get_by_label("Name").fill("olav")
    page.get_by_label("Password").fill("not the password")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_be_visible()
    assert found + findings(page) == []


def test_the_checker_would_find_something(place: Build) -> None:
    there = place()
    page = there.open("/", Role.LOOK)
    page.evaluate("document.querySelector('main').append(document.createElement('button'))")
    assert any("button-name" in each for each in findings(page))


# By keyboard alone

FOCUSED = """() => {
  const it = document.activeElement, shape = getComputedStyle(it), box = it.getBoundingClientRect();
  return {
    says: (it.getAttribute("aria-label") ?? it.textContent.trim()) || (it.labels?.[0]?.textContent.trim() ?? ""),
    tag: it.tagName,
    drawn: shape.outlineStyle !== "none" && parseFloat(shape.outlineWidth) >= 2,
    inside: box.width > 0 && box.bottom > 0 && box.top < innerHeight,
  };
}"""


def tab_to(page: Page, begins: str, *, most: int = 60) -> None:
    """Press Tab until what begins with these words has the focus; on the way it is always seen where that is."""
    page.wait_for_load_state()  # a page can be walked before its style has come, and shows no focus then
    for _ in range(most):
        page.keyboard.press("Tab")
        at = page.evaluate(FOCUSED)
        if at["tag"] == "BODY":
            continue
        assert at["drawn"], f"the focus cannot be seen on {at}"
        assert at["inside"], f"the focus is out of sight on {at}"
        if at["says"].startswith(begins):
            return
    raise AssertionError(f"{begins} is not reached by the Tab key")


def test_one_goes_from_the_overview_to_a_meter_and_back_by_keyboard(place: Build) -> None:
    there = place()
    there.send(2, flow=120, volume=8)
    page = there.open("/", Role.LOOK)
    expect(page.locator(".tile")).to_have_count(3)
    page.reload()
    expect(page.locator(".tile").first).to_contain_text("FT-103")
    tab_to(page, "FT-103")
    page.keyboard.press("Enter")
    page.wait_for_url("**/meters/FT-103")
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    tab_to(page, "Overview")
    page.keyboard.press("Enter")
    page.wait_for_url(there.url)
    expect(page.locator(".tile")).to_have_count(3)


def test_the_first_press_of_tab_offers_to_skip_the_frame(place: Build) -> None:
    there = place()
    page = there.open("/alarms", Role.LOOK)
    page.reload()
    page.keyboard.press("Tab")
    assert page.evaluate(FOCUSED)["says"] == "To the content"
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.querySelector('main').contains(document.activeElement)")


def test_one_signs_in_and_out_by_keyboard(place: Build) -> None:
    there = place()
    there.people.add("olav", Role.OPERATE, PASSWORD)
    page = there.open("/")
    expect(page.get_by_label("Name")).to_be_focused()
    page.keyboard.type("olav")
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_role("navigation", name="Pages")).to_be_visible()
    tab_to(page, "Sign out")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
