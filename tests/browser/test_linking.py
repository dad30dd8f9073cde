"""Linking on the spot, on a phone at the meter: from the code on a node to a record, and what is exchanged later."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from aggregator.web.people import Role
from tests.browser.conftest import DESKTOP, PHONE, Place
from tests.edges.caller import Caller
from tests.edges.conftest import node_of

pytestmark = [pytest.mark.peer("chromium"), pytest.mark.peer("mosquitto")]
Build = Callable[..., Place]
# LoRa Alliance TR005, the example of the device identification QR code with its checksum (from memory).
QR = "LW:D0:1122334455667788:AABBCCDDEEFF0011:AABB1122:OAABBCCDDEEFF:SYYWWNNNNNN:PFOOBAR:CAF2C"
NODE = "aabbccddeeff0011"
VERIFIED = re.compile(r"^\s*verified")
# A camera that shows a plain picture, and a reader that sees the code in it: headless browsers have neither.
CAMERA = """
window.BarcodeDetector = class { async detect() { return [{ rawValue: "%s" }]; } };
navigator.mediaDevices.getUserMedia = async () => {
  const canvas = document.createElement("canvas");
  canvas.getContext("2d").fillRect(0, 0, 10, 10);
  return canvas.captureStream(5);
};
"""


def send(there: Place, counter: int, node: str, **fields: object) -> None:
    """One uplink of a node, whichever meter it sits on."""
    there.publisher.send(there.build_uplink(counter, meter=1, **fields).replace(node_of(1).encode(), node.encode()))


def second_meter(there: Place) -> Caller:
    return there.caller(there.service.port)


def flow(client: Caller) -> float:
    """The second meter's flow, a float32 at input register 118."""
    return float(struct.unpack(">f", client.ask(struct.pack(">BHH", 4, 118, 2))[2:])[0])


def read_code(page: Page, text: str) -> None:
    page.get_by_label("QR code or DevEUI").fill(text)
    page.get_by_role("button", name="Read it").click()


