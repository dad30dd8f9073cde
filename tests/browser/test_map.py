"""The map: a SCADA engineer finds out alone what stands where, and why a driver reads nonsense."""

from __future__ import annotations

import contextlib
import re
import struct
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from pymodbus.client import ModbusTcpClient

from aggregator.web.people import Role
from tests.browser.conftest import DESKTOP, PHONE, WALL, Place

pytestmark = [pytest.mark.peer("chromium"), pytest.mark.peer("mosquitto")]
Build = Callable[..., Place]
Run = Callable[..., subprocess.CompletedProcess[str]]
LOOK = "open_to_look: yes"


def opened(there: Place, path: str = "/map", size: tuple[int, int] = DESKTOP, *, dark: bool = False) -> Page:
    if there.people.find("mara") is None:
        there.people.add("mara", Role.LOOK, "correct horse battery")
    page = there.open(path, size=size, dark=dark)
    expect(page.locator("#issue")).to_contain_text("fingerprint")
    return page


@contextlib.contextmanager
def plant_software(there: Place) -> Iterator[ModbusTcpClient]:
    """A foreign client that is connected."""
    client = ModbusTcpClient("127.0.0.1", port=there.service.port)
    client.connect()  # type: ignore[no-untyped-call]
    yield client
    client.close()  # type: ignore[no-untyped-call]


def look_up(page: Page, text: str) -> None:
    page.get_by_label("Find", exact=True).fill(text)
    page.keyboard.press("Enter")


def test_an_address_in_a_wrong_notation_leads_to_the_item_and_what_it_holds_now(place: Build) -> None:
    there = place(web=LOOK)
    there.send(0, flow=12.5, volume=7)
    page = opened(there)
    look_up(page, "40103")  # as plant software writes it that knows holding registers only
    expect(page.locator("#found")).to_contain_text("function 03 shows input register 102 there, FT-101 flow")
    expect(page.get_by_role("heading", name="FT-101 flow")).to_be_visible()
    expect(page.locator("#held")).to_have_text("12.5")
    expect(page.locator("#raw")).to_have_text(struct.pack(">f", 12.5).hex(" ", 2).upper())
    expect(page.locator("#register")).to_contain_text(re.compile(r"map\.yaml:\d+, placed in map\.yaml:\d+"))
    there.send(0, flow=13.5, volume=8)
    expect(page.locator("#held")).to_have_text("13.5")
    there.picture(page, "map-register")


def test_what_a_driver_shows_tells_that_it_has_the_words_in_the_other_order(place: Build) -> None:
    there = place(web=LOOK)
    page = opened(there)
    page.get_by_role("button", name="Show the test block").click()
    page.get_by_role("button", name="42: constant 305419896").click()
    with plant_software(there) as client:
        registers = client.read_input_registers(42, count=2, device_id=1).registers
    wrong = ModbusTcpClient.convert_from_registers(registers, ModbusTcpClient.DATATYPE.UINT32, word_order="little")
    page.get_by_label("It shows").fill(str(wrong))
    expect(page.locator("#why")).to_contain_text("words low-first")
    expect(page.locator("#misread .this-one")).to_have_count(1)
    page.get_by_label("It shows").fill("305419896")
    expect(page.locator("#why")).to_have_text("That is right.")


def test_a_wrong_poll_stands_under_who_polls_with_what_it_meant(place: Build) -> None:
    there = place(web=LOOK)
    page = opened(there)
    with plant_software(there) as client:
        assert client.read_holding_registers(40103, count=2, device_id=1).isError()
        assert not client.read_input_registers(100, count=4, device_id=1).isError()
    polls = page.locator("#polls")
    expect(polls).to_contain_text("02 illegal data address to unit 1, function 03 for 40103-40104: once")
    expect(polls).to_contain_text("a reference was sent as written: without 40001 it is address 102, which is there")
    expect(polls.get_by_role("cell", name="100-103")).to_be_visible()
    page.get_by_role("heading", name="Who polls").scroll_into_view_if_needed()
    there.picture(page, "map-polls")
    look_up(page, "input:102")
    expect(page.locator("#readers")).to_contain_text("(function 04)")
    look_up(page, "input:104")
    expect(page.locator("#readers")).to_have_text("no client so far")


