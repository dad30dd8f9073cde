"""One meter's page: what it shows, its history, and what is done about it by hand."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from aggregator.web.people import Role
from tests.browser.conftest import PHONE, Place

pytestmark = [pytest.mark.peer("chromium"), pytest.mark.peer("mosquitto")]
Build = Callable[..., Place]


def drawn(page: Page) -> None:
    expect(page.locator("body")).to_have_attribute("data-drawn", "yes")


def test_a_meter_tells_its_fields_its_alarms_and_its_history_with_the_limits(place: Build) -> None:
    there = place()
    for flow in (80, 90, 120, 96):
        there.send(0, flow=flow, volume=flow)
    page = there.open("/", Role.LOOK)
    page.get_by_role("link", name="FT-101").click()
    drawn(page)
    expect(page.locator("#fields tr").first).to_contain_text("96 m3/h")
    expect(page.locator("#matters")).to_contain_text("flow high: unacknowledged")
    expect(page.locator("#drawn")).to_have_text("4 readings")
    expect(page.locator("#chart .limit")).to_have_count(2)
    expect(page.locator("#chart .event")).to_have_count(1)
    there.picture(page, "meter")
    page.locator("#chart svg").focus()
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#point")).to_contain_text("96 m3/h; good")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#point")).to_contain_text("120 m3/h")
    page.get_by_text("The readings, one by one").click()
    expect(page.locator("#readings tr")).to_have_count(4)


def test_a_new_reading_shows_by_itself_and_its_bytes_are_explained(place: Build) -> None:
    there = place()
    there.send(0, flow=80, volume=5)
    page = there.open("/meters/FT-101", Role.LOOK, size=PHONE)
    drawn(page)
    there.send(0, flow=81.5, volume=6)
    expect(page.locator("#fields tr").first).to_contain_text("81.5 m3/h")
    expect(page.locator("#uplinks details")).to_have_count(2)
    page.locator("#uplinks summary").first.click()
    expect(page.locator("#uplinks details").first).to_contain_text("81.5")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
    there.picture(page, "meter-phone")


def test_on_a_phone_what_is_done_by_hand_is_near_and_a_value_has_its_unit_beside_it(place: Build) -> None:
    there = place()
    there.send(0, flow=80, volume=5)
    page = there.open("/meters/FT-101", Role.ENGINEER, size=PHONE)
    drawn(page)
    there.picture(page, "meter-phone-by-hand")
    button = page.get_by_role("button", name="Hold in test").bounding_box()
    assert button is not None
    assert button["y"] + button["height"] < PHONE[1] / 2
    cell = page.locator("#fields td").first
    assert cell.inner_text().split() == ["80", "m3/h"]
    beside = "cell => { const unit = document.createRange(); unit.selectNode(cell.querySelector('b').nextSibling);"
    beside += " return unit.getBoundingClientRect().left - cell.querySelector('b').getBoundingClientRect().right; }"
    assert cell.evaluate(beside) < 8  # px


def test_the_chart_is_drawn_for_the_width_there_is(place: Build) -> None:
    there = place()
    for flow in (80, 90):
        there.send(0, flow=flow, volume=5)
    page = there.open("/meters/FT-101", Role.LOOK)
    drawn(page)
    for width in (1280, 390):
        page.set_viewport_size({"width": width, "height": 844})
        holder = page.locator("#chart").evaluate("each => each.clientWidth")
        expect(page.locator("#chart svg")).to_have_attribute("width", str(holder))
        shown = page.locator("#chart svg").evaluate(
            "each => [each.viewBox.baseVal.width, each.getBoundingClientRect().width,"
            " getComputedStyle(each.querySelector('text')).fontSize]"
        )
        assert shown == [holder, holder, "12px"]
        texts = page.locator("#chart text").evaluate_all("all => all.map(each => each.getBoundingClientRect().right)")
        assert max(texts) <= width
    there.picture(page, "chart-phone")


def test_a_young_history_has_the_axis_to_itself_and_says_so(place: Build) -> None:
    there = place()
    there.send(0, flow=80, volume=5)
    there.send(0, flow=90, volume=5)
    page = there.open("/meters/FT-101", Role.LOOK)
    drawn(page)
    expect(page.locator("#caption")).to_contain_text("The first reading was kept at")
    words = page.locator("#chart text").all_text_contents()
    minutes = [int(each[:2]) * 60 + int(each[3:]) for each in words if re.fullmatch(r"\d\d:\d\d", each)]
    assert len(minutes) > 2
    assert (minutes[-1] - minutes[0]) % 1440 <= 10
    older = {"rows": [{"at": "2026-01-01T00:00:00.000Z"}], "after": None}
    page.route("**/readings?*", lambda route: route.fulfill(json=older))
    page.get_by_label("Shows").select_option("a week")
    expect(page.locator("#caption")).not_to_contain_text("The first reading was kept at")


def test_every_place_in_the_map_is_told_with_what_it_holds(place: Build) -> None:
    there = place()
    there.send(0, flow=80, volume=5)
    page = there.open("/meters/FT-101", Role.LOOK)
    drawn(page)
    page.get_by_text("Every place of this meter").click()
    row = page.locator("#places tr").filter(has_text="flow").first
    expect(row).to_contain_text("102")
    expect(row).to_contain_text("42A0 0000")  # 80.0 as a float32 (IEEE 754)
    expect(row).to_contain_text("80 m3/h")


def test_a_technician_holds_a_meter_in_test_and_an_engineer_enters_a_value(place: Build) -> None:
    there = place()
    there.send(0, flow=80, volume=5)
    page = there.open("/meters/FT-101", Role.ENGINEER)
    drawn(page)
    expect(page.get_by_role("button", name="Set a total…")).to_be_hidden()  # no field of it counts
    expect(page.locator("#matters")).to_contain_text("Well: every reading is good")
    expect(page.locator("#fields tr", has_text="pair")).to_contain_text("not sent yet; it need not be")
    page.get_by_role("button", name="Hold in test…").click()
    expect(page.get_by_role("dialog")).to_contain_text("No alarm of it stands now.")
    page.get_by_label("Why").fill("calibration")
    page.get_by_role("button", name="Hold in test", exact=True).click()
    expect(page.locator("#matters")).to_contain_text("under test")
    expect(page.locator("#fields tr").first).to_contain_text("uncertain: under test")
    expect(page.locator("#matters")).to_contain_text("by engineer: calibration")
    page.get_by_role("button", name="End the test").click()
    expect(page.get_by_role("button", name="Hold in test…")).to_be_visible()
    page.get_by_role("button", name="Enter a value…").click()
    page.get_by_role("spinbutton", name="Value").fill("77")
    page.get_by_label("Why").fill("meter out for calibration")
    there.picture(page, "meter-substitute")
    page.get_by_role("button", name="Show it").click()
    expect(page.locator("#substitutes")).to_contain_text("shows 77 m3/h")
    expect(page.locator("#fields tr").first).to_contain_text("entered by engineer; the meter reads 80")
    assert there.caller(there.service.port).registers(102, 2) == (0x429A, 0)  # 77.0 as a float32
    page.get_by_role("button", name="Withdraw").click()
    expect(page.locator("#substitutes li")).to_have_count(0)


def test_holding_a_meter_in_test_asks_first_says_what_stands_and_hides_no_alarm(place: Build) -> None:
    there = place()
    for meter in range(3):
        there.send(meter, flow=160 if meter == 2 else 10, volume=5)
    page = there.open("/meters/FT-103", Role.OPERATE)
    drawn(page)
    page.get_by_role("button", name="Hold in test…").click()
    dialog = page.get_by_role("dialog")
    expect(dialog.get_by_role("listitem")).to_have_text(["flow high-high: unacknowledged", "flow high: unacknowledged"])
    page.get_by_role("button", name="Hold in test", exact=True).click()  # without a reason nothing happens
    expect(dialog).to_be_visible()
    there.picture(page, "meter-test")
    page.get_by_role("button", name="Cancel").click()
    expect(page.locator("#matters")).not_to_contain_text("under test")
    page.get_by_role("button", name="Hold in test…").click()
    page.get_by_label("Why").fill("bump test")
    page.get_by_role("button", name="Hold in test", exact=True).click()
    expect(page.locator("#matters")).to_contain_text("under test, flow high-high stands")
    expect(page.locator("#matters")).to_contain_text("by operate: bump test")
    there.picture(page, "meter-in-test")
    page.goto(there.url)
    first = page.locator(".tile").first
    expect(first.locator("b")).to_have_text("FT-103")
    expect(first).to_contain_text("under test, flow high-high stands")
    there.picture(page, "overview-in-test")
    page.goto(f"{there.url}alarms/journal?event=meter+taken+into+test")
    expect(page.locator("#rows")).to_contain_text("bump test")


def test_who_may_only_look_has_nothing_to_press(place: Build) -> None:
    there = place()
    page = there.open("/meters/FT-101", Role.LOOK)
    drawn(page)
    expect(page.get_by_role("button", name="Hold in test")).to_have_count(0)
    answer = page.request.post(
        f"{there.url}api/v1/meters/FT-101/test",
        data={"on": True},
        headers={"x-visit-token": page.locator("body").get_attribute("data-token") or ""},
    )
    assert answer.status == 403
