"""A small site whose alarms plant software sees and answers, for the tests of what registers show of alarms."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Iterable
from typing import Any

from aggregator.core.access import EVERYTHING, Party, Right
from aggregator.core.account import Accounts
from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table
from aggregator.core.alarm import Alarm, Alarms, Group, Kind, Priority, Suppression
from aggregator.core.alarm_block import ALARM_BLOCK, alarm_layout
from aggregator.core.encoding import Encoding, ItemCodec, Order, Scale
from aggregator.core.errors import Place
from aggregator.core.keeping import Kept, KeptEvent, Remembered
from aggregator.core.meter import Meter
from aggregator.core.modbus import Conversation
from aggregator.core.reading import Now
from aggregator.core.site import Declared, Site
from tests.core.conftest import ENVELOPE, NODE, PROFILE, START

TAGS = ("AT-101", "AT-102", "AT-103")
METHANE = 2
NAMES = ("methane high", "methane high-high", "stale")
POINT, SITE_BLOCK, GROUP_BLOCK, SWITCH = (
    100,
    400,
    500,
    600,
)  # a meter's block is 20 addresses further than the one before
EVERY = 20


def number(kind: str, filler: int | None = None, scale: float = 1.0) -> ItemCodec:
    return ItemCodec(Encoding.number(kind), Scale(scale), filler)


LAYOUT = Layout(
    "alarm-point",
    (
        Item(Table.INPUT, 0, Shows.ALARMS, ",".join(NAMES), number("uint16", 0)),
        Item(Table.INPUT, 1, Shows.UNACKNOWLEDGED, ",".join(NAMES), number("uint16", 0)),
        Item(Table.INPUT, 2, Shows.ALARM_PRIORITY, codec=number("uint16")),
        Item(Table.INPUT, 3, Shows.ALARM_STATE, "methane high", number("uint16")),
        Item(Table.INPUT, 4, Shows.ALARM_SEQUENCE, "methane high", number("uint32")),
        Item(Table.INPUT, 6, Shows.ALARM_STATE, "methane high-high", number("uint16")),
        Item(Table.INPUT, 7, Shows.ALARM_SEQUENCE, "methane high-high", number("uint32")),
        Item(Table.INPUT, 9, Shows.ALARM_PEAK, "methane high", number("int16", scale=0.1), "%LEL"),
        Item(Table.INPUT, 10, Shows.SETPOINT, "methane high", number("float32"), "%LEL"),
        Item(Table.HOLDING, 0, Shows.SETPOINT, "methane high", number("float32"), "%LEL"),
        Item(Table.HOLDING, 2, Shows.ACKNOWLEDGE, codec=number("uint32", 0)),
        Item(Table.DISCRETE, 0, Shows.ALARMS),
        Item(Table.DISCRETE, 1, Shows.UNACKNOWLEDGED),
        Item(Table.DISCRETE, 2, Shows.ALARMS, "methane high-high"),
        Item(Table.COIL, 0, Shows.ACKNOWLEDGE),
        Item(Table.COIL, 1, Shows.RESET),
        Item(Table.COIL, 2, Shows.SUPPRESSION, "overhaul"),
    ),
)

SWITCHES = Layout(
    "alarm-switches",
    (
        Item(Table.HOLDING, 0, Shows.UNDER_TEST, codec=number("uint16")),
        Item(Table.HOLDING, 1, Shows.RESET, codec=number("uint16")),
        Item(Table.HOLDING, 2, Shows.SUPPRESSION, "overhaul", number("uint16")),
        Item(Table.HOLDING, 3, Shows.SHELVE, NAMES[0], number("uint16"), "min", note="painting of the roof"),
        Item(Table.HOLDING, 4, Shows.SHELVE, NAMES[1], number("uint16"), "min"),
    ),
)


def alarms_of(tag: str) -> tuple[Alarm, ...]:
    level: dict[str, Any] = {"index": METHANE, "deadband": 2.0}
    high: dict[str, Any] = {**level, "setpoint": 20.0, "may_be": (10.0, 30.1), "action": "Keep out."}
    highest: dict[str, Any] = {**level, "setpoint": 40.0, "may_be": (15.0, 60.0), "latches": True}
    return (
        Alarm(tag, NAMES[0], Kind.HIGH, Priority.HIGH, **high),
        Alarm(tag, NAMES[1], Kind.HIGH_HIGH, Priority.CRITICAL, **highest),
        Alarm(tag, NAMES[2], Kind.STALE, Priority.MEDIUM),
    )


def declared() -> Declared:
    meters = tuple(
        Meter(tag, f"Point {tag}", "hall", PROFILE, 900.0, 1800.0, NODE.format(at + 1)) for at, tag in enumerate(TAGS)
    )
    vote = Alarm("hall", "vote", Kind.VOTE, Priority.CRITICAL, setpoint=2.0)
    alarms = Alarms(
        (*(alarm for tag in TAGS for alarm in alarms_of(tag)), vote),
        (Group("hall", tuple((tag, NAMES[0]) for tag in TAGS[:2])),),
        (Suppression("overhaul", frozenset((TAGS[2], name) for name in NAMES)),),
    )
    return Declared("Alder Fen biogas works", meters, (ENVELOPE,), (Device(1, tuple(blocks())),), alarms=alarms)


def blocks() -> Iterable[Block]:
    for table in Table:
        for slot, tag in enumerate(TAGS):
            size = 4 if table is Table.HOLDING else EVERY  # beyond it function 03 reads the input registers
            yield Block(table, POINT + EVERY * slot, size, LAYOUT, tag, tag, Place(""))
        if table is Table.HOLDING:
            for slot, tag in enumerate(TAGS):
                yield Block(table, SWITCH + EVERY * slot, EVERY, SWITCHES, tag, tag, Place(""))
        for start, group in ((SITE_BLOCK, ""), (GROUP_BLOCK, "hall")):
            layout = alarm_layout(group, Order.HIGH_FIRST, Order.HIGH_FIRST)
            yield Block(table, start, ALARM_BLOCK[table], layout, None, layout.name, Place(""))


class Plant:
    """The site, what drives it, and the control rooms that poll it. `remembered` puts together what it keeps."""

    def __init__(self, remembered: Callable[[Iterable[Kept]], dict[str, Remembered]]) -> None:
        self.now = START
        self.site = Site(declared(), START)
        self.kept: list[Kept] = []
        self._remembered = remembered
        self._counter = 0
        self._open()

    def _open(self) -> None:
        self.accounts = Accounts(self.site.refusals)
        self.units = self.site.units()

    def take_files_anew(self) -> None:
        """The site's files are taken anew while clients stay connected."""
        site = Site(declared(), self.now, self.site)
        before, self.site = self.site, site
        site.take_over(before, "test", self.now)
        self.units[:] = site.units()
        before.let_go()

    def restart(self) -> None:
        """The service is killed and starts again, on what it has kept."""
        self.keep()
        self.site = Site(declared(), self.now)
        self.site.restore(self._remembered(self.kept), self.now)
        self._open()

    def keep(self) -> None:
        self.kept += self.site.take_kept()

    def wait(self, seconds: float) -> None:
        self.now = Now(self.now.monotonic + seconds, self.now.utc + seconds)
        self.site.tick(self.now)

    def send(self, at: int, methane: float) -> None:
        """A reading of a detector, a second after whatever was before."""
        self.wait(1)
        self._counter += 1
        message = {
            "device": {"eui": NODE.format(at + 1)},
            "frame": {"counter": self._counter, "port": 9},
            "received_at": self.now.utc,
            "decoded": {"flow": 1.0, "volume": 1.0, "methane": methane},
        }
        self.site.receive("lns/a/up", json.dumps(message).encode(), retained=False, now=self.now)

    def journal(self, event: str) -> list[KeptEvent]:
        self.keep()
        return [each for each in self.kept if isinstance(each, KeptEvent) and each.event == event]

    def client(self, host: str = "192.0.2.7", may: Right = EVERYTHING) -> Client:
        account = self.accounts.open("127.0.0.1:502", host, self.now)
        return Client(self, Conversation(self.units, Party(f"{host}:40001", may), account))


