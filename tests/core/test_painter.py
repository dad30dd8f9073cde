"""What follows from a meter's state in registers: totals, times, grades, reasons and flags of one field; loss."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from dataclasses import replace

import pytest

from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table
from aggregator.core.encoding import Encoding, ItemCodec, Scale
from aggregator.core.errors import Place
from aggregator.core.image import Image
from aggregator.core.meter import Meter, MeterState
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, Reading, Reason, Times, Value
from aggregator.core.site import Site
from aggregator.core.uplink import NO_RADIO

SiteOf = Callable[..., Site]
Send = Callable[..., list[str]]
Registers = Callable[..., tuple[int, ...]]
Later = Callable[[float], Now]
TOTAL, STATUS, VOLUME_STATUS = 121, 100, 108


@pytest.fixture
def site(site_of: SiteOf, watchful: Profile) -> Site:
    return site_of(profile=watchful)


def test_a_total_that_never_began_is_no_value(site: Site, registers: Registers) -> None:
    assert registers(site.images[1], TOTAL, 2) == (0xFFFF, 0xFFFF)


def test_a_total_goes_on_where_the_counter_comes_round(
    site: Site, send: Send, registers: Registers, later: Later
) -> None:
    send(site, 1, volume=990)
    assert registers(site.images[1], TOTAL, 2) == (0, 990)
    assert send(site, 2, at=900.0, volume=20) == ["counter wrapped"]
    assert registers(site.images[1], TOTAL, 2, later(900)) == (0, 1020)
    assert registers(site.images[1], VOLUME_STATUS, 1, later(900)) == (1,)


def test_a_held_value_moves_no_total_and_is_flagged(site: Site, send: Send, registers: Registers, later: Later) -> None:
    send(site, 1, volume=500)
    send(site, 2, at=900.0, volume=3)
    assert registers(site.images[1], TOTAL, 2, later(900)) == (0, 500)
    assert registers(site.images[1], VOLUME_STATUS, 1, later(900)) == (Reason.JUMPED | 2,)


def test_a_total_stands_when_its_reading_is_stale(site: Site, send: Send, registers: Registers, later: Later) -> None:
    send(site, 1, volume=500)
    site.tick(later(1e5))
    assert registers(site.images[1], VOLUME_STATUS, 1, later(1e5)) == (Reason.STALE | 2,)
    assert registers(site.images[1], TOTAL, 2, later(1e5)) == (0, 500)


def test_a_total_beyond_its_register_is_clamped_and_says_so(site: Site, registers: Registers, later: Later) -> None:
    site.set_total("FT-101", "volume", 5e9, 0.0, who="shift", now=later(0))
    assert registers(site.images[1], TOTAL, 2) == (0xFFFF, 0xFFFE)
    assert registers(site.images[1], STATUS, 1)[0] & Reason.CLAMPED


# Times, grades, reasons and flags of one field

# 2**28 s is 1978-07-04T21:24:16Z (RFC 8428 section 4.5.3); the second is POSIX.1-2017 base definitions 4.16: no leap
# seconds, 86400 s a day.
MOMENT = 268435456.75
Seen = Callable[..., MeterState]


@pytest.fixture
def seen(meter_of: Callable[..., Meter], start: Now) -> Seen:
    """A meter of which each named field has one reading: `seen(flow=(12.5, Reason.STALE))`."""

    def build(
        observed: float | None = None, received: float | None = None, arrived: float = MOMENT, **values: object
    ) -> MeterState:
        state = MeterState(replace(meter_of(), node="70b3d57ed0000101"))
        times = Times(observed, received, arrived, start.monotonic)
        readings = []
        for name, told in values.items():
            value, reasons = told if isinstance(told, tuple) else (told, 0)
            index = state.meter.profile.index_of(name)
            assert index is not None
            readings.append((index, Reading(value, int(reasons), times)))
        state.take(readings, times, NO_RADIO, 1)
        return state

    return build


def shown(state: MeterState, kind: str, shows: Shows, of: str = "", about: str = "", scale: float = 1.0) -> bytes:
    """What one item of a layout shows, as bytes on the wire; the codec's filler is 0 for packed grades, as at load."""
    encoding = Encoding("text", 8) if kind == "text" else Encoding.number(kind)
    codec = ItemCodec(encoding, Scale(scale), 0 if shows is Shows.GRADES else None)
    layout = Layout("one item", (Item(Table.INPUT, 0, shows, of, codec, about=about),))
    block = Block(Table.INPUT, 0, 8, layout, state.meter.tag, state.meter.tag, Place(""))
    image = Image(Device(1, (block,)), {state.meter.tag: state}, lambda name, now: None, lambda writes, now: None)
    return image.read_input_registers(0, codec.encoding.registers, Now(5000.0, 0.0))


