"""A small gas site for the tests of the core: one meter model, one envelope, one virtual device."""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

import pytest
from hypothesis import settings

from aggregator.core import gateway
from aggregator.core.access import EVERYTHING, Party
from aggregator.core.account import Account
from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table, WhenStale
from aggregator.core.encoding import Encoding, ItemCodec, Order, Scale
from aggregator.core.functions import Tables
from aggregator.core.image import Image, Write
from aggregator.core.keeping import Kept, KeptAside, KeptFrame, KeptState, KeptUplink, Remembered
from aggregator.core.meter import Meter, MeterState
from aggregator.core.modbus import Conversation
from aggregator.core.outbox import Outbox
from aggregator.core.pointer import Pointer
from aggregator.core.profile import Binary, BinaryItem, DecodedField, Field, Profile
from aggregator.core.reading import Now
from aggregator.core.refusals import Refusals
from aggregator.core.site import Declared, Site
from aggregator.core.total import Counting
from aggregator.core.uplink import Envelope

settings.register_profile("core", deadline=None)  # a busy machine is no defect
settings.load_profile("core")

START = Now(monotonic=5000.0, utc=1_795_600_000.0)
NODE = "70b3d57ed000{:04d}"
ANYBODY = Party("192.0.2.7", EVERYTHING)  # RFC 5737: an address for documentation


def talk_to(units: Sequence[Tables | None], who: Party = ANYBODY) -> Conversation:
    """A conversation whose account nobody looks at."""
    return Conversation(units, who, Account("127.0.0.1:502", who.name, START, Refusals(Outbox())))


FIRST, EVERY = 100, 24  # where the meters' blocks stand in every table

PROFILE = Profile(
    name="gas-point",
    title="Gas flow meter with a methane sensor",
    fields=(
        Field("flow", "m3/h", "flow", 0.0, 500.0),
        Field("volume", "m3", "volume"),
        Field("methane", "%LEL", "methane", 0.0, 100.0, stale_after=600.0),
        Field("battery", "V", "battery", optional=True),
    ),
    decoded=tuple(
        DecodedField(index, Pointer(f"/{name}"), Scale())
        for index, name in enumerate(("flow", "volume", "methane", "battery"))
    ),
    payloads={
        2: Binary(
            (
                BinaryItem(0, 0, 2, "uint", "big", None, Scale(0.1)),
                BinaryItem(1, 2, 4, "uint", "big", None, Scale()),
                BinaryItem(2, 6, 4, "float", "big", None, Scale()),
            )
        )
    },
)

# The same meter with all that can be said of a field; its counter comes round at 1000 m3 and grows by 0.1 m3/s at most.
WATCHFUL = replace(
    PROFILE,
    name="watchful",
    fields=(
        replace(PROFILE.fields[0], stuck_after=3600.0),
        replace(PROFILE.fields[1], counting=Counting(1000, 0.1)),
        replace(PROFILE.fields[2], can_show=(-5.0, 120.0), fastest=20.0 / 60.0),
        replace(PROFILE.fields[3], low_below=3.0),
    ),
    decoded=(*PROFILE.decoded[:2], replace(PROFILE.decoded[2], faults={-99.0: "sensor missing"}), PROFILE.decoded[3]),
)

ENVELOPE = Envelope(
    topic="lns/+/up",
    node=Pointer("/device/eui"),
    counter=Pointer("/frame/counter"),
    port=Pointer("/frame/port"),
    observed=Pointer("/observed_at"),
    received=Pointer("/received_at"),
    fields=Pointer("/decoded"),
    payload=Pointer("/frame/data"),
    rssi=Pointer("/radio/0/rssi"),
    snr=Pointer("/radio/0/snr"),
    spreading_factor=Pointer("/frame/sf"),
)


def number(type_name: str, scale: float = 1.0, words: Order = Order.HIGH_FIRST) -> ItemCodec:
    return ItemCodec(Encoding.number(type_name, words), Scale(scale))


