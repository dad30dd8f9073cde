"""The alarms page: an operator sees a leak and acts, beside plant software and others who act at the same moment."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable

import pytest
from playwright.sync_api import Locator, Page, expect

from aggregator.control import ask
from aggregator.web.people import Role
from tests.browser.conftest import DESKTOP, PASSWORD, PHONE, WALL, Place

pytestmark = [pytest.mark.peer("chromium"), pytest.mark.peer("mosquitto")]
Build = Callable[..., Place]


def leaking(place: Build, *flows: float, **keys: object) -> Place:
    """A site whose meters, the first ones, read that much; all were heard before."""
    there = place(meters=max(3, len(flows)), **keys)
    for meter in range(max(3, len(flows))):
        there.send(meter, flow=10, volume=7)
    for meter, flow in enumerate(flows):
        there.send(meter, flow=flow, volume=8)
    return there


def with_alarm_block(place: Build) -> Place:
    """A site that leaks, whose alarms plant software reads and acknowledges at 30000."""
    there = leaking(place, 120, allow="allow: [{from: any, may: [read, acknowledge, command]}]")
    laid_out = there.folder / "map.yaml"
    block = "    alarm_blocks: [{discrete: 30000, coil: 30000}]\n    place:\n"
    laid_out.write_text(laid_out.read_text().replace("    place:\n", block))
    ask(there.folder / "data", {"do": "reload", "who": "engineer"})
    return there


def visit(
    there: Place, path: str, role: Role, size: tuple[int, int] = DESKTOP, *, dark: bool = False, name: str = ""
) -> Page:
    """The page as somebody sees it who has signed in for it."""
    if there.people.find(name or role.words) is None:
        there.people.add(name or role.words, role, PASSWORD)
    return there.open(path, role, size, dark=dark, name=name)


def row(page: Page, title: str) -> Locator:
    return page.locator(f'tr[data-alarm="{title}"]')


def press(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


def test_an_operator_sees_a_leak_with_what_to_do_and_acknowledges_it(place: Build) -> None:
    there = leaking(place, 120)
    watcher = there.caller(there.service.port)
    page = visit(there, "/alarms", Role.OPERATE)
    leak = row(page, "FT-101 flow high")
    for text in (
        "high",
        "FT-101",
        "unacknowledged",
        "120 m3/h",
        "setpoint 100 m3/h",
        "Flow is high",
        "Call the control",
    ):
        expect(leak).to_contain_text(text)
    expect(leak.get_by_role("link", name="FT-101")).to_have_attribute("href", "/meters/FT-101")
    expect(page.locator("#sounder")).to_contain_text("The sounder is asked for")
    there.picture(page, "alarms-leak")
    assert watcher.figure("alarms_unacknowledged") == 1
    press(page, "Acknowledge: FT-101 flow high")
    expect(leak.locator(".standing")).to_have_text("acknowledged")
    expect(page.locator("#said")).to_have_text("1 alarm acknowledged.")
    expect(page.locator("#sounder")).to_be_hidden()
    expect(page.locator("#owed")).to_be_hidden()
    assert watcher.figure("alarms_unacknowledged") == 0


def test_what_plant_software_acknowledges_is_no_longer_owed_on_the_page(place: Build) -> None:
    """By the coil of the site's block of alarms, once it has read what stands (function 5 after function 2)."""
    there = with_alarm_block(place)
    page = visit(there, "/alarms", Role.OPERATE)
    expect(page.locator("#summary")).to_contain_text("1 unacknowledged")
    room = there.caller(there.service.port)
    room.ask(struct.pack(">BHH", 2, 30000, 3))
    assert room.ask(struct.pack(">BHH", 5, 30000, 0xFF00))[0] == 5
    expect(row(page, "FT-101 flow high").locator(".standing")).to_have_text("acknowledged", timeout=5000)
    expect(page.locator("#summary")).to_contain_text("0 unacknowledged")
    expect(page.locator("#sounder")).to_be_hidden()


def test_what_one_operator_acknowledges_is_owed_by_nobody_on_another_screen(place: Build) -> None:
    there = leaking(place, 120, 130)
    one, other = visit(there, "/alarms", Role.OPERATE, name="mara"), visit(there, "/alarms", Role.OPERATE, name="olav")
    expect(other.locator("#summary")).to_contain_text("2 unacknowledged")
    press(one, "Acknowledge: FT-102 flow high")
    expect(row(other, "FT-102 flow high").locator(".standing")).to_have_text("acknowledged", timeout=5000)
    expect(other.locator("#summary")).to_contain_text("1 unacknowledged")


