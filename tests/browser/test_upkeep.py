"""Upkeep and service: what needs somebody, what went wrong, and the fix."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from aggregator.web.people import Role
from tests.browser.conftest import PHONE, Place

pytestmark = [pytest.mark.peer("chromium"), pytest.mark.peer("mosquitto")]
Build = Callable[..., Place]


def test_whoever_maintains_meters_sees_which_need_something(place: Build) -> None:
    there = place()
    there.send(0, flow=10, volume=7)
    page = there.open("/upkeep", Role.LOOK)
    expect(page.locator("#counts")).to_have_text("2 of 3 meters need something")
    expect(page.locator("#rows tr").first).to_contain_text("never heard")
    page.get_by_label("all meters").check()
    expect(page.locator("#rows tr")).to_have_count(3)
    there.picture(page, "upkeep")
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    there.picture(page, "upkeep-phone")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]


def test_a_meter_without_a_node_needs_one(place: Build) -> None:
    there = place(meters=2, linked=1)
    there.send(0, flow=10, volume=7)
    page = there.open("/upkeep", Role.LOOK)
    expect(page.locator("#rows tr").first).to_contain_text("FT-102")
    expect(page.locator("#rows tr").first.locator(".needs")).to_have_text("no node")
    there.picture(page, "upkeep-no-node")
    page.locator("#rows").get_by_role("link", name="FT-102").click()
    expect(page.locator("#matters p").first).to_contain_text("no node sits on it, never heard")
    there.picture(page, "meter-no-node")


def test_an_engineer_mends_a_file_and_takes_what_was_set_aside(place: Build) -> None:
    there = place()
    stranger = there.build_uplink(1, meter=7, flow=12, volume=3)
    there.publisher.send(stranger)
    page = there.open("/service", Role.ENGINEER)
    expect(page.locator("#aside tr").first).to_contain_text("no meter")
    good = (there.folder / "map.yaml").read_text()
    (there.folder / "map.yaml").write_text(good.replace("gateway_block: 0", "gateway_blok: 0"))
    page.get_by_role("button", name="Take the files anew").click()
    expect(page.locator("#problems li").first).to_contain_text("map.yaml:")
    expect(page.locator("#files-said")).to_contain_text("goes on as it was")
    expect(page.locator("#state")).to_contain_text("Changed files were refused")
    there.expected.append("409")
    there.picture(page, "service-refused")
    (there.folder / "map.yaml").write_text(good)
    page.get_by_role("button", name="Check the files").click()
    expect(page.locator("#files-said")).to_have_text("All is in order.")
    page.get_by_role("button", name="Take the files anew").click()
    expect(page.locator("#files-said")).to_contain_text("Taken; map")
    page.get_by_role("button", name="Take them once more").click()
    expect(page.locator("#aside-said")).to_have_text(
        "0 taken, 0 into the history only, 0 known already; still refused: 1 unknown node."
    )
    page.get_by_label("Search the lines").fill("file wrong")
    expect(page.locator("#log tr").first).to_contain_text("gateway_blok")
    there.picture(page, "service")


def test_who_may_only_look_sees_no_log_and_no_messages(place: Build) -> None:
    there = place()
    page = there.open("/service", Role.LOOK)
    expect(page.locator("#now")).to_contain_text("Alder Fen")
    expect(page.get_by_role("button", name="Take the files anew")).to_have_count(0)
    answer = page.request.get(f"{there.url}api/v1/service/log")
    assert answer.status == 403