def gas_layout(words: Order = Order.HIGH_FIRST, profile: Profile = PROFILE) -> Layout:
    """What each meter of the test site shows; the total at 21 where the profile counts."""
    items = [
        Item(Table.INPUT, 0, Shows.STATUS, codec=number("uint16")),
        Item(Table.INPUT, 1, Shows.AGE, codec=number("uint16")),
        Item(Table.INPUT, 2, Shows.VALUE, "flow", number("float32", words=words), "m3/h"),
        Item(Table.INPUT, 4, Shows.VALUE, "volume", number("uint32", 0.01, words), "m3"),
        Item(Table.INPUT, 6, Shows.VALUE, "methane", number("int16", 0.1), "%LEL", WhenStale.FILLER),
        Item(Table.INPUT, 7, Shows.STATUS, "flow", number("uint16")),
        Item(Table.INPUT, 8, Shows.STATUS, "volume", number("uint16")),
        Item(Table.INPUT, 9, Shows.STATUS, "methane", number("uint16")),
        Item(Table.INPUT, 10, Shows.AGE, "methane", number("uint16")),
        Item(Table.INPUT, 11, Shows.COUNTER, codec=number("uint32")),
        Item(Table.INPUT, 13, Shows.RADIO, "rssi", number("int16")),
        Item(Table.INPUT, 14, Shows.FLAGS, "bad,stale,clamped", number("uint16")),
        Item(Table.INPUT, 15, Shows.TEXT, "tag", ItemCodec(Encoding("text", 4))),
        Item(Table.INPUT, 20, Shows.VALUE, "battery", number("uint16", 0.001), "V", WhenStale.REFUSE),
        Item(Table.COIL, 0, Shows.UNDER_TEST),
        *(
            Item(Table.DISCRETE, at, Shows.FLAG, name)
            for at, name in enumerate(("good", "uncertain", "bad", "stale", "clamped"))
        ),
    ]
    if any(field.counting for field in profile.fields):
        items.append(Item(Table.INPUT, 21, Shows.TOTAL, "volume", number("uint32", words=words), "m3"))
    return Layout("gas-point", tuple(items))


def blocks_of(layout: Layout, slots: Sequence[str | None]) -> Iterable[Block]:
    for table in (Table.INPUT, Table.DISCRETE, Table.COIL):
        for slot, tag in enumerate(slots):
            start = FIRST + slot * EVERY
            yield Block(table, start, EVERY, layout, tag, tag or "spare", layout.place)


@pytest.fixture(scope="session")
def start() -> Now:
    """The instant at which every test site starts."""
    return START


@pytest.fixture(scope="session")
def profile() -> Profile:
    return PROFILE


@pytest.fixture(scope="session")
def envelope() -> Envelope:
    return ENVELOPE


@pytest.fixture(scope="session")
def later() -> Callable[[float], Now]:
    """The instant so many seconds after the start, on both clocks."""
    return lambda seconds: Now(START.monotonic + seconds, START.utc + seconds)


@pytest.fixture(scope="session")
def meter_of() -> Callable[..., Meter]:
    """A meter: `meter_of("FT-101", node=..., stale_after=1800.0)`."""

    def build(
        tag: str = "FT-101", profile: Profile = PROFILE, stale_after: float = 1800.0, node: str | None = None
    ) -> Meter:
        return Meter(tag, f"Point {tag}", "digesters", profile, 900.0, stale_after, node)

    return build


@pytest.fixture(scope="session")
def layout() -> Layout:
    return gas_layout()


@pytest.fixture(scope="session")
def site_of(meter_of: Callable[..., Meter]) -> Callable[..., Site]:
    """A site started at `start`: meters FT-101, FT-102, ... with blocks from 100 on, 24 addresses a meter.

    The gateway block stands at input register 0; unit 1 is high word first, unit 2 (if asked for) low word first.
    """

    def build(
        meters: int = 1,
        *,
        units: int = 1,
        layout: Layout | None = None,
        answers_all: bool = False,
        profile: Profile = PROFILE,
        now: Now = START,
    ) -> Site:
        tags = [f"FT-{101 + at}" for at in range(meters)]
        declared = tuple(meter_of(tag, profile, node=NODE.format(at + 1)) for at, tag in enumerate(tags))
        devices = []
        for unit, words in ((1, Order.HIGH_FIRST), (2, Order.LOW_FIRST)):
            block = Block(
                Table.INPUT, 0, 40, gateway.gateway_layout(words, Order.HIGH_FIRST), None, "gateway", gateway.BUILT_IN
            )
            mine = blocks_of(layout or gas_layout(words, profile), tags)
            devices.append(Device(unit, (block, *mine), answers_all_units=answers_all))
        return Site(Declared("Alder Fen biogas works", declared, (ENVELOPE,), tuple(devices[:units])), now)

    return build