def test_a_button_that_is_pressed_late_does_no_harm_and_says_so(place: Build) -> None:
    """The other screen hears of nothing for a while: its button still stands when it is pressed."""
    there = leaking(place, 120)
    there.expected.append("ERR_|Failed to load")
    one, other = visit(there, "/alarms", Role.OPERATE, name="mara"), visit(there, "/alarms", Role.OPERATE, name="olav")
    expect(row(other, "FT-101 flow high")).to_be_visible()
    other.route("**/api/v1/alarms", lambda route: route.abort())
    press(one, "Acknowledge: FT-101 flow high")
    expect(one.locator("#said")).to_have_text("1 alarm acknowledged.")
    answers: list[str] = []
    other.on("response", lambda answer: answers.append(answer.text()) if "acknowledge" in answer.url else None)
    with other.expect_response("**/alarms/acknowledge"):
        press(other, "Acknowledge: FT-101 flow high")
    other.unroute("**/api/v1/alarms")
    there.until(lambda: answers, what="the answer")
    assert '"acknowledged":0,"already":1' in answers[0].replace(" ", "")


def test_one_acknowledges_chosen_ones_and_then_all_that_are_shown(place: Build) -> None:
    there = leaking(place, 120, 130, 140)
    page = visit(there, "/alarms", Role.OPERATE)
    page.get_by_label("choose FT-102 flow high").check()
    press(page, "Acknowledge chosen (1)")
    expect(row(page, "FT-102 flow high").locator(".standing")).to_have_text("acknowledged")
    press(page, "Acknowledge all 2 shown")
    expect(page.locator("#said")).to_have_text("2 alarms acknowledged.")
    expect(page.locator("#summary")).to_contain_text("0 unacknowledged")
    expect(page.get_by_role("button", name="Acknowledge all shown")).to_be_disabled()


def test_a_latched_alarm_is_reset_only_once_its_condition_has_gone(place: Build) -> None:
    there = leaking(place, 160)
    there.expected.append("409")
    page = visit(there, "/alarms", Role.OPERATE)
    press(page, "Acknowledge all 2 shown")
    press(page, "Reset: FT-101 flow high-high")
    expect(page.locator("#said")).to_contain_text("its condition still stands, and a reset would hide it")
    there.send(0, flow=10, volume=9)
    latched = row(page, "FT-101 flow high-high").locator(".standing")
    expect(latched).to_have_text("latched, acknowledged")
    press(page, "Reset: FT-101 flow high-high")
    expect(page.locator("#said")).to_have_text("FT-101 flow high-high: normal.")
    expect(page.locator("#summary")).to_have_text("Nothing is announced.")


def test_a_shelved_alarm_stands_apart_with_its_terms_until_it_is_brought_back(place: Build) -> None:
    there = leaking(place, 120)
    page = visit(there, "/alarms", Role.OPERATE, name="mara")
    page.get_by_label("More about FT-101 flow high").click()
    press(page, "Shelve…: FT-101 flow high")
    page.get_by_role("dialog").get_by_role("combobox").select_option("2 h")
    page.get_by_label("Why, for whoever takes over").fill("new seal")
    there.picture(page, "alarms-shelve")
    press(page, "Shelve")
    apart = page.locator("#aside").locator('tr[data-alarm="FT-101 flow high"]')
    expect(apart).to_contain_text("by mara: new seal", timeout=30_000)
    expect(apart).to_contain_text("its condition stands")
    there.picture(page, "alarms-shelved")
    press(page, "Bring back: FT-101 flow high")
    expect(page.locator("#standing").locator('tr[data-alarm="FT-101 flow high"]')).to_contain_text("unacknowledged")


def test_an_engineer_begins_and_ends_a_suppression_and_takes_an_alarm_out_of_service(place: Build) -> None:
    there = leaking(place, 120, groups="suppressions: [{suppression: overhaul, meters: [FT-101]}]\n")
    page = visit(there, "/alarms", Role.ENGINEER)
    standing, aside = (page.locator(f'#{part} tr[data-alarm="FT-101 flow high"]') for part in ("standing", "aside"))
    expect(standing).to_be_visible()
    expect(page.locator("#suppressions li")).to_contain_text("overhaul: not in force")
    press(page, "Begin overhaul")
    expect(aside).to_contain_text("suppressed by design, its condition stands")
    expect(page.locator("#suppressions li")).to_contain_text("overhaul: its alarms announce nothing now")
    there.picture(page, "alarms-suppressed")
    press(page, "End overhaul")
    expect(standing).to_contain_text("unacknowledged")
    page.get_by_label("More about FT-101 flow high", exact=True).click()
    press(page, "Take out of service: FT-101 flow high")
    expect(aside).to_contain_text("out of service")
    press(page, "Put into service: FT-101 flow high")
    expect(standing).to_contain_text("unacknowledged")
    lines = ask(there.folder / "data", {"do": "journal", "alarms": ["flow high"], "most": 10})["rows"]
    done = [each["event"] for each in lines if each["who"] == "engineer"]
    assert done == [
        "alarm put back into service",
        "alarm taken out of service",
        "alarm no longer suppressed",
        "alarm suppressed by design",
    ]


