"""Thousands of requests answered as other implementations answer them, which share nothing with ours.

A small server on libmodbus (libmodbus/peer.c, built here) and our register server hold the same tables and are asked
the same, over sockets: requests that are right, at their limits, just over them, and broken ones. Where the two differ,
the difference stands in DIFFERENCES with the clause of the MODBUS Application Protocol Specification V1.1b3 that ours
follows. Written values stay written, so each answer is also held to all writes before it. pymodbus's server is held to
the same where it follows the specification, and the clients of both ask for everything they can.
"""

from __future__ import annotations

import asyncio
import random
import socket
import struct
import subprocess
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest
from pymodbus.client import ModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from aggregator import __version__
from aggregator.core.access import EVERYTHING, Party
from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.errors import Place
from aggregator.core.functions import WRITES
from aggregator.core.image import Image, Write
from aggregator.core.reading import Now

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Served

libmodbus = pytest.mark.peer("libmodbus", "gcc")
COILS, INPUTS, REGISTERS, READINGS = 2100, 260, 300, 150  # in each table, from address 0; no reading past the registers
REQUESTS = 10_000
SOUND = 1500
WORD = ItemCodec(Encoding.number("uint16"), filler=0)
NOW = Now(5000.0, 1_795_600_000.0)
TEST = Party("test", EVERYTHING)


@dataclass
class Content:
    """What both servers hold at first."""

    coils: bytes
    inputs: bytes
    registers: bytes
    readings: bytes

    @classmethod
    def random(cls, seed: int) -> Content:
        rng = random.Random(seed)
        coils, inputs = (bytes(rng.choices((0, 1), k=count)) for count in (COILS, INPUTS))
        return cls(coils, inputs, rng.randbytes(2 * REGISTERS), rng.randbytes(2 * READINGS))


def image_of(content: Content) -> Image:
    """A device with one item an address; what is written into it is shown."""

    def block(table: Table, items: list[Item]) -> Block:
        return Block(table, 0, len(items), Layout("test", tuple(items)), None, "test", Place(""))

    def accept(writes: list[Write], _now: Now) -> None:
        for write in writes:
            image.write_scratch(write.item.of, write.value)

    readings = struct.unpack(f">{READINGS}H", content.readings)
    blocks = (
        block(Table.COIL, [Item(Table.COIL, at, Shows.SCRATCH, f"coil {at}") for at in range(COILS)]),
        block(
            Table.DISCRETE,
            [Item(Table.DISCRETE, at, Shows.CONSTANT, str(bit)) for at, bit in enumerate(content.inputs)],
        ),
        block(
            Table.INPUT, [Item(Table.INPUT, at, Shows.CONSTANT, str(word), WORD) for at, word in enumerate(readings)]
        ),
        block(
            Table.HOLDING, [Item(Table.HOLDING, at, Shows.SCRATCH, f"register {at}", WORD) for at in range(REGISTERS)]
        ),
    )
    image = Image(Device(1, blocks), {}, lambda name, now: None, accept)
    image.write_coils(0, [bool(bit) for bit in content.coils], TEST, NOW)
    image.write_registers(0, content.registers, TEST, NOW)
    return image


@dataclass
class Asked:
    """A server that is asked one request at a time over one connection."""

    port: int
    sock: socket.socket = field(init=False)

    def __post_init__(self) -> None:
        """Connect."""
        self.sock = self.connect()

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=10)

    def ask(self, pdu: bytes) -> bytes:
        self.sock.sendall(struct.pack(">HHHB", 7, 0, len(pdu) + 1, 1) + pdu)
        head = self.sock.recv(7, socket.MSG_WAITALL)
        tid, protocol, length, unit = struct.unpack(">HHHB", head)
        assert (tid, protocol, unit) == (7, 0, 1)
        return self.sock.recv(length - 1, socket.MSG_WAITALL)

    def ask_and_leave(self, frame: bytes) -> bytes:
        """All that comes back for some bytes that nothing follows, on a connection of their own."""
        answer = b""
        with self.connect() as sock:
            sock.sendall(frame)
            sock.shutdown(socket.SHUT_WR)
            while more := sock.recv(4096):
                answer += more
        return answer


class Pair(NamedTuple):
    """Our server and the other, with the same content."""

    ours: Asked
    theirs: Asked