@pytest.mark.parametrize(
    ("kind", "scale", "registers"),
    [
        ("uint32", 1.0, struct.pack(">I", 2**28)),  # the second that has begun, never the one to come
        ("int64", 1.0, struct.pack(">q", 2**28)),
        ("uint64", 0.001, struct.pack(">Q", 268435456750)),
        ("float64", 1.0, struct.pack(">d", MOMENT)),
    ],
)
@pytest.mark.parametrize("which", ["observed", "received", "arrived"])
def test_a_time_is_shown_as_seconds_since_1970(
    seen: Seen, which: str, kind: str, scale: float, registers: bytes
) -> None:
    others = {"observed": 1.0, "received": 2.0, "arrived": 3.0} | {which: MOMENT}
    assert shown(seen(flow=1.0, **others), kind, Shows.TIME, which, scale=scale) == registers


@pytest.mark.parametrize(
    ("part", "number"), [("year", 1978), ("month", 7), ("day", 4), ("hour", 21), ("minute", 24), ("second", 16)]
)
def test_a_time_is_shown_in_parts(seen: Seen, part: str, number: int) -> None:
    assert shown(seen(flow=1.0), "uint16", Shows.TIME, f"arrived {part}") == number.to_bytes(2, "big")


def test_a_time_of_one_field_is_that_of_the_uplink_that_brought_it(seen: Seen, start: Now) -> None:
    state = seen(flow=1.0)
    later = Times(None, None, MOMENT + 900, start.monotonic + 900)
    state.take([(1, Reading(5.0, 0, later))], later, NO_RADIO, 2)
    assert shown(state, "uint32", Shows.TIME, "arrived", about="flow") == struct.pack(">I", 2**28)
    assert shown(state, "uint32", Shows.TIME, "arrived", about="volume") == struct.pack(">I", 2**28 + 900)
    assert shown(state, "uint32", Shows.TIME, "arrived") == struct.pack(">I", 2**28 + 900)


def test_a_time_that_nobody_gave_is_no_value(seen: Seen, meter_of: Callable[..., Meter]) -> None:
    assert shown(seen(flow=1.0), "uint32", Shows.TIME, "observed") == bytes.fromhex("FFFFFFFF")
    assert shown(seen(flow=1.0), "uint16", Shows.TIME, "received hour") == bytes.fromhex("FFFF")
    assert shown(MeterState(meter_of()), "uint32", Shows.TIME, "arrived") == bytes.fromhex("FFFFFFFF")
    assert shown(seen(flow=1.0), "uint32", Shows.TIME, "arrived", about="methane") == bytes.fromhex("FFFFFFFF")
    assert shown(seen(flow=1.0, arrived=0.0), "uint32", Shows.TIME, "arrived") == bytes.fromhex("FFFFFFFF")


def test_what_an_unbelievable_node_clock_says_is_no_value(seen: Seen) -> None:
    state = seen(flow=(1.0, Reason.NODE_CLOCK_OFF), observed=4e9)
    assert shown(state, "uint32", Shows.TIME, "observed") == bytes.fromhex("FFFFFFFF")
    assert shown(state, "float64", Shows.TIME, "observed", about="flow") == struct.pack(">d", math.nan)
    assert shown(state, "uint32", Shows.TIME, "arrived") == struct.pack(">I", 2**28)


@pytest.mark.parametrize(
    ("told", "grade", "reasons"),
    [
        ((1.0, 0), 1, 0),
        ((1.0, Reason.STALE), 2, 8),
        ((None, Reason.SENSOR_FAULT | Reason.STALE), 3, 136),
        ((1.0, Reason.LOW_BATTERY), 1, 4096),
    ],
)
def test_a_field_has_its_own_grade_and_reasons(
    seen: Seen, told: tuple[Value | None, Reason], grade: int, reasons: int
) -> None:
    state = seen(flow=told, volume=2.0)
    assert shown(state, "uint16", Shows.GRADE, "flow") == grade.to_bytes(2, "big")
    assert shown(state, "uint16", Shows.REASONS, "flow") == reasons.to_bytes(2, "big")
    assert shown(state, "uint16", Shows.GRADE, "volume") == bytes.fromhex("0001")
    assert shown(state, "uint16", Shows.REASONS, "volume") == bytes.fromhex("0000")