def test_an_engineer_changes_a_setpoint_within_its_limits(place: Build) -> None:
    there = leaking(place, 120)
    there.expected.append("409")
    page = visit(there, "/alarms/limits", Role.ENGINEER)
    page.get_by_label("Meter or group").fill("FT-101")
    press(page, "Show")
    press(page, "Setpoint…: FT-101 flow high")
    page.get_by_label("Setpoint in m3/h").fill("300")
    press(page, "Set")
    expect(page.get_by_role("alert")).to_contain_text("may be 50 to 200")
    there.picture(page, "alarms-setpoint-refused")
    page.get_by_label("Setpoint in m3/h").fill("110")
    press(page, "Set")
    expect(page.locator("#said")).to_contain_text("the setpoint is 110 m3/h")
    limit = page.get_by_role("row").filter(has=page.get_by_role("rowheader", name="FT-101 flow high", exact=True))
    expect(limit).to_contain_text("110 m3/h")
    there.picture(page, "alarms-limits")


def test_the_setpoint_of_a_rate_is_asked_for_and_refused_in_the_unit_in_which_it_was_written(place: Build) -> None:
    rate = "{field: flow, rising: 30 m3/h/min, deadband: 1 m3/h/min, priority: low, may_be: 12 .. 60 m3/h/min}"
    there = place(alarms=rate)
    there.expected.append("409")
    page = visit(there, "/alarms/limits?of=FT-101", Role.ENGINEER)
    row = page.get_by_role("row").filter(has=page.get_by_role("rowheader", name="FT-101 flow rising", exact=True))
    expect(row).to_contain_text("30 m3/h/min")
    press(page, "Setpoint…: FT-101 flow rising")
    page.get_by_label("Setpoint in m3/h/min").fill("61")
    press(page, "Set")
    expect(page.get_by_role("alert")).to_contain_text("may be 12 to 60 m3/h/min")
    page.get_by_label("Setpoint in m3/h/min").fill("24")
    press(page, "Set")
    expect(page.locator("#said")).to_contain_text("the setpoint is 24 m3/h/min")
    expect(row).to_contain_text("24 m3/h/min")
    (alarm,) = ask(there.folder / "data", {"do": "alarms", "all": True, "of": ["FT-101"]})["alarms"]
    assert alarm["setpoint"] == pytest.approx(0.4)  # m3/h a second, as registers have it


def test_limits_stand_by_meter_and_worst_first_with_what_a_press_would_do(place: Build) -> None:
    there = leaking(place, 10)
    page = visit(there, "/alarms/limits", Role.ENGINEER)
    expect(page.locator("#limits tbody tr")).to_have_count(6)
    names = page.locator("#limits tbody th").all_inner_texts()
    assert names == [f"FT-10{meter} flow {kind}" for meter in (1, 2, 3) for kind in ("high-high", "high")]
    press(page, "Take out of service: FT-101 flow high")
    expect(page.get_by_role("button", name="Put into service: FT-101 flow high", exact=True)).to_be_visible()


def test_whoever_may_only_look_sees_alarms_and_has_no_buttons(place: Build) -> None:
    there = leaking(place, 160)
    page = visit(there, "/alarms", Role.LOOK)
    expect(row(page, "FT-101 flow high")).to_contain_text("unacknowledged")
    expect(page.locator("main button")).to_have_count(0)
    expect(page.locator("main input")).to_have_count(0)
    there.expected.append("403")
    answer = page.evaluate(
        "fetch('/api/v1/alarms/acknowledge', {method: 'POST', body: '{\"sequences\": [1]}', headers: "
        "{'content-type': 'application/json', 'x-visit-token': document.body.dataset.token}}).then(a => a.status)"
    )
    assert answer == 403