@pytest.fixture
def pair(program: Path, served: Callable[..., Served], tmp_path: Path) -> Iterator[Pair]:
    content = Content.random(28)
    paths = []
    for name, data in vars(content).items():
        (tmp_path / name).write_bytes(data)
        paths.append(tmp_path / name)
    process = subprocess.Popen([program, "serve", *paths], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    theirs = Asked(int(process.stdout.readline()))
    ours = Asked(served(units=[image_of(content)] * 256).port)
    yield Pair(ours, theirs)
    ours.sock.close()
    theirs.sock.close()
    process.kill()
    process.stdout.close()
    process.wait(10)


# What is asked

LIMITS = {1: 2000, 2: 2000, 3: 125, 4: 125, 15: 1968, 16: 123, 23: 125}
SIZES = {1: COILS, 2: INPUTS, 3: REGISTERS, 4: READINGS, 5: COILS, 6: REGISTERS, 15: COILS, 16: REGISTERS}
SERVED = (*LIMITS, 5, 6, 22)
OTHERS = sorted(set(range(1, 0x80)) - {*SERVED, 7, 17, 43})


def address(rng: random.Random, size: int) -> int:
    return rng.choice((0, 1, size - 2, size - 1, size, 65534, 65535, *(rng.randrange(size) for _ in range(9))))


def count(rng: random.Random, start: int, size: int, limit: int) -> int:
    """A quantity: at its limits, as far as the table goes from here, a little further, or any."""
    to_the_end = max(0, size - start)
    edges = (0, 1, limit - 1, limit, limit + 1, 65535, to_the_end, to_the_end + 1)
    return rng.choice((*edges, *(rng.randint(1, limit) for _ in range(8))))


def multiple(rng: random.Random, function: int) -> bytes:
    """A request of function 15 or 16 of which quantity and address may be wrong; the data are as many as may be."""
    limit, start = LIMITS[function], address(rng, SIZES[function])
    wanted = count(rng, start, SIZES[function], limit)
    size = (min(wanted, limit) + 7) // 8 if function == 15 else 2 * min(wanted, limit)
    return struct.pack(">BHHB", function, start, wanted, size) + rng.randbytes(size)


def read_and_write(rng: random.Random) -> bytes:
    start, into = address(rng, REGISTERS), address(rng, REGISTERS)
    wanted, quantity = count(rng, into, REGISTERS, 121), count(rng, start, REGISTERS, 125)
    size = 2 * min(wanted, 121)
    return struct.pack(">BHHHHB", 23, start, quantity, into, wanted, size) + rng.randbytes(size)


def request(rng: random.Random) -> bytes:
    """A request whose length is that of its function."""
    function = rng.choice((*SERVED, *SERVED, rng.choice(OTHERS)))
    match function:
        case 1 | 2 | 3 | 4:
            start = address(rng, SIZES[function])
            return struct.pack(">BHH", function, start, count(rng, start, SIZES[function], LIMITS[function]))
        case 5:
            value = rng.choice((0, 0xFF00, 0, 0xFF00, 1, 0xFFFF, 0xFF01, rng.randrange(65536)))
            return struct.pack(">BHH", 5, address(rng, COILS), value)
        case 6:
            return struct.pack(">BHH", 6, address(rng, REGISTERS), rng.randrange(65536))
        case 15 | 16:
            return multiple(rng, function)
        case 22:
            return struct.pack(">BHHH", 22, address(rng, REGISTERS), rng.randrange(65536), rng.randrange(65536))
        case 23:
            return read_and_write(rng)
        case _:
            return bytes((function,)) + rng.randbytes(rng.randrange(20))


def coil_wrong_twice(pdu: bytes) -> bool:
    start, value = struct.unpack_from(">HH", pdu, 1) if pdu[0] == 5 else (0, 0)
    return start >= COILS and value not in (0, 0xFF00)


@libmodbus
@pytest.mark.parametrize("seed", [1, 2])
def test_random_requests_are_answered_as_libmodbus_answers_them(pair: Pair, seed: int) -> None:
    """Byte for byte, but that a single coil of a wrong value at a wrong address is 03 here and 02 there (Figure 15)."""
    rng = random.Random(seed)
    answered: dict[tuple[int, int], int] = {}  # by function and exception, 0 for an answer
    for _ in range(REQUESTS):
        pdu = request(rng)
        ours, theirs = pair.ours.ask(pdu), pair.theirs.ask(pdu)
        if coil_wrong_twice(pdu):
            assert (ours, theirs) == (b"\x85\3", b"\x85\2")
        else:
            assert ours == theirs, f"{pdu.hex(' ')} is answered {ours.hex(' ')} here and {theirs.hex(' ')} there"
        refused = ours[1] if ours[0] & 0x80 else 0
        key = (pdu[0] if pdu[0] in SERVED else 0, refused)
        answered[key] = answered.get(key, 0) + 1
    wanted = {(function, outcome) for function in (*LIMITS, 5) for outcome in (0, 2, 3)}
    wanted |= {(function, outcome) for function in (6, 22) for outcome in (0, 2)} | {(0, 1)}
    assert set(answered) == wanted
    assert min(answered.values()) >= 20


# Where the two differ

FRAME = struct.Struct(">HHHB")
REGISTER_3 = b"\3\0\3\0\1"


def adu(pdu: bytes, protocol: int = 0, length: int | None = None) -> bytes:
    return FRAME.pack(7, protocol, len(pdu) + 1 if length is None else length, 1) + pdu


class Difference(NamedTuple):
    """Bytes sent, and what each answers: a PDU, or None for nothing and an end of the connection."""

    why: str
    sent: bytes
    ours: bytes | None
    theirs: bytes | None


DIFFERENCES = (
    Difference("Figure 15: value before address", adu(b"\5\xff\xff\x12\x34"), b"\x85\3", b"\x85\2"),
    Difference("Figure 21: byte count", adu(b"\x0f\0\0\0\x08\2\0\0"), b"\x8f\3", b"\x0f\0\0\0\x08"),
    Difference("7: function 7 is not served", adu(b"\7"), b"\x87\1", None),
    Difference("7: no function 0", adu(b"\0"), b"\x80\1", None),
    Difference("7: no function over 127, answers have the highest bit", adu(b"\x83\0\0\0\1"), b"\x83\1", b"\3\1"),
    Difference("7, code 03: cut short by the header", adu(b"\3\0\0\0"), b"\x83\3", None),
    Difference("7, code 03: too short for its byte count", adu(b"\x10\0\0\0\2\4\0\1\0"), b"\x90\3", None),
    Difference("7, code 03: the same", adu(b"\x17\0\0\0\1\0\0\0\1\3\0\1"), b"\x97\3", None),
    Difference("Guide 3.1.3: protocol 0", adu(REGISTER_3, protocol=1), None, b"\3\2"),
    Difference("Guide 3.1.3: length 2 to 254", adu(REGISTER_3, length=0), None, b"\3\2"),
)


@libmodbus
@pytest.mark.parametrize("case", DIFFERENCES, ids=lambda case: case.why)
def test_where_the_two_differ_ours_follows_the_specification(pair: Pair, case: Difference) -> None:
    for asked, expected in zip(pair, (case.ours, case.theirs), strict=True):
        answer = asked.ask_and_leave(case.sent)
        if expected is None:
            assert answer == b""
        else:
            assert answer[7 : 7 + len(expected)] == expected
            assert len(answer) == 6 + struct.unpack_from(">H", answer, 4)[0]
        assert asked.ask(b"\4\0\0\0\1")[:2] == b"\4\2"  # and both go on


@libmodbus
def test_a_request_with_bytes_too_many_is_one_broken_request_and_no_second_one(pair: Pair) -> None:
    """Section 7, code 03. libmodbus takes a length from the function alone, and the rest for the next request."""
    trailing = adu(REGISTER_3 + b"\xaa")
    assert pair.ours.ask_and_leave(trailing)[7:] == b"\x83\3"
    assert pair.theirs.ask_and_leave(trailing)[7:9] == b"\3\2"


@libmodbus
def test_a_request_that_is_cut_off_is_answered_by_neither_and_changes_nothing(pair: Pair) -> None:
    rng = random.Random(3)
    everything = [struct.pack(">BHH", 3, start, 100) for start in range(0, REGISTERS, 100)]
    everything += [struct.pack(">BHH", 1, 0, 2000)]
    before = [pair.ours.ask(pdu) for pdu in everything]
    for _ in range(200):
        frame = adu(request(rng))
        cut = frame[: rng.randrange(len(frame))]
        assert pair.ours.ask_and_leave(cut) == b""
        assert pair.theirs.ask_and_leave(cut) == b"" or frame[7] in OTHERS  # which it takes for a whole request
    assert [pair.ours.ask(pdu) for pdu in everything] == before
    assert [pair.theirs.ask(pdu) for pdu in everything] == before


# pymodbus: its server knows no wrong quantity or value, and answers these with function 0 (seen with 3.16)


@pytest.fixture
def library(port: int) -> Iterator[Asked]:
    """Pymodbus's server with the content that the other two have."""
    content = Content.random(28)
    coils, inputs = (
        [SimData(0, values=[bool(bit) for bit in data], datatype=DataType.BITS)]
        for data in (content.coils + bytes(-COILS % 16), content.inputs + bytes(-INPUTS % 16))
    )
    registers, readings = (
        [SimData(0, values=list(struct.unpack(f">{len(data) // 2}H", data)), datatype=DataType.REGISTERS)]
        for data in (content.registers, content.readings)
    )
    device = SimDevice(1, simdata=(coils, inputs, registers, readings))
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="pymodbus", daemon=True)
    thread.start()

    async def start() -> ModbusTcpServer:
        server = ModbusTcpServer(device, address=("127.0.0.1", port))
        await server.serve_forever(background=True)
        return server

    server = asyncio.run_coroutine_threadsafe(start(), loop).result(10)
    asked = Asked(port)
    yield asked
    asked.sock.close()
    asyncio.run_coroutine_threadsafe(server.shutdown(), loop).result(10)  # type: ignore[no-untyped-call]
    loop.call_soon_threadsafe(loop.stop)
    thread.join(10)
    loop.close()