def test_the_grade_and_reasons_of_a_meter_are_those_of_its_status_word(seen: Seen) -> None:
    state = seen(flow=(1.0, Reason.STALE), volume=(2.0, Reason.JUMPED), methane=3.0)
    assert shown(state, "uint16", Shows.STATUS) == bytes.fromhex("002A")
    assert shown(state, "uint16", Shows.GRADE) == bytes.fromhex("0002")
    assert shown(state, "uint16", Shows.REASONS) == bytes.fromhex("0028")


def test_grades_are_packed_two_bits_each_the_first_lowest(seen: Seen) -> None:
    state = seen(flow=(1.0, Reason.STALE), volume=2.0)  # methane never came
    assert shown(state, "uint16", Shows.GRADES, "flow,volume,methane") == (0b11_01_10).to_bytes(2, "big")


def test_eight_bad_fields_are_all_ones_and_no_filler(meter_of: Callable[..., Meter], profile: Profile) -> None:
    fields = tuple(replace(profile.fields[0], name=f"f{at}") for at in range(8))
    state = MeterState(meter_of("FT-101", replace(profile, fields=fields)))
    assert shown(state, "uint16", Shows.GRADES, ",".join(each.name for each in fields)) == bytes.fromhex("FFFF")


def test_flags_of_one_field_are_of_no_other(seen: Seen) -> None:
    state = seen(flow=(1.0, Reason.STALE), volume=(2.0, Reason.JUMPED))
    assert shown(state, "uint16", Shows.FLAGS, "jumped,stale", "flow") == bytes.fromhex("0002")
    assert shown(state, "uint16", Shows.FLAGS, "jumped,stale", "volume") == bytes.fromhex("0001")
    assert shown(state, "uint16", Shows.FLAGS, "jumped,stale") == bytes.fromhex("0003")


def test_a_flag_of_one_field_knows_when_that_field_does_not_fit_its_register(seen: Seen) -> None:
    layout = Layout(
        "clamped",
        (
            Item(Table.INPUT, 0, Shows.VALUE, "flow", ItemCodec(Encoding.number("uint16"))),
            Item(Table.INPUT, 1, Shows.VALUE, "volume", ItemCodec(Encoding.number("uint16"))),
            *(
                Item(Table.DISCRETE, at, Shows.FLAG, "clamped", about=name)
                for at, name in enumerate(("flow", "volume"))
            ),
        ),
    )
    state = seen(flow=1.0, volume=1e6)
    blocks = tuple(Block(table, 0, 2, layout, "FT-101", "FT-101", Place("")) for table in (Table.INPUT, Table.DISCRETE))
    image = Image(Device(1, blocks), {"FT-101": state}, lambda name, now: None, lambda writes, now: None)
    assert image.read_discrete_inputs(0, 2, Now(5000.0, 0.0)) == bytes([0b10])


def test_a_node_is_shown_as_number_and_as_text(seen: Seen, meter_of: Callable[..., Meter]) -> None:
    state = seen(flow=1.0)
    assert shown(state, "uint64", Shows.NODE) == bytes.fromhex("70b3d57ed0000101")
    assert shown(state, "text", Shows.NODE) == b"70b3d57ed0000101"
    assert shown(MeterState(meter_of()), "uint64", Shows.NODE) == b"\xff" * 8
    assert shown(MeterState(meter_of()), "text", Shows.NODE) == bytes(16)


def test_the_loss_of_a_day_stands_in_percent_and_is_none_before_the_first_frame(
    site: Site, send: Send, registers: Registers
) -> None:
    state = site.states["FT-101"]
    item = Item(Table.INPUT, 0, Shows.RADIO, "loss", ItemCodec(Encoding.number("uint16"), Scale(0.1)))
    layout = Layout("loss", (item,))
    device = Device(1, (Block(Table.INPUT, 0, 1, layout, "FT-101", "FT-101", layout.place),))
    image = Image(device, site.states, lambda _name, _now: None, lambda _writes, _now: None)
    assert registers(image, 0, 1) == (0xFFFF,)
    for counter in (1, 2, 4):
        send(site, counter, at=10.0 * counter, volume=500)
    image.note_change(state.meter.tag)
    assert registers(image, 0, 1) == (250,)
