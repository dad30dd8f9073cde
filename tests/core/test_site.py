"""The one story of a site: uplinks in, registers out, silence as an event."""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator import __version__
from aggregator.core import gateway
from aggregator.core.address_map import Item, Layout, Shows, Table
from aggregator.core.encoding import Order
from aggregator.core.errors import Refusal
from aggregator.core.functions import respond
from aggregator.core.gateway import FIGURES
from aggregator.core.image import Image, Write
from aggregator.core.intake import MOST_TOPICS
from aggregator.core.keeping import KeptEvent
from aggregator.core.meter import Meter
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, Reason
from aggregator.core.site import Declared, Site
from aggregator.core.uplink import Envelope
from tests.core.conftest import ANYBODY, talk_to

SiteOf = Callable[..., Site]
Send = Callable[..., list[str]]
Registers = Callable[..., tuple[int, ...]]
MessageOf = Callable[..., bytes]
Later = Callable[[float], Now]

STATUS, AGE, VOLUME, METHANE, METHANE_STATUS, METHANE_AGE, COUNTER, RSSI = 100, 101, 104, 106, 109, 110, 111, 113
GOOD = {"flow": 12.5, "volume": 100, "methane": 1.5}
RAW = bytes.fromhex("007B 00000064 40200000")  # 12.3 m3/h, 100 m3, 2.5 %LEL, as the profile's port 2 lays them out


@pytest.fixture
def site(site_of: SiteOf) -> Site:
    return site_of()


@pytest.fixture
def word(registers: Registers) -> Callable[..., int]:
    """One input register of the site's first device."""

    def read(site: Site, address: int, now: Now) -> int:
        return registers(site.images[1], address, 1, now)[0]

    return read


@pytest.fixture
def figures(later: Later) -> Callable[..., dict[str, object]]:
    """Every figure of the gateway block, as read from its registers."""

    def read(site: Site, at: float = 0.0) -> dict[str, object]:
        data = site.images[1].read_input_registers(0, 40, later(at))
        found: dict[str, object] = {}
        for item in gateway.gateway_layout(Order.HIGH_FIRST, Order.HIGH_FIRST).items:
            assert item.codec is not None
            found[item.of] = item.codec.decode(data[2 * item.offset : 2 * (item.offset + item.size)])
        return found

    return read


def everything(image: Image) -> dict[Table, bytes]:
    return {table: bytes(bank.data) for table, bank in image.banks.items()}


# Uplinks taken


def test_an_uplink_shows_in_registers(site: Site, send: Send, registers: Registers, start: Now) -> None:
    assert send(site, 41, **GOOD) == []
    assert registers(site.images[1], 100, 7) == (
        0x0001,
        0,
        *struct.unpack(">HH", struct.pack(">f", 12.5)),
        0,
        10000,
        15,
    )
    assert registers(site.images[1], COUNTER, 3) == (0, 41, 65536 - 101)


def test_a_raw_payload_is_decoded_where_the_server_has_not(site: Site, send: Send, registers: Registers) -> None:
    for counter, fields in ((1, None), (2, dict[str, object]())):
        assert send(site, counter, payload=RAW[:9] + bytes((counter,)), fields=fields) == []
        assert registers(site.images[1], METHANE, 1) == (25,)


def test_two_devices_show_one_meter_in_their_own_word_order(site_of: SiteOf, send: Send, registers: Registers) -> None:
    site = site_of(units=2)
    send(site, **{**GOOD, "flow": 123.456})
    assert registers(site.images[1], 102, 2) == (0x42F6, 0xE979)
    assert registers(site.images[2], 102, 2) == (0xE979, 0x42F6)
    assert registers(site.images[1], 0, 40)[6] == registers(site.images[2], 0, 40)[6] == 1


def test_a_value_out_of_range_is_kept_and_flagged(site: Site, send: Send, word: Callable[..., int], start: Now) -> None:
    send(site, **{**GOOD, "methane": 180})
    assert word(site, METHANE, start) == 1800
    assert word(site, METHANE_STATUS, start) == 0x0012
    assert word(site, STATUS, start) == 0x0012