def test_all_can_be_done_by_keyboard_alone(place: Build) -> None:
    there = leaking(place, 120, 130)
    page = visit(there, "/alarms", Role.OPERATE)
    expect(row(page, "FT-102 flow high")).to_be_visible()
    focus = "document.activeElement.getAttribute('aria-label') ?? document.activeElement.textContent"

    def tab_to(name: str) -> None:
        for _ in range(60):
            if page.evaluate(focus) == name:
                return
            page.keyboard.press("Tab")
        raise AssertionError(f"{name} is not reached by the Tab key")

    tab_to("choose FT-101 flow high")
    page.keyboard.press("Space")
    expect(page.get_by_role("button", name="Acknowledge chosen (1)")).to_be_enabled()
    tab_to("Acknowledge: FT-101 flow high")
    page.keyboard.press("Enter")
    expect(row(page, "FT-101 flow high").locator(".standing")).to_have_text("acknowledged")
    tab_to("More about FT-102 flow high")
    page.keyboard.press("Enter")
    tab_to("Shelve…: FT-102 flow high")
    page.keyboard.press("Enter")
    expect(page.get_by_role("dialog")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)


def test_the_journal_says_who_did_what_and_is_searched_and_paged(place: Build) -> None:
    there = leaking(place, 120)
    page = visit(there, "/alarms", Role.OPERATE, name="mara")
    press(page, "Acknowledge: FT-101 flow high")
    expect(row(page, "FT-101 flow high").locator(".standing")).to_have_text("acknowledged")
    page.get_by_role("link", name="Journal").click()
    newest = page.locator("#rows tr").first
    expect(newest).to_contain_text("alarm acknowledged")
    for text in ("FT-101", "flow high", "at 120", "mara"):
        expect(newest).to_contain_text(text)
    page.get_by_label("What happened").select_option("alarm raised")
    press(page, "Show")
    expect(page.locator("#rows tr")).to_have_count(1)
    assert "event=alarm" in page.url
    there.picture(page, "alarms-journal")
    page.get_by_label("Meter or group").fill("FT-999")
    press(page, "Show")
    expect(page.locator("#counts")).to_have_text("Nothing in the journal is like that.")
    press(page, "Clear")
    expect(newest).to_contain_text("alarm acknowledged")
    for turn in range(40):  # three entries each: the meter and its two alarms
        ask(there.folder / "data", {"do": "test", "tag": "FT-103", "on": turn % 2 == 0, "who": "olav"})
    page.reload()
    expect(page.locator("#rows tr")).to_have_count(100)
    press(page, "Show older")
    expect(page.locator("#counts")).to_contain_text("all there are")
    expect(page.locator("#rows")).to_contain_text("alarm raised")


def test_the_journal_reads_as_sentences(place: Build) -> None:
    there = with_alarm_block(place)
    assert there.caller(there.service.port).ask(struct.pack(">BHH", 5, 30000, 0xFF00))[0] == 5
    ask(there.folder / "data", {"do": "reload", "who": "olav"})
    page = visit(there, "/alarms/journal", Role.LOOK)
    written = page.locator("#rows tr", has_text="register written").locator(".particulars")
    expect(written).to_have_text(
        "acknowledge (unit 1, coil 30000) from off to on: answered, 1 alarm stays unacknowledged"
    )
    taken = page.locator("#rows tr", has_text="files taken anew").first.locator(".particulars")
    expect(taken).to_have_text(re.compile(r"^map as before \([0-9a-f]{8}\)$"))


def test_the_figures_stand_beside_their_targets(place: Build) -> None:
    there = leaking(place, 120, 130)
    page = visit(there, "/alarms/figures", Role.LOOK, PHONE)
    announced = page.get_by_role("row").filter(has_text="alarms announced")
    expect(announced).to_contain_text("2")
    expect(page.locator("#worst")).to_contain_text("FT-101 flow high")
    expect(page.get_by_role("row").filter(has_text="in 10 min, average")).to_contain_text("EEMUA 191")
    there.picture(page, "alarms-figures-phone")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]


@pytest.mark.parametrize(
    ("name", "size", "dark"),
    [("desktop", DESKTOP, False), ("phone", PHONE, False), ("wall", WALL, False), ("dark", DESKTOP, True)],
)
def test_nothing_is_cut_off(place: Build, name: str, size: tuple[int, int], dark: bool) -> None:
    there = leaking(place, 120, 160, 170, 10)
    page = visit(there, "/alarms", Role.ENGINEER, size, dark=dark)
    press(page, "Acknowledge: FT-103 flow high-high")
    expect(row(page, "FT-103 flow high-high").locator(".standing")).to_have_text("acknowledged")
    there.picture(page, f"alarms-{name}")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