@pytest.fixture(scope="session")
def watchful() -> Profile:
    """The test meter's profile with a counter, a sensor's limits, a fault code and a battery's."""
    return WATCHFUL


@pytest.fixture(scope="session")
def remembered() -> Callable[[Iterable[Kept]], dict[str, Remembered]]:
    """What a store gives back of all that a site wanted kept; states go through JSON, as they do there."""

    def fold(kept: Iterable[Kept]) -> dict[str, Remembered]:
        found: dict[str, Remembered] = {}
        for each in kept:
            if isinstance(each, KeptState):
                states = found.setdefault(each.tag, Remembered()).states
                states[each.name] = json.loads(json.dumps(each.value, allow_nan=False))
                if each.value is None:
                    del states[each.name]
            elif isinstance(each, KeptUplink) and not each.late and each.node is not None:  # the rest was never read
                _bring_up_to_date(found.setdefault(each.tag, Remembered()), each)
        return found

    return fold


@pytest.fixture(scope="session")
def recent() -> Callable[[Iterable[Kept]], list[KeptFrame]]:
    """The frames that a store tells of after all that a site wanted kept."""
    return frames_of


def frames_of(kept: Iterable[Kept]) -> list[KeptFrame]:
    frames = []
    for each in kept:
        if isinstance(each, KeptUplink) and each.node is not None and each.counter is not None:
            heard = each.arrived if each.received is None else each.received
            frames.append(KeptFrame(each.node, each.counter, heard, each.received is not None))
        elif isinstance(each, KeptAside) and each.node is not None and each.counter is not None:
            heard = each.at if each.heard is None else each.heard
            frames.append(KeptFrame(each.node, each.counter, heard, each.heard is not None, read=False))
    return frames


def _bring_up_to_date(state: Remembered, uplink: KeptUplink) -> None:
    if uplink.filled_in:
        for reading in uplink.readings:
            if uplink.at > state.at.get(reading.field, -math.inf):
                state.readings[reading.field], state.at[reading.field] = reading, uplink.at
        return
    state.node, state.counter, state.radio, state.heard = uplink.node, uplink.counter, uplink.radio, uplink.received
    if uplink.readings:
        state.observed, state.received, state.arrived = uplink.observed, uplink.received, uplink.arrived
    for reading in uplink.readings:
        state.readings[reading.field] = reading
        state.at[reading.field] = uplink.at


@pytest.fixture(scope="session")
def message() -> Callable[..., bytes]:
    """One uplink: `message(counter=1, node=1, flow=12.5)`; `payload` is raw bytes, `fields` replaces the named ones."""

    def build(
        counter: int | None = 1,
        *,
        node: int = 1,
        at: float = 0.0,
        observed: object = None,
        port: int = 2,
        payload: bytes | None = None,
        fields: object = None,
        rssi: object = -101,
        **values: object,
    ) -> bytes:
        document = {
            "device": {"eui": NODE.format(node)},
            "frame": {"counter": counter, "port": port, "sf": 9},
            "received_at": START.utc + at,
            "observed_at": observed,
            "decoded": values if values and fields is None else fields,
            "radio": [{"rssi": rssi, "snr": 5.5}],
        }
        if payload is not None:
            document["frame"] = {**_frame(document), "data": base64.b64encode(payload).decode()}
        return json.dumps(document).encode()

    return build


def _frame(document: Mapping[str, object]) -> dict[str, object]:
    frame = document["frame"]
    assert isinstance(frame, dict)
    return frame