def test_a_meter_s_own_fault_shows_as_bad_and_as_no_value(
    site: Site, send: Send, word: Callable[..., int], start: Now
) -> None:
    send(site, payload=RAW[:6] + b"\x7f\xc0\0\0")
    assert word(site, METHANE, start) == 0x8000
    assert word(site, METHANE_STATUS, start) == 0x0083
    assert word(site, STATUS, start) == 0x0083


def test_age_counts_from_when_it_was_measured(
    site: Site, send: Send, word: Callable[..., int], later: Later, start: Now
) -> None:
    send(site, at=100.0, observed=start.utc + 40, **GOOD)
    assert word(site, AGE, later(100)) == 60
    send(site, 2, at=200.0, observed=0, **GOOD)
    assert word(site, AGE, later(200)) == 0
    assert word(site, STATUS, later(200)) == 0x0201  # good, but the node's clock is off


def test_a_jump_of_the_wall_clock_changes_no_age_and_no_staleness(
    site: Site, send: Send, word: Callable[..., int], later: Later, start: Now
) -> None:
    send(site, **GOOD)
    for jump in (-start.utc, -3600.0, 3600.0, 1e9):
        jumped = Now(later(599).monotonic, start.utc + 599 + jump)
        assert site.tick(jumped) == []
        assert word(site, METHANE_AGE, jumped) == 599
        assert word(site, STATUS, jumped) == 0x0001


# Uplinks not taken


def test_one_uplink_heard_by_two_radios_counts_once(
    site: Site, send: Send, figures: Callable[..., dict[str, object]], word: Callable[..., int], later: Later
) -> None:
    send(site, 7, **GOOD)
    assert send(site, 7, at=0.3, **{**GOOD, "methane": 99.0}) == []
    assert word(site, METHANE, later(1)) == 15
    found = figures(site)
    assert (found["uplinks_accepted"], found["uplinks_duplicate"]) == (1, 1)


def test_an_older_uplink_is_counted_and_not_shown(
    site: Site,
    send: Send,
    message: MessageOf,
    figures: Callable[..., dict[str, object]],
    word: Callable[..., int],
    later: Later,
) -> None:
    send(site, 7, at=0.0, **GOOD)
    send(site, 9, at=1800.0, **GOOD)
    assert figures(site)["uplinks_lost"] == 1
    old = message(8, at=900.0, **{**GOOD, "methane": 50})
    notes = site.receive("lns/a/up", old, retained=False, now=later(1900))
    assert [(note.event, note.facts) for note in notes] == [("late uplink not shown", {"tag": "FT-101", "counter": 8})]
    assert word(site, METHANE, later(1900)) == 15
    found = figures(site)
    assert (found["uplinks_late"], found["uplinks_lost"], found["uplinks_accepted"]) == (1, 0, 2)


def test_a_node_that_begins_anew_is_taken_and_noted(
    site: Site, send: Send, word: Callable[..., int], later: Later
) -> None:
    send(site, 70000, **GOOD)
    assert send(site, 0, at=900.0, **{**GOOD, "methane": 3}) == ["frame counter began anew"]
    assert word(site, METHANE, later(900)) == 30


def test_a_retained_message_never_freshens_anything(
    site: Site, send: Send, word: Callable[..., int], later: Later
) -> None:
    assert send(site, 5, retained=True, **GOOD) == ["uplink refused"]
    assert word(site, STATUS, later(0)) == 0x0007
    send(site, 6, **GOOD)
    site.tick(later(1900))
    for counter in (6, 7):
        assert send(site, counter, at=1900.0, retained=True, **GOOD) == ["uplink refused"]
    assert word(site, STATUS, later(1901)) == 0x000A
    assert word(site, AGE, later(1901)) == 1901
    assert site.figures.counts.rejected[Refusal.RETAINED] == 3