class Client:
    """One connection of plant software; each request comes a second after whatever was before."""

    def __init__(self, plant: Plant, conversation: Conversation) -> None:
        self.plant = plant
        self.conversation = conversation

    def ask(self, pdu: bytes) -> bytes:
        self.plant.wait(1)
        frame = struct.pack(">HHHB", 1, 0, len(pdu) + 1, 1) + pdu
        return self.conversation.receive(frame, self.plant.now)[7:]

    def read(self, start: int, count: int = 1, function: int = 4) -> tuple[int, ...]:
        answer = self.ask(struct.pack(">BHH", function, start, count))
        assert answer[0] == function, answer.hex()
        return struct.unpack(f">{count}H", answer[2:])

    def bits(self, start: int, count: int = 8, function: int = 2) -> list[int]:
        answer = self.ask(struct.pack(">BHH", function, start, count))
        assert answer[0] == function, answer.hex()
        packed = int.from_bytes(answer[2:], "little")
        return [packed >> at & 1 for at in range(count)]

    def coil(self, address: int, on: bool = True) -> bytes:
        return self.ask(struct.pack(">BHH", 5, address, 0xFF00 if on else 0))

    def write(self, address: int, *words: int) -> bytes:
        return self.ask(struct.pack(f">BHHB{len(words)}H", 16, address, len(words), 2 * len(words), *words))


def float32(value: float) -> tuple[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return high, low