def test_sound_requests_are_answered_as_pymodbus_answers_them(served: Callable[..., Served], library: Asked) -> None:
    ours, rng = Asked(served(units=[image_of(Content.random(28))] * 256).port), random.Random(6)
    compared: dict[int, int] = {}
    while sum(compared.values()) < SOUND:
        pdu = request(rng)
        answer = ours.ask(pdu)
        if answer[0] & 0x80 or pdu[0] not in SERVED:  # refused, so nothing has changed
            continue
        assert answer == library.ask(pdu), pdu.hex(" ")
        compared[pdu[0]] = compared.get(pdu[0], 0) + 1
    ours.sock.close()
    assert set(compared) == set(SERVED)


def test_a_client_on_pymodbus_reads_and_writes_by_every_function_it_has(served: Callable[..., Served]) -> None:
    port = served(units=[image_of(Content.random(29))] * 256).port
    with ModbusTcpClient("127.0.0.1", port=port) as client:
        written = client.write_registers(0, [0x12, 7, 8])
        assert (written.address, written.count) == (0, 3)
        masked = client.mask_write_register(address=0, and_mask=0xF2, or_mask=0x25)
        assert (masked.and_mask, masked.or_mask) == (0xF2, 0x25)
        both = client.readwrite_registers(read_address=0, read_count=4, write_address=1, values=[0xBEEF])
        assert both.registers[:3] == client.read_holding_registers(0, count=3).registers == [0x17, 0xBEEF, 8]
        client.write_coils(3, [True, False, True])
        client.write_coil(4, True)
        assert client.read_coils(3, count=3).bits[:3] == [True, True, True]
        named = client.read_device_information(read_code=3, object_id=0)
        assert named.information[0] == b"meter-aggregator"
        assert named.information[2] == __version__.encode()
        assert (
            f"aggregator {__version__}".encode()[:-1] in client.report_device_id().identifier
        )  # it drops the last byte
        assert client.read_input_registers(READINGS, count=1).exception_code == 2