@pytest.mark.parametrize(
    ("poison", "reason", "marks"),
    [
        ({"payload": b"short"}, Refusal.BAD_PAYLOAD, True),
        ({"payload": RAW, "port": 3}, Refusal.BAD_PAYLOAD, True),
        ({"fields": {"methane": True}}, Refusal.WRONG_TYPE, True),
        ({"fields": {"methane": math.inf}}, Refusal.BAD_JSON, False),
        ({"fields": {"methane": 10**400}}, Refusal.WRONG_TYPE, True),
        ({"fields": {"other": 1}}, Refusal.MISSING, True),
        ({"fields": "text"}, Refusal.WRONG_TYPE, True),
        ({"counter": -1}, Refusal.WRONG_TYPE, True),
        ({"node": 99}, Refusal.UNKNOWN_NODE, False),
    ],
)
def test_a_poison_message_marks_its_own_meter_and_disturbs_no_other(
    site_of: SiteOf,
    send: Send,
    word: Callable[..., int],
    later: Later,
    poison: dict[str, object],
    reason: Refusal,
    marks: bool,
) -> None:
    site = site_of(2)
    for node in (1, 2):
        send(site, 1, node=node, **GOOD)
    assert send(site, **{"counter": 2, "at": 60.0, **poison}) == ["uplink refused"]
    assert site.figures.counts.rejected[reason] == 1
    assert word(site, STATUS, later(60)) == (0x0102 if marks else 0x0001)
    assert word(site, METHANE, later(60)) == 15
    assert word(site, AGE, later(60)) == 60
    assert word(site, STATUS + 24, later(60)) == 0x0001
    send(site, 3, at=120.0, **GOOD)
    assert word(site, STATUS, later(120)) == 0x0001


def test_a_refusal_says_where_it_came_from(site: Site, later: Later, message: MessageOf) -> None:
    [note] = site.receive("lns/a/up", message(1, payload=b"x"), retained=False, now=later(0))
    assert note.warning
    assert note.facts == {
        "reason": "bad payload",
        "detail": "1 bytes where 10 are declared",
        "topic": "lns/a/up",
        "tag": "FT-101",
        "node": "70b3d57ed0000001",
    }
    [note] = site.receive("elsewhere", message(1), retained=False, now=later(0))
    assert note.facts == {
        "reason": "no envelope for topic",
        "detail": "no topic filter of site.yaml matches",
        "topic": "elsewhere",
    }


@pytest.mark.parametrize(
    "empty",
    [{"port": 0, "payload": b"\x02"}, {"port": 0}, {"payload": b""}, {"fields": {}}, {"fields": {}, "payload": b""}],
)
def test_an_uplink_without_data_says_that_the_node_lives_and_nothing_of_the_meter(
    site: Site,
    send: Send,
    word: Callable[..., int],
    figures: Callable[..., dict[str, object]],
    later: Later,
    empty: dict[str, object],
) -> None:
    send(site, 1, **GOOD)
    assert send(site, 2, at=300.0, rssi=-88, **empty) == []
    assert word(site, STATUS, later(300)) == 0x0001
    assert word(site, AGE, later(300)) == 300
    assert word(site, COUNTER + 1, later(300)) == 2
    assert word(site, RSSI, later(300)) == 65536 - 88
    found = figures(site, 310)
    assert (found["uplinks_accepted"], found["uplinks_rejected"], found["last_uplink_age"]) == (2, 0, 10)


def test_a_profile_without_decoded_fields_reads_the_payload_beside_them(
    meter_of: Callable[..., Meter], envelope: Envelope, profile: Profile, message: MessageOf, start: Now
) -> None:
    raw_only = Profile(profile.name, profile.title, profile.fields, (), profile.payloads)
    meter = meter_of(node="70b3d57ed0000001", profile=raw_only)
    site = Site(Declared("site", (meter,), (envelope,), ()), start)
    site.receive("lns/a/up", message(1, payload=RAW, fields={"methane": 77}), retained=False, now=start)
    assert site.states["FT-101"].readings[2].value == 2.5
    assert site.declared.profile_count() == 1