@pytest.fixture(scope="session")
def send(message: Callable[..., bytes], later: Callable[[float], Now]) -> Callable[..., list[str]]:
    """Deliver one uplink `at` seconds after the start; returns the events noted."""

    def deliver(
        site: Site, counter: int | None = 1, *, at: float = 0.0, retained: bool = False, **keys: object
    ) -> list[str]:
        text = message(counter, **{"at": at, **keys})
        return [note.event for note in site.receive("lns/a/up", text, retained=retained, now=later(at))]

    return deliver


@pytest.fixture(scope="session")
def registers() -> Callable[..., tuple[int, ...]]:
    """Input registers as whole numbers: `registers(image, 100, 2, now)`."""

    def read(image: Image, address: int, count: int, now: Now = START) -> tuple[int, ...]:
        data = image.read_input_registers(address, count, now)
        return tuple(int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2))

    return read


@pytest.fixture(scope="session")
def device_of() -> Callable[..., Device]:
    """A device of loose items, whose offsets are their addresses; `sizes` stretches a table's block past the last."""

    def build(*items: Item, unit_id: int = 1, sizes: Mapping[Table, int] | None = None) -> Device:
        layout = Layout("loose items", items)
        lengths = {table: max(layout.size(table), (sizes or {}).get(table, 0)) for table in Table}
        blocks = (
            Block(table, 0, length, layout, None, "loose items", layout.place)
            for table, length in lengths.items()
            if length
        )
        return Device(unit_id, tuple(blocks))

    return build


@pytest.fixture(scope="session")
def image_of(device_of: Callable[..., Device]) -> Callable[..., Image]:
    """An image of loose items; what is written goes into its scratch items."""

    def build(
        *items: Item,
        sizes: Mapping[Table, int] | None = None,
        states: Mapping[str, MeterState] | None = None,
        **figures: float | str | None,
    ) -> Image:
        def accept(writes: list[Write], _now: Now) -> None:
            for write in writes:
                image.write_scratch(write.item.of, write.value)

        image = Image(device_of(*items, sizes=sizes), states or {}, lambda name, now: figures[name], accept)
        return image

    return build


def _bits(data: str, count: int) -> list[int]:
    """Bits as they stand in a response's bytes, lowest first (V1.1b3 6.1)."""
    number = int.from_bytes(bytes.fromhex(data), "little")
    return [number >> at & 1 for at in range(count)]


def _specification_items() -> Iterator[Item]:
    """Every value that the specification's examples read or write, at its PDU address."""
    word = ItemCodec(Encoding.number("uint16"), filler=0)
    for at in range(200):
        yield Item(Table.COIL, at, Shows.SCRATCH, f"coil {at}")
    for at, bit in enumerate(_bits("AC DB 35", 22)):
        yield Item(Table.DISCRETE, 196 + at, Shows.CONSTANT, str(bit))
    for at, value in ((8, 10), (107, 555), (108, 0), (109, 100)):
        yield Item(Table.INPUT, at, Shows.CONSTANT, str(value), word)
    for at in range(20):
        yield Item(Table.HOLDING, at, Shows.SCRATCH, f"register {at}", word)


@pytest.fixture
def specification(image_of: Callable[..., Image]) -> Image:
    """A device that holds what the worked examples of the specification read (V1.1b3 6.1 to 6.4, 6.17)."""
    image = image_of(*_specification_items())
    image.write_coils(19, [bool(bit) for bit in _bits("CD 6B 05", 19)], ANYBODY, START)
    image.write_registers(3, bytes.fromhex("00 FE 0A CD 00 01 00 03 00 0D 00 FF"), ANYBODY, START)
    return image


@pytest.fixture
def trial(site_of: Callable[..., Site], start: Now) -> Site:
    """A site whose device also holds the test block, from address 0 of its holding registers and coils."""
    declared = site_of().declared
    layout = gateway.test_layout(Order.HIGH_FIRST, Order.HIGH_FIRST)
    rooms = ((Table.HOLDING, 40), (Table.COIL, 16))
    extra = tuple(Block(table, 0, size, layout, None, "test block", gateway.BUILT_IN) for table, size in rooms)
    devices = tuple(Device(each.unit_id, (*each.blocks, *extra)) for each in declared.devices)
    return Site(Declared(declared.name, declared.meters, declared.envelopes, devices), start)
