"""A stand-in answers as the meter did: to the bit while it is heard, and not at all once it is not."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from dataclasses import replace

import pytest
from crccheck.crc import CrcModbus

from aggregator.core.access import EVERYTHING, Party
from aggregator.core.address_map import Block, Device, Shows, StandsIn, Table, WhenStale
from aggregator.core.encoding import Encoding, Order, Scale
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.functions import Tables, respond
from aggregator.core.meter import Meter
from aggregator.core.pointer import Pointer
from aggregator.core.profile import (
    Binary,
    BinaryItem,
    Constant,
    DecodedField,
    Field,
    Profile,
    RegisterItem,
    Response,
    Window,
)
from aggregator.core.reading import Now
from aggregator.core.site import Declared, Site
from aggregator.core.stand_in import StandIn, blocks_of, carried
from aggregator.core.uplink import Envelope

Send = Callable[..., list[str]]
Later = Callable[[float], Now]
Answer = bytes | ExceptionCode

FLOW, VOLUME, STATE, MODE, PRESSURE, HOURS = range(6)
FIELDS = (
    Field("flow", "m3/h", "flow", 0.0, 500.0),
    Field("volume", "m3", "volume", stale_after=3600.0),
    Field("state", "", "state", optional=True),
    Field("mode", "", "mode", optional=True),
    Field("pressure", "mbar", "pressure", can_show=(0.0, 100.0)),
    Field("hours", "h", "hours", optional=True),
)
# Registers 0-1 flow, 2-3 volume, 4 not listed, 5 state and mode by bits, 6 pressure; 20 hours, never read by the node.
LIST = (
    RegisterItem(FLOW, 3, 0, Encoding.number("float32")),
    RegisterItem(VOLUME, 3, 2, Encoding.number("uint32", Order.LOW_FIRST), Scale(0.01)),
    RegisterItem(STATE, 3, 5, Encoding.number("uint16"), bits=(0, 3)),
    RegisterItem(MODE, 3, 5, Encoding.number("uint16"), bits=(8, 11)),
    RegisterItem(PRESSURE, 3, 6, Encoding.number("int16"), Scale(0.1), faults={0x7FFF: "sensor failed"}),
    RegisterItem(HOURS, 3, 20, Encoding.number("uint16")),
)
ANSWERS = Response((Window(3, 0, 7),), frozenset({"address", "function", "count", "registers", "crc"}), LIST)
PROFILE = Profile(
    "flow-rtu",
    "Flow meter",
    FIELDS,
    tuple(DecodedField(index, Pointer(f"/{each.name}"), Scale()) for index, each in enumerate(FIELDS)),
    {2: ANSWERS},
    LIST,
)
# The meter answers: 87.25 m3/h, 98765.43 m3 low word first, 0xBEEF in the register that is not listed, state 3 and
# mode 9 with bits beside them that nobody knows, 12.3 mbar.
REGISTERS = struct.pack(">fHHHHh", 87.25, 9876543 & 0xFFFF, 9876543 >> 16, 0xBEEF, 0xF9A3, 123)


def frame(registers: bytes) -> bytes:
    data = bytes([1, 3, len(registers)]) + registers
    return data + int(CrcModbus.calc(data)).to_bytes(2, "little")


def stand_in_of(site: Site) -> StandIn:
    found = site.tables["11"]
    assert isinstance(found, StandIn)
    return found


@pytest.fixture
def site_of(meter_of: Callable[..., Meter], envelope: Envelope, start: Now) -> Callable[..., Site]:
    """A site with one meter and its stand-in at unit 11."""

    def build(stands_in: StandsIn = StandsIn("FT-101"), profile: Profile = PROFILE) -> Site:  # noqa: B008 - frozen
        meter = meter_of(profile=profile, node="70b3d57ed0000001", stale_after=1800.0)
        device = Device(11, blocks_of(stands_in, profile), stands_in=stands_in)
        return Site(Declared("Alder Fen biogas works", (meter,), (envelope,), (device,)), start)

    return build


@pytest.fixture
def read(start: Now) -> Callable[..., Answer]:
    """The registers that a request is answered with, or the exception."""

    def ask(site: Site, address: int, count: int, function: int = 3, now: Now = start) -> Answer:
        tables = stand_in_of(site)
        try:
            if function == 3:
                return tables.read_holding_registers(address, count, now)
            return tables.read_input_registers(address, count, now)
        except ModbusError as error:
            return error.code

    return ask


Read = Callable[..., Answer]
SiteOf = Callable[..., Site]


def test_the_registers_are_what_the_meter_answered_to_the_bit(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of()
    send(site, payload=frame(REGISTERS))
    assert read(site, 0, 7) == REGISTERS
    assert read(site, 2, 2) == REGISTERS[4:8]
    assert read(site, 4, 1) == bytes.fromhex("BEEF")


def test_before_the_first_uplink_the_meter_does_not_answer(site_of: SiteOf, read: Read) -> None:
    site = site_of()
    for address in range(7):
        assert read(site, address, 1) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND


def test_what_nobody_reads_from_the_meter_is_no_address(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of()
    send(site, payload=frame(REGISTERS))
    for address, count in ((20, 1), (7, 1), (6, 2), (65535, 2), (19, 3)):
        assert read(site, address, count) is ExceptionCode.ILLEGAL_DATA_ADDRESS


def test_what_nobody_reads_may_hold_a_declared_number(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of(StandsIn("FT-101", unread=0xABCD))
    send(site, payload=frame(REGISTERS))
    assert read(site, 0, 21) == REGISTERS + bytes.fromhex("ABCD") * 14
    assert read(site, 21, 1) is ExceptionCode.ILLEGAL_DATA_ADDRESS


def test_a_silent_meter_answers_no_more(site_of: SiteOf, send: Send, read: Read, later: Later) -> None:
    site = site_of()
    send(site, payload=frame(REGISTERS))
    site.tick(later(1800.0))  # all but the volume are stale, which may be an hour old
    assert read(site, 0, 2) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    assert read(site, 4, 1) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    assert read(site, 5, 1) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    assert read(site, 2, 2) == REGISTERS[4:8]
    site.tick(later(3600.0))
    assert read(site, 2, 2) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    send(site, 2, at=3700.0, payload=frame(REGISTERS))
    assert read(site, 0, 7) == REGISTERS


def test_a_stand_in_may_hold_what_is_stale(site_of: SiteOf, send: Send, read: Read, later: Later) -> None:
    site = site_of(StandsIn("FT-101", refuses_stale=False))
    send(site, payload=frame(REGISTERS))
    site.tick(later(1e6))
    assert read(site, 0, 7) == REGISTERS


def test_a_fault_code_is_shown_as_the_meter_sent_it(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of()
    failed = REGISTERS[:12] + bytes.fromhex("7FFF")
    assert send(site, payload=frame(failed)) == ["meter reports a fault"]
    assert read(site, 0, 7) == failed


def test_a_value_that_the_sensor_cannot_show_is_the_meters_own_affair(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of()
    beyond = REGISTERS[:12] + struct.pack(">h", 5000)
    send(site, payload=frame(beyond))
    assert read(site, 6, 1) == beyond[12:]


def test_a_meter_that_answered_its_node_with_an_exception_does_not_answer(
    site_of: SiteOf, send: Send, read: Read
) -> None:
    """V1.1b3 section 7: function + 0x80, then the code; here 04, server device failure."""
    site = site_of()
    send(site, payload=frame(REGISTERS))
    refused = bytes.fromhex("018304")
    send(site, 2, at=60.0, payload=refused + CrcModbus.calc(refused).to_bytes(2, "little"))
    assert read(site, 0, 2) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    assert read(site, 4, 1) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    send(site, 3, at=120.0, payload=frame(REGISTERS))
    assert read(site, 0, 7) == REGISTERS


def test_an_uplink_that_cannot_be_read_changes_no_register(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of()
    send(site, payload=frame(REGISTERS))
    send(site, 2, at=60.0, payload=frame(REGISTERS)[:-1] + b"\0")
    assert read(site, 0, 7) == REGISTERS


def test_a_late_uplink_changes_no_register(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of()
    send(site, 5, at=60.0, payload=frame(REGISTERS))
    send(site, 4, at=50.0, payload=frame(bytes(14)))
    assert read(site, 0, 7) == REGISTERS


def test_decoded_values_are_put_into_registers_as_the_list_has_them(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of()
    send(site, flow=87.25, volume=98765.43, state=3, mode=9, pressure=12.3)
    assert read(site, 0, 2) == REGISTERS[:4]
    assert read(site, 2, 2) == REGISTERS[4:8]
    assert read(site, 5, 2) == bytes.fromhex("0903") + REGISTERS[12:]
    assert read(site, 4, 1) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND  # nobody knows what stands there


def test_a_decoded_value_that_is_newer_stands_over_what_the_meter_answered(
    site_of: SiteOf, send: Send, read: Read
) -> None:
    site = site_of()
    send(site, payload=frame(REGISTERS))
    send(site, 2, at=60.0, flow=1.5, state=12)
    assert read(site, 0, 2) == struct.pack(">f", 1.5)
    assert read(site, 5, 1) == bytes.fromhex("F9AC")  # the bits beside the field's stay the meter's own
    send(site, 3, at=120.0, payload=frame(REGISTERS))
    assert read(site, 0, 7) == REGISTERS


def test_a_number_beyond_its_register_is_the_nearest_as_in_the_meter(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of()
    send(site, flow=1e39, volume=-5.0, state=99, pressure=99.0)
    assert read(site, 0, 2) == struct.pack(">f", 3.4028234663852886e38)  # the largest, IEEE 754-2019 section 3.4
    assert read(site, 2, 2) == bytes(4)
    assert read(site, 5, 1) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND  # no mode has come
    assert read(site, 6, 1) == struct.pack(">h", 990)


def test_a_value_entered_by_hand_is_shown_as_if_measured(
    site_of: SiteOf, send: Send, read: Read, later: Later, start: Now
) -> None:
    site = site_of()
    send(site, payload=frame(REGISTERS))
    site.substitute("FT-101", "flow", 42.0, lasts=86400.0, who="shift", now=start)
    assert read(site, 0, 2) == struct.pack(">f", 42.0)
    site.tick(later(5000.0))
    assert read(site, 0, 2) == struct.pack(">f", 42.0)
    assert read(site, 2, 2) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    site.withdraw("FT-101", "flow", who="shift", now=later(5000.0))
    assert read(site, 0, 2) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND


def test_after_a_restart_the_registers_are_made_of_the_readings(
    site_of: SiteOf, send: Send, read: Read, remembered: Callable[..., object], later: Later
) -> None:
    before = site_of()
    send(before, payload=frame(REGISTERS))
    after = site_of()
    after.restore(remembered(before.take_kept()), later(60.0))  # type: ignore[arg-type]
    assert read(after, 0, 4) == REGISTERS[:8]
    assert read(after, 5, 2) == bytes.fromhex("0903") + REGISTERS[12:]
    assert read(after, 4, 1) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND


def test_when_the_files_are_taken_anew_the_answers_stay_and_the_next_uplink_is_seen(
    site_of: SiteOf, send: Send, read: Read, later: Later
) -> None:
    before = site_of()
    send(before, payload=frame(REGISTERS))
    site = Site(before.declared, later(10), before)
    site.take_over(before, "test", later(10))
    assert read(site, 0, 7) == REGISTERS
    newer = REGISTERS[:8] + bytes.fromhex("CAFE") + REGISTERS[10:]
    send(site, 2, at=20.0, payload=frame(newer))
    assert read(site, 0, 7) == newer


def test_without_a_declared_count_the_first_answer_tells_what_is_read(site_of: SiteOf, send: Send, read: Read) -> None:
    answers = replace(ANSWERS, windows=(Window(3, 0),))
    site = site_of(profile=replace(PROFILE, payloads={2: answers}))
    assert read(site, 20, 1) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    send(site, payload=frame(REGISTERS))
    assert read(site, 0, 7) == REGISTERS
    for address in (7, 19, 20):
        assert read(site, address, 1) is ExceptionCode.ILLEGAL_DATA_ADDRESS


@pytest.mark.parametrize("registers", [6, 8])
def test_an_answer_of_another_length_than_declared_is_refused(
    site_of: SiteOf, send: Send, read: Read, registers: int
) -> None:
    site = site_of()
    send(site, payload=frame(REGISTERS))
    assert send(site, 2, at=60.0, payload=frame(bytes(2 * registers))) == ["uplink refused"]
    assert read(site, 0, 7) == REGISTERS


# The functions


@pytest.mark.parametrize(
    "pdu",
    ["01 0000 0001", "02 0000 0001", "04 0000 0001", "05 0000 FF00", "06 0000 0001", "0F 0000 0001 01 01",
     "10 0000 0001 02 0001", "16 0000 FFFF 0000", "17 0000 0001 0000 0001 02 0000"],
)  # fmt: skip
def test_a_function_that_the_list_has_nothing_of_is_unknown(
    site_of: SiteOf, send: Send, read: Read, start: Now, pdu: str
) -> None:
    site = site_of()
    send(site, payload=frame(REGISTERS))
    tables: Tables = stand_in_of(site)
    request = bytes.fromhex(pdu)
    assert respond(tables, request, Party("old software", EVERYTHING), start) == bytes([request[0] | 0x80, 1])
    assert read(site, 0, 7) == REGISTERS


# A list of its own, for a meter whose node lays the payload out itself

BINARY = Binary(
    (
        BinaryItem(FLOW, 0, 2, "uint", "big", None, Scale(0.1), {0xFFFF: "sensor failed", 0xFFFE: "warming up"}),
        BinaryItem(VOLUME, 2, 4, "float", "big", None, Scale()),
    )
)
WIRED = Profile(
    "flow-binary",
    "Flow meter",
    FIELDS,
    (),
    {2: BINARY},
    wired=(
        RegisterItem(FLOW, 4, 10, Encoding.number("int16"), Scale(0.5), faults={0x8000 - 0x10000: "sensor failed"}),
        RegisterItem(VOLUME, 4, 11, Encoding.number("float32")),
        RegisterItem(PRESSURE, 4, 14, Encoding.number("int16")),
    ),
    constants=(Constant(4, 15, Encoding.number("uint16"), 0x0203),),
)


def test_a_wired_list_is_shown_in_place_of_the_payloads_own(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of(profile=WIRED)
    send(site, payload=struct.pack(">Hf", 875, 12.5))
    assert read(site, 10, 3, 4) == struct.pack(">hf", 175, 12.5)
    assert read(site, 15, 1, 4) == bytes.fromhex("0203")
    assert read(site, 13, 1, 4) is ExceptionCode.ILLEGAL_DATA_ADDRESS
    assert read(site, 14, 1, 4) is ExceptionCode.ILLEGAL_DATA_ADDRESS  # no uplink carries the pressure
    assert read(site, 10, 1, 3) is ExceptionCode.ILLEGAL_FUNCTION


def test_a_fault_has_the_code_that_the_wired_list_has_for_it(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of(profile=WIRED)
    send(site, payload=struct.pack(">Hf", 0xFFFF, 12.5))
    assert read(site, 10, 3, 4) == bytes.fromhex("8000") + struct.pack(">f", 12.5)
    send(site, 2, at=60.0, payload=struct.pack(">Hf", 0xFFFE, 12.5))  # the old list has no code for that
    assert read(site, 10, 1, 4) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    assert read(site, 11, 2, 4) == struct.pack(">f", 12.5)
    send(site, 3, at=120.0, payload=struct.pack(">Hf", 875, 12.5))
    assert read(site, 10, 1, 4) == struct.pack(">h", 175)


def test_a_float_without_a_value_reads_as_not_a_number(site_of: SiteOf, send: Send, read: Read) -> None:
    site = site_of(profile=WIRED)
    send(site, payload=struct.pack(">Hf", 875, math.inf))
    data = read(site, 11, 2, 4)
    assert isinstance(data, bytes)
    assert math.isnan(struct.unpack(">f", data)[0])


# What register lists say of it


def test_its_blocks_are_the_runs_that_always_answer() -> None:
    def spans(blocks: tuple[Block, ...]) -> list[tuple[Table, int, int]]:
        return [(block.table, block.start, block.size) for block in blocks]

    assert spans(blocks_of(StandsIn("FT-101"), PROFILE)) == [(Table.HOLDING, 0, 4), (Table.HOLDING, 5, 2)]
    assert spans(blocks_of(StandsIn("FT-101", unread=0), PROFILE)) == [(Table.HOLDING, 0, 21)]
    assert spans(blocks_of(StandsIn("FT-101"), WIRED)) == [(Table.INPUT, 10, 3), (Table.INPUT, 15, 1)]


def test_its_items_stand_at_the_meters_own_addresses() -> None:
    device = Device(11, blocks_of(StandsIn("FT-101"), PROFILE))
    shown = [(each.address, each.item.shows, each.item.title, each.item.note) for each in device.entries()]
    assert shown == [
        (0, Shows.VALUE, "flow", ""),
        (2, Shows.VALUE, "volume", ""),
        (5, Shows.WIRED, "state", "bits 0-3"),
        (5, Shows.WIRED, "mode", "bits 8-11"),
        (6, Shows.VALUE, "pressure", ""),
    ]
    assert {each.item.when_stale for each in device.entries()} == {WhenStale.REFUSE}
    assert device.tags() == {"FT-101"}


def test_what_an_uplink_can_carry_is_known_from_the_payloads() -> None:
    assert carried(PROFILE) == {FLOW, VOLUME, STATE, MODE, PRESSURE}
    assert carried(WIRED) == {FLOW, VOLUME}
    decoded_only = Profile("p", "p", FIELDS, PROFILE.decoded[:2], {}, LIST)
    assert carried(decoded_only) == {FLOW, VOLUME}