# One image, whole or not at all

MUTATIONS = st.lists(st.tuples(st.integers(0, 400), st.integers(0, 255)), min_size=1, max_size=4)


@settings(max_examples=60)
@given(mutations=MUTATIONS, cut=st.integers(0, 400), raw=st.booleans(), junk=st.binary(max_size=40))
def test_a_refused_uplink_changes_nothing_but_counts_and_status(
    site_of: SiteOf, message: MessageOf, mutations: list[tuple[int, int]], cut: int, raw: bool, junk: bytes
) -> None:
    text = bytearray(message(1000, payload=RAW) if raw else message(1000, flow=99, volume=99, methane=99))
    for at, byte in mutations:
        text[at % len(text)] = byte
    site = site_of()
    site.receive("lns/a/up", message(1, **GOOD), retained=False, now=site.figures.started)
    image, counts = site.images[1], site.figures.counts
    for poison in (bytes(text[:cut]), junk, bytes(text)):
        before, refused = everything(image), counts.rejected.total()
        site.receive("lns/a/up", poison, retained=False, now=site.figures.started)
        if counts.rejected.total() > refused:
            assert without_status(everything(image)) == without_status(before)


def without_status(tables: dict[Table, bytes]) -> dict[Table, bytes]:
    """The tables without what may change: the gateway's block, status words, and the flags in discrete inputs."""
    words = bytearray(tables[Table.INPUT])
    words[:80] = bytes(80)
    for address in (100, 107, 108, 109):
        words[2 * address : 2 * address + 2] = b"\0\0"
    return {Table.INPUT: bytes(words), Table.COIL: tables[Table.COIL], Table.HOLDING: tables[Table.HOLDING]}


# Silence


def test_a_meter_goes_stale_at_its_exact_time_without_an_uplink(
    site: Site, send: Send, word: Callable[..., int], later: Later
) -> None:
    send(site, **GOOD)
    assert site.next_look() == later(600).monotonic
    assert site.tick(later(599.999)) == []
    assert word(site, STATUS, later(599.999)) == 0x0001
    [note] = site.tick(later(600))
    assert (note.event, note.warning, note.facts) == ("meter is stale", True, {"tag": "FT-101", "age": 600})
    assert word(site, STATUS, later(600)) == 0x000A
    assert word(site, METHANE, later(600)) == 0x8000  # this item shows its filler once stale
    assert word(site, VOLUME + 1, later(600)) == 10000  # and this one holds
    assert site.next_look() == later(1800).monotonic
    assert len(list(site.tick(later(1800)))) == 1
    assert site.next_look() == math.inf
    assert site.tick(later(1e6)) == []


def test_a_site_that_heard_nothing_has_nothing_to_wait_for(site: Site, later: Later) -> None:
    assert site.next_look() == math.inf
    assert site.tick(later(1e6)) == []


def test_an_uplink_in_time_puts_the_look_off(site: Site, send: Send, word: Callable[..., int], later: Later) -> None:
    send(site, 1, **GOOD)
    send(site, 2, at=500.0, **GOOD)
    assert site.tick(later(600)) == []
    assert site.next_look() == later(1100).monotonic
    assert word(site, STATUS, later(600)) == 0x0001


def test_a_field_with_a_shorter_time_than_what_came_before_it_goes_stale_at_that_time(
    site: Site, send: Send, word: Callable[..., int], later: Later
) -> None:
    """Flow may be 1800 s old and methane 600 s: methane that comes later is due first."""
    send(site, 1, flow=1, volume=1)
    send(site, 2, at=100.0, methane=1)
    assert site.next_look() == later(700).monotonic
    site.tick(later(700))
    assert word(site, METHANE_STATUS, later(700)) == 0x000A
    assert site.next_look() == later(1800).monotonic
    send(site, 3, at=1000.0, **GOOD)
    assert site.tick(later(1800)) != []
    assert word(site, METHANE_STATUS, later(1800)) == 0x000A
    assert site.next_look() == later(2800).monotonic


