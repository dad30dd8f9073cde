"""The overview: what is abnormal stands out by shape and word, and everything is kept up to date."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, Route, expect

from aggregator.core.reading import span_words
from aggregator.web.people import Role
from tests.browser.conftest import DESKTOP, PHONE, WALL, Place

pytestmark = [pytest.mark.peer("chromium"), pytest.mark.peer("mosquitto")]
Build = Callable[..., Place]
LOOK = "open_to_look: yes"


def tags(page: Page) -> list[str]:
    return page.locator(".tile b").all_inner_texts()


def test_a_leak_comes_first_with_its_word_and_its_shape(place: Build) -> None:
    there = place(web=LOOK)
    for meter in range(3):
        there.send(meter, flow=10, volume=7)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    page = there.open("/")
    expect(page.locator(".tile")).to_have_count(3)
    expect(page.locator("#counts")).to_have_text("3 meters, 0 not as they should be")
    there.picture(page, "overview-calm")
    there.send(2, flow=120, volume=8)
    first = page.locator(".tile").first
    expect(first.locator("b")).to_have_text("FT-103")
    expect(first).to_contain_text("flow high: unacknowledged")
    expect(first.locator(".mark.high svg path")).to_have_count(1)
    expect(page.locator("#owed")).to_have_text("1")
    assert page.title().startswith("(1) ")
    there.picture(page, "overview-leak")


def test_one_finds_a_meter_by_words_and_sees_only_what_is_abnormal(place: Build) -> None:
    there = place(web=LOOK)
    for meter in range(2):
        there.send(meter, flow=10, volume=7)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    page = there.open("/")
    expect(page.locator(".tile")).to_have_count(3)
    page.get_by_label("only what is abnormal").check()
    expect(page.locator(".tile")).to_have_count(1)
    expect(page.locator(".tile")).to_contain_text("never heard, expected every 15 min")
    page.get_by_label("only what is abnormal").uncheck()
    page.get_by_label("Search").fill("ft-102")
    expect(page.locator(".tile")).to_have_count(1)
    page.get_by_label("Search").fill("")
    page.get_by_label("Order").select_option("by tag")
    expect(page.locator(".tile b").first).to_have_text("FT-101")
    assert tags(page) == ["FT-101", "FT-102", "FT-103"]


def test_a_page_writes_lengths_of_time_as_the_service_does(place: Build) -> None:
    page = place().open("/", Role.LOOK)
    lengths = [0, 1.9, 119.9, 120, 3599, 7199.5, 7200, 46_000, 172_799, 172_800, 1e7]
    written = page.evaluate('async (lengths) => lengths.map((await import("/static/words.js")).span)', lengths)
    assert written == [span_words(each) for each in lengths]


def test_a_page_says_when_it_is_no_longer_kept_up_to_date(place: Build) -> None:
    there = place(web=LOOK)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    there.expected.append("ERR_|Failed to load")
    page = there.open("/")
    expect(page.locator(".tile")).to_have_count(3)
    there.broker.kill()
    expect(page.locator("#state")).to_contain_text("The broker cannot be heard")
    there.service.kill()
    expect(page.locator("#state")).to_contain_text(re.compile("No connection to the gateway"))


def test_counts_and_order_agree_with_the_tiles_soon_after_each_change(place: Build) -> None:
    there = place(web=LOOK)
    for meter in range(3):
        there.send(meter, flow=10, volume=7)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    page = there.open("/")
    expect(page.locator("#counts")).to_have_text("3 meters, 0 not as they should be")
    # What stands there once the tile is red, at that moment and 2 s later.
    page.evaluate(
        """() => {
          const areas = document.getElementById("areas"), counts = document.getElementById("counts");
          let seen = null;
          const see = () => [counts.textContent, document.querySelector(".tile b").textContent];
          new MutationObserver(() => {
            if (seen || !document.querySelector(".tile.is-owed")) return;
            seen = [see()[0]];
            setTimeout(() => { document.body.dataset.seen = [...seen, ...see()].join("; "); }, 2000);
          }).observe(areas, { subtree: true, childList: true, attributes: true });
        }"""
    )
    there.send(2, flow=120, volume=8)
    one = "3 meters, 1 not as they should be"
    expect(page.locator("body")).to_have_attribute("data-seen", f"{one}; {one}; FT-103")


def test_a_leak_that_is_told_while_the_list_is_fetched_is_not_lost(place: Build) -> None:
    there = place(web=LOOK)
    for meter in range(3):
        there.send(meter, flow=10, volume=7)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    held: list[Route] = []
    page = there.open("/alarms")
    calm = page.request.get(f"{there.url}api/v1/meters").body()
    page.route("**/api/v1/meters", lambda route: held.append(route))  # noqa: PLW0108 -- the library marks what it calls
    page.goto(there.url)
    there.until(lambda: page.evaluate("1") and held, what="the question for all meters")
    there.send(2, flow=120, volume=8)
    expect(page.locator("#owed")).to_have_text("1")  # the stream has told of it
    held[0].fulfill(body=calm, content_type="application/json")
    first = page.locator(".tile").first
    expect(first).to_contain_text("flow high: unacknowledged")
    expect(first.locator("b")).to_have_text("FT-103")


def test_page_terminal_and_interface_say_the_same_of_what_is_the_matter(
    place: Build, command: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    there = place(meters=4, web=LOOK)
    there.send(0, flow=160, volume=7)  # two alarms
    there.send(1, flow=160, volume=7)
    there.send(2, flow=-3, volume=7)  # nothing that the sensor can show
    told = command("test", "--site", there.folder, "FT-102", "on")
    assert told.returncode == 0, told.stderr
    there.people.add("mara", Role.LOOK, "correct horse battery")
    page = there.open("/")
    expected = {
        "FT-101": ("flow high-high: unacknowledged", "and 1 more"),
        "FT-102": ("under test, flow high-high stands", "and 1 more"),
        "FT-103": ("out of range",),
        "FT-104": ("never heard, expected every 15 min",),
    }
    lines = {each["tag"]: each for each in page.request.get(f"{there.url}api/v1/meters").json()}
    watched = " ".join(command("watch", there.folder).stdout.split())
    for tag, sentences in expected.items():
        line = lines[tag]
        alarm = (line["alarm"]["says"], f"and {line['alarm']['more']} more") if line["alarm"] else ()
        assert set(sentences) <= {*alarm, *line["reasons"], *(each["says"] for each in line["silence"])}, line
        for sentence in sentences:
            expect(page.locator(f".tile[data-tag={tag}] .says")).to_contain_text(sentence)
            assert sentence in watched
    page.goto(f"{there.url}meters/FT-102")
    expect(page.locator("#matters")).to_contain_text("under test, flow high-high stands")
    standing = page.request.get(f"{there.url}api/v1/meters/FT-102").json()["alarms"]
    assert "under test, flow high-high stands" in [each["says"] for each in standing]


def test_a_page_whose_part_comes_after_the_stream_has_broken_off_shows_the_meters_all_the_same(place: Build) -> None:
    there = place(web=LOOK)
    there.send(0, flow=10, volume=7)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    held: list[Route] = []
    page = there.open("/alarms")
    page.route("**/static/overview.js*", lambda route: held.append(route))  # noqa: PLW0108 -- the library marks what it calls
    page.route("**/api/v1/live", lambda route: route.fulfill(content_type="text/event-stream", body="retry: 60000\n\n"))
    page.goto(there.url, wait_until="commit")
    expect(page.get_by_text("No connection to the gateway")).to_be_visible()
    held[0].continue_()
    expect(page.locator(".tile").filter(has_text="FT-101")).to_be_visible()


def test_a_field_is_called_by_its_label_where_it_has_one(place: Build) -> None:
    there = place(web=LOOK)
    there.send(0, flow=10, volume=7)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    page = there.open("/alarms")
    lines = page.request.get(f"{there.url}api/v1/meters").json()
    assert lines[0]["fields"][1]["name"] == "volume"
    lines[0]["fields"][1]["label"] = "volume at line conditions"
    page.route("**/api/v1/meters", lambda route: route.fulfill(json=lines))
    # The stream would tell the true lines over these.
    page.route("**/api/v1/live", lambda route: route.fulfill(content_type="text/event-stream", body="retry: 60000\n\n"))
    page.goto(there.url)
    tile = page.locator(".tile").filter(has_text="FT-101")
    expect(tile).to_contain_text("volume at line conditions 7 m3")


def test_a_trend_is_drawn_once_it_spans_an_eighth_of_the_time(place: Build) -> None:
    there = place(web=LOOK)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    page = there.open("/")
    for last, drawn in ((9999, 0), (10800, 1)):  # s of a day
        runs = page.evaluate(
            """async (last) => {
              const { sketch } = await import("/static/chart.js");
              const sample = (at, value) => ({ at, value, grade: "good", after_gap: false });
              const samples = [sample(0, 1), sample(last / 2, 2), sample(last, 1)];
              return sketch({ since: 0, until: 86400, samples, buckets: [] }).querySelectorAll(".trend").length;
            }""",
            last,
        )
        assert runs == drawn


@pytest.mark.parametrize(("name", "role"), [("nobody", None), ("an-engineer", Role.ENGINEER)])
def test_on_a_phone_the_frame_leaves_the_screen_to_the_page(place: Build, name: str, role: Role | None) -> None:
    there = place(web=LOOK)
    there.send(0, flow=120, volume=7)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    page = there.open(
        "/sign-in?to=/service" if role else "/service", role, size=PHONE, name="" if role is None else name
    )
    expect(page.locator("#owed")).to_have_text("1")
    there.picture(page, f"frame-phone-{name}")
    header = page.locator("header.top").bounding_box()
    assert header is not None
    assert header["height"] <= 100
    current = page.get_by_role("link", name="Service").bounding_box()
    assert current is not None
    assert current["x"] + current["width"] <= PHONE[0]
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]


@pytest.mark.parametrize(
    ("name", "size", "dark"),
    [("desktop", DESKTOP, False), ("phone", PHONE, False), ("wall", WALL, False), ("dark", DESKTOP, True)],
)
def test_nothing_is_cut_off(place: Build, name: str, size: tuple[int, int], dark: bool) -> None:
    there = place(meters=12, web=LOOK)
    for meter in range(11):
        there.send(meter, flow=10 + 15 * meter, volume=7)
    there.people.add("mara", Role.LOOK, "correct horse battery")
    page = there.open("/", size=size, dark=dark)
    expect(page.locator(".tile")).to_have_count(12)
    there.picture(page, f"overview-{name}")
    width = page.evaluate("document.documentElement.scrollWidth")
    assert width <= size[0]
    cut_off = "all => all.filter(each => each.scrollWidth > each.clientWidth + 1).length"
    assert page.locator(".tile").evaluate_all(cut_off) == 0