# libmodbus as a client


@libmodbus
def test_a_client_on_libmodbus_reads_and_writes_by_every_function_it_has(
    program: Path, served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    content = Content.random(29)
    port = served(units=[image_of(content)] * 256).port
    asked = subprocess.run([program, "ask", str(port)], capture_output=True, text=True, timeout=20, check=True)
    registers, readings = struct.unpack(">3H", content.registers[:6]), struct.unpack(">3H", content.readings[:6])
    after = caller(port).ask(b"\3\0\0\0\x08")[2:]
    text = f"meter-aggregator {__version__}"
    assert asked.stdout.splitlines() == [
        "read bits 3",
        "".join(map(str, content.coils[:3])),
        "read input bits 3",
        "".join(map(str, content.inputs[:3])),
        "read registers 3",
        " ".join(f"{word:04X}" for word in registers),
        "read input registers 3",
        " ".join(f"{word:04X}" for word in readings),
        "write bit 1",
        "write register 1",
        "mask write register 1",
        "write bits 2",
        "write registers 3",
        "write and read registers 8",
        after.hex(" ", 2).upper(),
        "read past the end -1 Illegal data address",
        f"report server id {2 + len(text)}",
        f"4D FF {text}",
    ]
    assert after.hex(" ", 2) == f"0017 0123 4567 89ab {content.registers[8:10].hex()} 0123 4567 89ab"


def test_the_functions_that_write_are_all_held_against_the_other() -> None:
    assert set(WRITES) < set(SERVED)