def test_an_uplink_that_was_long_on_its_way_goes_stale_by_its_own_age(
    site: Site, send: Send, word: Callable[..., int], later: Later, start: Now
) -> None:
    send(site, 1, **GOOD)
    send(site, 2, at=300.0, observed=start.utc - 200, **GOOD)
    assert site.next_look() == later(400).monotonic


def test_a_reading_too_old_on_arrival_is_never_shown_as_good(
    site: Site, send: Send, word: Callable[..., int], later: Later, start: Now
) -> None:
    send(site, 1, at=350.0, observed=start.utc - 1000, **GOOD)
    assert word(site, METHANE_STATUS, later(350)) == 0x000A
    assert word(site, AGE, later(350)) == 1350


def test_a_node_clock_that_goes_backwards_is_not_believed_until_it_has_caught_up(
    site: Site, send: Send, word: Callable[..., int], later: Later, start: Now
) -> None:
    send(site, 1, at=300.0, observed=start.utc + 300, **GOOD)
    for counter, at in ((2, 350.0), (3, 400.0)):
        send(site, counter, at=at, observed=start.utc + at - 200, **GOOD)
        assert word(site, STATUS, later(at)) == 0x0201  # node clock off, and age from reception
        assert word(site, AGE, later(at)) == 0
    send(site, 4, at=600.0, observed=start.utc + 400, **GOOD)
    assert word(site, STATUS, later(600)) == 0x0001
    assert word(site, AGE, later(600)) == 200


@given(st.floats(0, 1e6), st.floats(0.0, 500.0))
@settings(max_examples=30)
def test_a_tick_at_the_very_instant_ends(site_of: SiteOf, message: MessageOf, at: float, delay: float) -> None:
    site = small_site(site_of)
    begin = Now(5000.0 + at, 1_795_600_000.0 + at)
    site.receive("lns/a/up", message(1, at=at - delay, **GOOD), retained=False, now=begin)
    site.tick(Now(site.next_look(), 0.0))
    assert site.states["FT-101"].reasons & Reason.STALE


def small_site(site_of: SiteOf) -> Site:
    """A site without devices: its images would take most of the time."""
    declared = site_of().declared
    return Site(Declared(declared.name, declared.meters, declared.envelopes, ()), Now(5000.0, 1_795_600_000.0))


# Writes


def talk(site: Site, request: str, now: Now) -> str:
    frame = bytes.fromhex("0001 0000") + struct.pack(">H", len(bytes.fromhex(request)) + 1) + b"\1"
    answer = talk_to(site.units()).receive(frame + bytes.fromhex(request), now)
    return answer[7:].hex(" ").upper()


def test_a_meter_is_held_in_test_by_its_coil(trial: Site, send: Send, word: Callable[..., int], start: Now) -> None:
    send(trial, **GOOD)
    for _ in range(3):  # a write that is sent again changes nothing
        assert talk(trial, "05 00 64 FF 00", start) == "05 00 64 FF 00"
    assert talk(trial, "01 00 64 00 01", start) == "01 01 01"
    assert word(trial, STATUS, start) == 0x2002
    assert word(trial, 12, start) == 1
    note, *rest = trial.take_notes()
    assert (note.event, note.facts) == ("meter taken into test", {"tag": "FT-101", "who": "192.0.2.7"})
    assert [(each.event, each.facts["old"], each.facts["new"]) for each in rest] == [
        ("register written", False, True),
        ("register written", True, True),  # and the third, a minute later with its count
    ]
    assert talk(trial, "05 00 64 00 00", start) == "05 00 64 00 00"
    assert word(trial, STATUS, start) == 0x0001
    assert [note.event for note in trial.take_notes()] == ["meter taken out of test", "register written"]
    assert trial.take_notes() == []