def fits_the_phone(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth") <= PHONE[0])


def test_a_node_is_linked_from_its_qr_code_to_the_printed_record(place: Build) -> None:
    there = place(meters=2, linked=1)
    send(there, 1, NODE, flow=12.5, volume=7)
    page = there.open("/linking", Role.ENGINEER, PHONE)
    expect(page.locator("#nodes")).to_contain_text(NODE)
    expect(page.locator("#nodes")).to_contain_text("reads flow 12.5 m3/h, volume 7 m3")
    expect(page.locator("#nodes")).to_contain_text("sits on FT-102?")
    assert fits_the_phone(page)
    there.picture(page, "linking-phone")
    page.get_by_label("Search tag").fill("ft-102")
    expect(page.locator("#rows tr")).to_have_count(1)
    page.locator("#rows").get_by_role("link", name="FT-102").click()

    expect(page.locator("#stage")).to_have_text("not linked")
    there.picture(page, "link-1-start-phone")
    read_code(page, QR)
    expect(page.locator("#found")).to_contain_text(f"The label says node {NODE}, serial number YYWWNNNNNN.")
    expect(page.locator("#found")).to_contain_text("On FT-102 it would read: flow 12.5 m3/h, volume 7 m3.")
    there.picture(page, "link-2-found-phone")
    page.get_by_role("button", name="Link it to FT-102").click()

    expect(page.locator("#stage")).to_contain_text("1 earlier uplink of it stays set aside")
    expect(page.locator("#uplink")).to_contain_text("Waiting for the next uplink; one comes every 15 min.")
    expect(page.locator("#step-uplink")).to_have_attribute("aria-current", "step")
    expect(page.locator("#step-uplink h2")).to_be_focused()
    page.reload()
    expect(page.locator("#step-uplink")).to_have_attribute("aria-current", "step")
    there.picture(page, "link-3-waiting-phone")
    send(there, 2, NODE, flow=13.5, volume=8)
    expect(page.locator("#uplink")).to_contain_text("13.5 m3/h")
    expect(page.locator("#stage")).to_contain_text("not verified")

    page.get_by_label("flow, m3/h").fill("31.5")
    page.get_by_role("button", name="Compare").click()
    expect(page.locator("#compared")).to_contain_text("off by 18 m3/h")
    expect(page.locator("#stage")).to_contain_text("does not agree")
    there.picture(page, "link-4-off-phone")
    page.get_by_label("flow, m3/h").fill("13.4")
    page.get_by_label("volume, m3").fill("8")
    page.get_by_role("button", name="Compare").click()
    expect(page.locator("#stage")).to_contain_text(VERIFIED)
    expect(page.locator("#compared li")).to_have_count(2)

    page.get_by_label("Place").fill("north wall")
    page.get_by_label("Antenna").fill("on the node")
    picture = there.picture(page, "link-5-verified-phone")
    page.get_by_label("Photo").set_input_files(picture)
    page.get_by_role("button", name="Put on record").click()
    expect(page.locator("#notes-said")).to_have_text("On record.")
    photo = page.locator("#record img")
    expect(photo).to_be_visible()
    there.until(lambda: photo.evaluate("each => each.naturalWidth > 0"), what="the photo")
    (kept,) = (there.folder / "data" / "photos").iterdir()
    assert kept.read_bytes().startswith(b"\xff\xd8\xff")  # ISO/IEC 10918-1, JPEG, from memory
    assert fits_the_phone(page)
    page.locator("#record-part").scroll_into_view_if_needed()
    there.picture(page, "link-6-record-phone")

    page.emulate_media(media="print")
    record = page.locator("#record-part")
    for said in (
        NODE,
        "engineer",
        "north wall",
        "13.4 m3/h",
        "agrees",
        "off by 18 m3/h",
        "YYWWNNNNNN",
    ):
        expect(record).to_contain_text(said)
    expect(page.locator("h1")).to_contain_text("FT-102")
    expect(page.locator("#meter")).to_be_visible()
    for hidden in (".steps", "#exchange", "nav", "#print"):
        expect(page.locator(hidden).first).to_be_hidden()
    there.picture(page, "link-7-print")
    client = second_meter(there)
    assert flow(client) == 13.5
    assert client.registers(116, 1) == (1,)  # good

    page.emulate_media(media="screen")
    page.get_by_role("link", name="What it shows").click()
    link = page.locator("#link")
    for said in ("verified", NODE, "north wall", "off by 18 m3/h"):
        expect(link).to_contain_text(said)
    link.scroll_into_view_if_needed()
    there.picture(page, "link-8-meter-phone")
    assert fits_the_phone(page)


def test_a_link_that_is_verified_by_an_earlier_uplink_still_waits_for_the_next(place: Build) -> None:
    there = place(meters=2, linked=1)
    client = second_meter(there)
    send(there, 1, NODE, flow=12.5, volume=7)
    there.until(lambda: client.figure("uplinks_rejected") == 1, what="the node to be heard")
    page = there.open("/linking/FT-102", Role.ENGINEER, PHONE)
    read_code(page, QR)
    page.get_by_role("button", name="Link it to FT-102").click()
    page.get_by_label("flow, m3/h").fill("12.5")
    page.get_by_role("button", name="Compare").click()
    expect(page.locator("#stage")).to_contain_text("verified")
    waiting = page.locator("#step-uplink")
    expect(waiting).to_contain_text("Waiting for the next uplink")
    expect(waiting.locator("small").first).to_have_text("now")
    send(there, 2, NODE, flow=13.5, volume=8)
    expect(waiting.locator("small").first).to_have_text("done")


def test_a_code_that_was_read_wrong_is_refused_in_words(place: Build) -> None:
    there = place(meters=2, linked=1)
    there.expected.append("409")
    page = there.open("/linking/FT-102", Role.ENGINEER, PHONE)
    read_code(page, QR.replace("CAF2C", "CAF2D"))
    expect(page.locator("#code-wrong")).to_contain_text("checksum does not fit")
    expect(page.locator("#link-form")).to_be_hidden()
    there.picture(page, "link-refused-phone")
    read_code(page, "70b3")
    expect(page.locator("#code-wrong")).to_contain_text("`70b3` is no DevEUI, which has 16 hexadecimal digits")
    read_code(page, node_of(0))
    expect(page.locator("#code-wrong")).to_be_hidden()
    expect(page.locator("#found")).to_contain_text("It sits on FT-101.")
    expect(page.locator("#link-it")).to_be_disabled()


def test_the_camera_reads_the_code_where_the_browser_can(place: Build) -> None:
    there = place(meters=2, linked=1)
    page = there.open("/linking/FT-102", Role.ENGINEER, PHONE)
    expect(page.locator("#scan-not")).to_contain_text("cannot read QR codes")
    page.add_init_script(CAMERA % QR)
    page.reload()
    page.get_by_role("button", name="Scan with the camera").click()
    expect(page.locator("#found")).to_contain_text(NODE)
    expect(page.locator("#viewer")).to_be_hidden()
    page.reload()
    expect(page.locator("#found")).to_contain_text(NODE)


def test_another_node_takes_the_place_of_one_and_no_register_moves(place: Build) -> None:
    there = place(meters=2, linked=1)
    page = there.open(f"/linking/FT-102?node={NODE}", Role.ENGINEER, PHONE)
    page.get_by_role("button", name="Link it to FT-102").click()
    expect(page.locator("#stage")).to_contain_text("not heard")
    send(there, 1, NODE, flow=12.5, volume=1000)
    expect(page.locator("#uplink")).to_contain_text("12.5 m3/h")

    other = node_of(7)
    page.get_by_role("button", name="Another node sits here now").click()
    read_code(page, other)
    there.picture(page, "link-swap-node-phone")
    page.get_by_role("button", name=f"Put it in place of {NODE}").click()
    expect(page.locator("#seated")).to_contain_text(other)
    expect(page.locator("#past summary")).to_contain_text(f"{NODE} until")
    expect(page.locator("#past summary")).to_contain_text("node exchanged")
    send(there, 2, NODE, flow=99, volume=1003)
    send(there, 1, other, flow=14.5, volume=1004)
    expect(page.locator("#uplink")).to_contain_text("14.5 m3/h")
    client = second_meter(there)
    assert flow(client) == 14.5

    page.get_by_role("button", name="Take the node off").click()
    page.get_by_label("Why").fill("meter taken out of use")
    page.get_by_role("button", name="Take it off").click()
    expect(page.locator("#stage")).to_contain_text(f"Node {other} was taken off and is free.")
    expect(page.locator("#past summary").first).to_contain_text("meter taken out of use")
    assert flow(client) == 14.5


def test_another_meter_carries_the_total_of_the_old_one_on(place: Build) -> None:
    there = place(meters=2, linked=1)
    profile = there.folder / "profiles" / "gas-point.yaml"
    profile.write_text(
        profile.read_text().replace("volume: {unit: m3}", "volume: {unit: m3, counts: {wraps_at: 1e8 m3}}")
    )
    page = there.open(f"/linking/FT-102?node={NODE}", Role.ENGINEER, PHONE)
    token = page.locator("body").get_attribute("data-token") or ""
    assert page.request.post(f"{there.url}api/v1/service/reload", data={}, headers={"x-visit-token": token}).ok
    page.get_by_role("button", name="Link it to FT-102").click()
    expect(page.locator("#stage")).to_contain_text("not heard")
    send(there, 1, NODE, flow=12.5, volume=1000)
    expect(page.locator("#uplink")).to_contain_text("1,000 m3")
    page.get_by_label("flow, m3/h").fill("12.5")
    page.get_by_role("button", name="Compare").click()
    expect(page.locator("#stage")).to_contain_text(VERIFIED)

    page.get_by_role("button", name="Another meter stands here now").click()
    expect(page.locator("#counters")).to_contain_text("its last reading was 1,000 m3")
    page.get_by_label("Old counter: volume, m3").fill("900")
    page.get_by_label("New counter: volume, m3").fill("3")
    page.get_by_role("button", name="The meter was exchanged").click()
    there.expected.append("409")
    expect(page.locator("#swap-meter-form .wrong")).to_contain_text("cannot have gone from 1000 to 900")
    there.picture(page, "link-swap-meter-phone")
    page.get_by_label("Old counter: volume, m3").fill("1002")
    page.get_by_role("button", name="The meter was exchanged").click()
    expect(page.locator("#stage")).to_contain_text("volume goes on from 1,002")
    expect(page.locator("#past summary")).to_contain_text("meter exchanged")
    expect(page.locator("#stage")).not_to_contain_text(VERIFIED)  # nothing is proved of the new meter
    send(there, 2, NODE, flow=13.5, volume=4)
    expect(page.locator("#uplink")).to_contain_text("13.5 m3/h")
    assert flow(second_meter(there)) == 13.5
    page.get_by_role("button", name="Another meter stands here now").click()
    expect(page.locator("#counters")).to_contain_text("its last reading was 4 m3")


def test_a_meter_that_the_file_links_can_be_verified_and_not_linked_otherwise(place: Build) -> None:
    there = place(meters=2)
    there.send(1, flow=12.5, volume=7)
    page = there.open("/linking/FT-102", Role.ENGINEER, PHONE)
    expect(page.locator("#seated")).to_contain_text("by meters.yaml (meters.yaml:")
    expect(page.get_by_role("button", name="Another node sits here now")).to_be_hidden()
    expect(page.get_by_role("button", name="Take the node off")).to_be_hidden()
    expect(page.locator("#code-form")).to_be_hidden()
    there.picture(page, "link-file-phone")
    page.get_by_label("flow, m3/h").fill("12.5")
    page.get_by_role("button", name="Compare").click()
    expect(page.locator("#stage")).to_contain_text(VERIFIED)


def test_who_may_only_look_sees_how_far_the_site_is_and_changes_nothing(place: Build) -> None:
    there = place(meters=2, linked=1)
    send(there, 1, NODE, flow=12.5, volume=7)
    page = there.open("/linking", Role.LOOK, DESKTOP)
    expect(page.locator("#stages button").first).to_contain_text("2")
    expect(page.locator("#rows tr")).to_have_count(2)
    expect(page.get_by_text("Nodes heard that sit on no meter")).to_have_count(0)
    page.get_by_role("button", name="not linked").click()
    expect(page.locator("#rows tr")).to_have_count(1)
    there.picture(page, "linking-look")
    page.locator("#rows").get_by_role("link", name="FT-102").click()
    expect(page.locator("#stage")).to_have_text("not linked")
    expect(page.get_by_role("button", name="Read it")).to_have_count(0)
    token = page.locator("body").get_attribute("data-token") or ""
    answer = page.request.post(
        f"{there.url}api/v1/links/FT-102/link", data={"node": NODE}, headers={"x-visit-token": token}
    )
    assert answer.status == 403
    assert "engineer" in answer.json()["wrong"]