def test_the_strip_is_gone_through_by_keyboard_alone(place: Build) -> None:
    there = place(web=LOOK)
    page = opened(there)
    title = page.locator("#register-title")
    page.locator("#strip").focus()
    page.keyboard.press("Home")
    expect(title).to_have_text("gateway block heartbeat")
    page.keyboard.press("End")
    expect(title).not_to_have_text("gateway block heartbeat")
    look_up(page, "input:102")
    expect(title).to_have_text("FT-101 flow")
    page.locator("#strip").focus()
    page.keyboard.press("ArrowRight")
    expect(title).to_have_text("FT-101 volume")
    page.keyboard.press("ArrowLeft")
    expect(title).to_have_text("FT-101 flow")
    page.keyboard.press("ArrowUp")
    expect(title).not_to_have_text("FT-101 flow")
    page.keyboard.press("ArrowDown")
    expect(title).to_have_text("FT-101 flow")


def test_a_place_in_the_strip_is_told_under_the_pointer_and_chosen_by_a_click(place: Build) -> None:
    there = place(web=LOOK)
    page = opened(there)
    item = page.locator("#strip svg").filter(has_text="FT-101").locator("rect.item").nth(0)
    item.hover()
    expect(page.locator("#under")).to_contain_text(re.compile(r"^\d+(-\d+)?: \S+"))
    said = page.locator("#under").inner_text().partition(": ")[2]
    item.click()
    expect(page.locator("#register-title")).to_have_text(said)


def test_the_files_are_the_same_bytes_as_the_command_s(place: Build, command: Run, tmp_path: Path) -> None:
    there = place(web=LOOK)
    page = opened(there)
    for form, name in (("csv", "CSV, for import"), ("html", "HTML, to print")):
        with page.expect_download() as saved:
            page.get_by_role("link", name=name).click()
        assert command("map", there.folder, "--as", form, "--output", tmp_path / form).returncode == 0
        assert saved.value.path().read_bytes() == (tmp_path / form).read_bytes()
    page.locator("#plan-item").select_option("flow")
    page.get_by_role("button", name="Plan", exact=True).click()
    expect(page.locator("#plan")).to_contain_text("1 read")
    with page.expect_download() as saved:
        page.locator("#plan").get_by_role("link", name="CSV").click()
    made = command("plan", there.folder, "--unit", "1", "--item", "flow", "--as", "csv", "--output", tmp_path / "plan")
    assert made.returncode == 0
    assert saved.value.path().read_bytes() == (tmp_path / "plan").read_bytes()


def test_a_poll_plan_offers_what_is_polled_and_no_known_values_of_the_test_block(place: Build) -> None:
    page = opened(place(web=LOOK))
    expect(page.locator("#plan-item option").filter(has_text="flow").first).to_be_attached()
    offered = page.locator("#plan-item option").all_inner_texts()
    assert {"flow", "heartbeat"} <= set(offered)
    assert [each for each in offered if re.match(r"-?[0-9]|scratch", each)] == []


def test_what_is_frozen_is_told_once_it_is_and_how_to_before(place: Build, command: Run) -> None:
    there = place(web=LOOK)
    page = opened(there)
    expect(page.locator("#frozen")).to_contain_text("aggregator freeze")
    assert command("freeze", there.folder, "--tag", "FT-102").returncode == 0
    assert command("reload", there.folder).returncode == 0
    expect(page.locator("#frozen")).to_contain_text("frozen, ")
    look_up(page, "ft-102 flow")
    expect(page.locator("#register")).to_contain_text("yes: a map that would move or change it is refused")
    expect(page.locator("#strip path.frozen")).to_have_count(1)


@pytest.mark.parametrize(
    ("name", "size", "dark"),
    [("desktop", DESKTOP, False), ("phone", PHONE, False), ("wall", WALL, False), ("dark", DESKTOP, True)],
)
def test_nothing_of_the_map_is_cut_off(place: Build, name: str, size: tuple[int, int], dark: bool) -> None:
    there = place(meters=40, web=LOOK)
    there.send(0, flow=12.5, volume=7)
    page = opened(there, "/map?find=ft-101+flow", size=size, dark=dark)
    expect(page.locator("#held")).to_have_text("12.5")
    page.get_by_role("button", name="Plan", exact=True).click()
    expect(page.locator("#plan tbody tr").first).to_be_visible()
    page.locator("h1").scroll_into_view_if_needed()
    there.picture(page, f"map-{name}")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]


def test_of_a_long_table_only_rows_in_view_are_drawn(place: Build) -> None:
    there = place(meters=250, web=LOOK)
    page = opened(there)
    expect(page.locator("#strip svg").first).to_be_visible()
    look_up(page, "FT-350 flow")
    expect(page.locator("#register-title")).to_have_text("FT-350 flow")
    expect(page.locator("#strip rect.chosen")).to_be_in_viewport()
    assert page.locator("#strip .strip-line").count() < 40  # of 80 and more