def test_an_uplink_does_not_end_a_test(trial: Site, send: Send, word: Callable[..., int], start: Now) -> None:
    trial.hold_in_test("FT-101", on=True, who="test", now=start)
    send(trial, **GOOD)
    assert word(trial, STATUS, start) == 0x2002


def test_scratch_registers_are_written_and_read_back(trial: Site, start: Now) -> None:
    assert talk(trial, "06 00 00 12 34", start) == "06 00 00 12 34"
    assert talk(trial, "03 00 00 00 01", start) == "03 02 12 34"
    assert talk(trial, "10 00 02 00 01 02 12 34", start) == "90 03"
    assert talk(trial, "10 00 02 00 02 04 12 34 56 78", start) == "10 00 02 00 02"
    assert talk(trial, "03 00 02 00 02", start) == "03 04 12 34 56 78"
    assert talk(trial, "0F 00 00 00 02 01 03", start) == "0F 00 00 00 02"
    assert talk(trial, "01 00 00 00 08", start) == "01 01 03"


def test_a_write_to_what_is_no_command_changes_nothing(trial: Site, start: Now) -> None:
    before = everything(trial.images[1])
    trial.accept([Write(Item(Table.COIL, 0, Shows.FLAG, "stale"), "FT-101", True, "test")], start)
    assert everything(trial.images[1]) == before
    assert [note.event for note in trial.take_notes()] == ["register written"]


# Units


def test_the_first_device_answers_its_unit_and_0_and_255(site_of: SiteOf) -> None:
    """Guide V1.0b section 4.4.1.3, from memory: 255 is recommended and 0 accepted for a device spoken to directly."""
    site = site_of(units=2)
    units = site.units()
    assert units[0] is units[1] is units[255] is site.images[1]
    assert units[2] is site.images[2]
    assert [unit for unit, tables in enumerate(units) if tables is not None] == [0, 1, 2, 255]


def test_a_device_may_answer_every_unit(site_of: SiteOf) -> None:
    site = site_of(units=2, answers_all=True)
    units = site.units()
    assert units[2] is site.images[2]
    assert all(tables is site.images[1] for unit, tables in enumerate(units) if unit != 2)


# The gateway's own figures


def test_every_figure_of_the_gateway_reads_right(
    site_of: SiteOf, send: Send, figures: Callable[..., dict[str, object]], later: Later, start: Now
) -> None:
    site = site_of(5)
    site.set_broker_connected(True)
    site.set_clock_trusted(True)
    send(site, 1, node=1, at=10.0, **GOOD)
    send(site, 1, node=2, at=10.0, **{**GOOD, "methane": 180})
    send(site, 1, node=3, at=10.0, payload=RAW[:6] + b"\x7f\xc0\0\0")
    send(site, 1, node=4, at=20.0, **GOOD)
    send(site, 1, node=4, at=20.0, **GOOD)
    send(site, 4, node=1, at=30.0, **GOOD)
    send(site, 3, node=1, at=20.0, **GOOD)
    send(site, 5, node=1, at=40.0, payload=b"short")
    site.hold_in_test("FT-104", on=True, who="test", now=later(40))
    site.set_listeners_away(0b10, networks=True)
    site.set_store_queue(12, 70_000)
    site.set_certificate_ends(start.utc + 100 + 3.5 * 86400)
    assert figures(site, 100) == {
        "heartbeat": 100,
        "state": 0b100_0011,
        "map_fingerprint": site.figures.fingerprint,
        "uptime": 100,
        "meters_total": 5,
        "meters_good": 0,
        "meters_uncertain": 3,
        "meters_bad": 2,
        "meters_stale": 0,
        "meters_never_seen": 1,
        "meters_under_test": 1,
        "meters_in_alarm": 0,
        "alarms_unacknowledged": 0,
        "uplinks_accepted": 5,
        "uplinks_duplicate": 1,
        "uplinks_late": 1,
        "uplinks_rejected": 1,
        "uplinks_lost": 1,
        "last_uplink_age": 70,
        "clock": int(start.utc) + 100,
        "version": __version__,
        "serial_away": 0b10,
        "certificate_days": 3,
        "alarms_last_10_min": 0,
        "generation": 0,
        "store_waiting": 12,
        "store_dropped": 65534,
    }
    assert set(figures(site)) == {figure.name for figure in FIGURES}
    site.tick(later(700))
    found = figures(site, 700)
    assert (found["meters_stale"], found["meters_good"], found["meters_bad"]) == (4, 0, 2)


def test_before_the_first_uplink_its_age_is_no_value(site: Site, figures: Callable[..., dict[str, object]]) -> None:
    found = figures(site, 5)
    assert (found["last_uplink_age"], found["state"], found["meters_never_seen"]) == (None, 0, 1)


def test_figures_are_right_in_the_very_second_of_a_change(
    site: Site, send: Send, figures: Callable[..., dict[str, object]]
) -> None:
    assert figures(site)["meters_good"] == 0
    send(site, **GOOD)
    assert figures(site)["meters_good"] == 1
    site.set_broker_connected(True)
    assert figures(site)["state"] == 1
    site.set_clock_trusted(True)
    site.set_clock_trusted(True)
    assert figures(site)["state"] == 3
    site.set_broker_connected(False)
    assert figures(site)["state"] == 2


def test_a_history_set_aside_stands_in_the_state_and_in_the_journal(
    site: Site, figures: Callable[..., dict[str, object]], start: Now
) -> None:
    """A record that was lost and begun anew must say so in the registers and in the new record."""
    site.history_set_aside({"file": "aside.db", "why": "is damaged", "states_carried": 2}, start)
    assert figures(site)["state"] == 0b10000
    kept = [each for each in site.take_kept() if isinstance(each, KeptEvent)]
    assert [(event.event, event.tag, event.facts["file"]) for event in kept] == [
        ("history set aside", None, "aside.db")
    ]
    after = Site(site.declared, start, site)
    after.take_over(site, "test", start)
    assert figures(after)["state"] == 0b10000


def test_a_contested_client_id_stands_in_the_state_and_the_journal_says_from_when_to_when(
    site: Site, registers: Registers, later: Later
) -> None:
    for seconds, contested, state in ((1, True, 0x20), (2, True, 0x20), (3, False, 0), (4, False, 0)):
        site.set_client_contested("alder-fen", contested=contested, now=later(seconds))
        assert registers(site.images[1], 1, 1, later(seconds)) == (state,)
    events = [(each.event, each.at, each.facts) for each in site.take_kept() if isinstance(each, KeptEvent)]
    began, ended = later(1).utc, later(3).utc
    about = {"client": "alder-fen"}
    assert events == [("client id contested", began, about), ("client id no longer contested", ended, about)]
    assert len(site.take_notes()) == 2
    site.set_client_contested("alder-fen", contested=True, now=later(5))
    after = Site(site.declared, later(6), site)
    after.take_over(site, "test", later(6))
    assert registers(after.images[1], 1, 1, later(6)) == (0x20,), "a reload does not hide it"


def test_each_setting_of_the_clock_is_journalled_and_counted(site: Site, later: Later) -> None:
    for seconds, by in ((1, 1e9), (2, -3600.04)):
        site.clock_was_set(by, later(seconds))
    kept = [each for each in site.take_kept() if isinstance(each, KeptEvent)]
    assert [(each.event, each.facts) for each in kept] == [("clock set", {"by": 1e9}), ("clock set", {"by": -3600.0})]
    assert site.figures.clock_sets == 2


def test_a_figure_that_is_not_there_is_an_error_of_the_map(site: Site, start: Now) -> None:
    with pytest.raises(KeyError):
        site.figures.figure("tea", start)


def test_topics_without_end_take_no_memory_without_end(site: Site, start: Now) -> None:
    for at in range(MOST_TOPICS + 5):
        site.receive(f"lns/{at}/up", b"", retained=False, now=start)
    assert len(site._intake._envelope_by_topic) <= MOST_TOPICS
    assert site.figures.counts.rejected[Refusal.BAD_JSON] == MOST_TOPICS + 5


# A bad radio day, and a whole one


@given(st.integers(0, 2**32))
@settings(max_examples=40)
def test_a_shuffled_and_doubled_day_ends_in_the_readings_of_a_clean_one(
    site_of: SiteOf, message: MessageOf, seed: int
) -> None:
    chance = random.Random(seed)
    sent = [message(counter, at=900.0 * counter, methane=counter % 90, flow=1, volume=counter) for counter in range(40)]
    heard = [text for text in sent if chance.random() > 0.3] or sent[:1]
    messy = heard + [text for text in heard if chance.random() < 0.1]
    chance.shuffle(messy)
    clean_site, messy_site = small_site(site_of), small_site(site_of)
    evening = Now(5000.0 + 36_000.0, 1_795_600_000.0 + 36_000.0)
    for site, delivered in ((clean_site, heard), (messy_site, messy)):
        for text in delivered:
            site.receive("lns/a/up", text, retained=False, now=evening)
    clean, shown = clean_site.states["FT-101"], messy_site.states["FT-101"]
    assert shown.readings == clean.readings
    assert (shown.counter, shown.reasons) == (clean.counter, clean.reasons)
    assert messy_site.figures.counts.duplicate == len(messy) - len(heard)


def test_a_day_of_forty_meters_is_taken_whole(
    site_of: SiteOf, message: MessageOf, later: Later, registers: Registers
) -> None:
    """96 uplinks a meter, a tick each minute, 120 registers read after each uplink."""
    site = site_of(40)
    day = [
        (900.0 * slot + 20 * node, message(slot, node=node, at=900.0 * slot + 20 * node, **GOOD))
        for slot in range(96)
        for node in range(1, 41)
    ]
    next_tick = 0.0
    for at, text in day:
        while next_tick <= at:
            site.tick(later(next_tick))
            next_tick += 60.0
        site.receive("lns/a/up", text, retained=False, now=later(at))
        site.images[1].read_input_registers(100, 120, later(at))
    assert site.figures.counts.accepted == len(day) == 3840
    last_tick, last = 86_280.0, [85_500.0 + 20 * node for node in range(1, 41)]
    expected = [0x000A if last_tick - at >= 600 else 0x0001 for at in last]  # methane may be 600 s old
    assert [registers(site.images[1], 100 + 24 * node, 1)[0] for node in range(40)] == expected


def test_the_layout_shows_what_these_tests_read(layout: Layout) -> None:
    """Guards the addresses that stand as constants above."""
    shown = {item.offset + 100: (item.shows, item.of) for item in layout.in_table(Table.INPUT)}
    assert shown[STATUS] == (Shows.STATUS, "")
    assert shown[METHANE] == (Shows.VALUE, "methane")
    assert shown[METHANE_STATUS] == (Shows.STATUS, "methane")
    assert shown[VOLUME] == (Shows.VALUE, "volume")


def test_each_device_says_whose_it_is(site_of: Callable[..., Site], start: Now) -> None:
    """MODBUS V1.1b3 6.21, individual access: the site's name, the unit id, the map's fingerprint and its revision."""
    site = Site(replace(site_of(units=2).declared, revision="C 2"), start)
    for unit, image in site.images.items():
        asked = [respond(image, bytes((0x2B, 0x0E, 4, number)), ANYBODY, start)[9:] for number in (6, 5, 0x81, 0x82)]
        expected = (
            "Alder Fen biogas works",
            f"Virtual register device, unit {unit}",
            f"{site.figures.fingerprint:08x}",
            "C 2",
        )
        assert asked == [text.encode() for text in expected]
