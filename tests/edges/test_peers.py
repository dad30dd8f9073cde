"""The sample site read by foreign Modbus clients: a library's and a program's, whose code shares nothing with ours.

One meter of each sample profile sends one uplink, packed here by hand from the comments in the profile's file. Every
item of every table is then read by both clients and held against what was sent.
"""

from __future__ import annotations

import base64
import json
import math
import re
import shutil
import struct
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from crccheck.crc import CrcModbus
from pymodbus.client import ModbusTcpClient

from aggregator.config.configuration import load
from aggregator.core.address_map import Device, Entry, Shows, Table
from aggregator.core.encoding import Order

if TYPE_CHECKING:
    from tests.edges.broker import Broker, Publisher
    from tests.edges.caller import Caller
    from tests.edges.conftest import Service

pytestmark = pytest.mark.peer("mosquitto", "mbpoll")
SAMPLE = Path(__file__).parents[2] / "config"

# What was sent, in the units of the profiles.
READINGS: dict[str, dict[str, float]] = {
    "FT-101": {"flow": 312.5, "volume": 123456.789, "pressure": 21.5, "temperature": 18.5, "battery": 3.612},
    "FT-104": {"flow": 87.25, "volume": 98765.43, "pressure": 18.75, "temperature": -2.5, "battery": 3.3},
    "FT-401": {"flow": 640.5, "volume": 1234567.125, "pressure": 101.5, "temperature": 12.5, "battery": 3.58},
    "LT-111": {"level": 73.125, "pressure": 12.34, "battery": 3.456},
    "AT-421": {"methane": 12.5, "sensor_state": 3, "temperature": 21.75, "battery": 3.61},
    "AT-131": {"h2s": 4.2, "temperature": -7, "battery": 3.301, "sensor_hours": 12345},
    "AT-141": {"oxygen": 20.9, "battery": 3.4},
    "AT-251": {"carbon_dioxide": 0.425, "battery": 3.5},
    "AT-451": {"carbon_dioxide": 612.5, "temperature": 22.5, "battery": 3.2},
}
RTU = struct.pack(">BBBfIfhHH", 1, 3, 18, 87.25, 9876543, 1.875, -25, 3300, 0)
FLOW = struct.pack(">f", 640.5)
PRESSURE = struct.pack(">f", 101.5)
PAYLOADS: dict[str, list[tuple[int, bytes]]] = {
    "FT-104": [(1, RTU + CrcModbus.calc(RTU).to_bytes(2, "little"))],
    "FT-401": [
        (
            3,
            bytes([4, 10])
            + FLOW[2:]
            + FLOW[:2]
            + PRESSURE[2:]
            + PRESSURE[:2]
            + struct.pack(">h", 125)
            + bytes([3, 10])
            + struct.pack(">d", 1234567.125)
            + struct.pack("<H", 358),
        )
    ],
    "LT-111": [(9, bytes([4, 10]) + struct.pack(">ihHH", 73125, 1234, 0, 3456))],
    "AT-421": [(11, bytes([161])), (10, struct.pack(">Hh", 3 << 12 | 250, 2175))],
    "AT-131": [(1, struct.pack("<HbH", 42, -7, 3301) + (12345).to_bytes(3, "big"))],
    "AT-451": [(7, bytes([1]) + struct.pack("<fhBH", 612.5, 225, 32, 0))],  # one record, measured just now
}
DECODED: dict[str, dict[str, object]] = {
    "FT-101": {"flow": 312.5, "totals": {"volume": 123456789}, "pressure": 2150, "temperature": 585,
               "node": {"battery": 3612}},
    "AT-141": {"oxygen": 20.9, "battery": 3.4},
    "AT-251": {"co2": 4250, "battery": 3500},
}  # fmt: skip
# Units in which the sample map shows a field otherwise than the profile measures it: 1 %vol is 10 000 ppm by the
# definition of both, 1 bar is 1000 mbar (SI brochure, 9th edition, table 8 for the bar); 100 %LEL of methane is
# 4.4 %vol (IEC 60079-20-1, from memory), as the sample's detector declares.
IN_UNIT = {("%vol", "ppm"): 1e4, ("mbarg", "barg"): 1e-3, ("%LEL", "%vol"): 0.044}


@pytest.fixture
def alder_fen(
    tmp_path: Path,
    broker: Callable[..., Broker],
    service: Callable[..., Service],
    publisher: Callable[..., Publisher],
    caller: Callable[[int], Caller],
    until: Callable[..., Any],
) -> tuple[int, Callable[[], None]]:
    """The sample site on another port and broker, with every reading in: its port, and what sends them again."""
    folder = tmp_path / "alder-fen"
    shutil.copytree(SAMPLE, folder)
    there = broker()
    text = (folder / "site.yaml").read_text()
    text = re.sub(r"(?m)^  port: 1883$", f"  port: {there.port}", text)
    (folder / "site.yaml").write_text(re.sub(r"tcp: 127\.0\.0\.1:5020", "tcp: 127.0.0.1:0", text))
    running = service(folder, {"AGGREGATOR_BROKER_PASSWORD": "not checked"})
    until(lambda: there.subscriptions("aggregator"), what="the subscription")
    mine = publisher(there)
    nodes = {meter.tag: meter.node or "" for meter in load(SAMPLE).declared.meters}
    counters = iter(range(1, 10_000))

    def send() -> None:
        for tag in READINGS:
            for port, data in PAYLOADS.get(tag, [(1, b"")]):
                mine.send(message(nodes[tag], next(counters), port, data, DECODED.get(tag)))

    send()
    client = caller(running.port)
    until(lambda: client.figure("uplinks_accepted") == sum(len(PAYLOADS.get(tag, [0])) for tag in READINGS))
    return running.port, send


def message(node: str, counter: int, port: int, data: bytes, decoded: object) -> bytes:
    frame = {"counter": counter, "port": port, "sf": 9, "data": base64.b64encode(data).decode() or None}
    radio = [{"rssi": -101, "snr": 5.5}]
    whole = {"device": {"eui": node}, "frame": frame, "received_at": time.time(), "decoded": decoded, "radio": radio}
    return json.dumps(whole).encode()


@pytest.fixture
def library(alder_fen: tuple[int, Callable[[], None]]) -> Iterator[ModbusTcpClient]:
    client = ModbusTcpClient("127.0.0.1", port=alder_fen[0])
    assert client.connect()  # type: ignore[no-untyped-call]
    yield client
    client.close()  # type: ignore[no-untyped-call]


def device(unit: int) -> Device:
    return next(each for each in load(SAMPLE).declared.devices if each.unit_id == unit)


def values(unit: int) -> Iterator[tuple[Entry, float]]:
    """Every value item of a meter that has sent, with the value that must stand there in the item's unit."""
    units = {
        (meter.tag, field.name): field.unit for meter in load(SAMPLE).declared.meters for field in meter.profile.fields
    }
    for entry in device(unit).entries():
        # What the service works out of readings over hours is none of what was sent.
        if entry.tag in READINGS and entry.item.shows is Shows.VALUE and entry.item.of in READINGS[entry.tag]:
            sent = READINGS[entry.tag][entry.item.of]
            factor = IN_UNIT.get((units[entry.tag, entry.item.of], entry.item.unit), 1.0)
            yield entry, sent * factor


def resolution(entry: Entry) -> float:
    """The largest distance from the true value that the item's type and scale allow."""
    assert entry.item.codec is not None
    return abs(entry.item.codec.scale.factor) * 0.5 + 1e-9 if not entry.item.codec.encoding.is_float else 1e-4


def pymodbus_type(name: str) -> Any:
    return getattr(ModbusTcpClient.DATATYPE, "STRING" if name == "text" else name.upper())


def decoded(entry: Entry, words: Sequence[int]) -> Any:
    """An item's registers as the library reads them, word and byte order told by the register list."""
    assert entry.item.codec is not None
    encoding = entry.item.codec.encoding
    if encoding.byte_order is Order.LOW_FIRST:
        words = [(word & 0xFF) << 8 | word >> 8 for word in words]
    order: Any = "little" if encoding.word_order is Order.LOW_FIRST and encoding.type != "text" else "big"
    return ModbusTcpClient.convert_from_registers(list(words), pymodbus_type(encoding.type), word_order=order)


@pytest.mark.parametrize("unit", [1, 2])
def test_the_library_reads_every_value_of_the_sample_map_as_it_was_sent(unit: int, library: ModbusTcpClient) -> None:
    read = 0
    for entry, sent in values(unit):
        assert entry.item.codec is not None
        answer = library.read_input_registers(entry.address, count=entry.item.size, device_id=unit)
        scale = entry.item.codec.scale
        shown = decoded(entry, answer.registers) * scale.factor + scale.offset
        assert shown == pytest.approx(sent, abs=resolution(entry)), f"{entry.tag} {entry.item.of} at {entry.address}"
        by_03 = library.read_holding_registers(entry.address, count=entry.item.size, device_id=unit)
        assert by_03.registers == answer.registers  # function 03 reads input registers at the same address, too
        read += 1
    assert read > (40 if unit == 1 else 5)


def test_the_library_reads_every_item_of_every_table(library: ModbusTcpClient) -> None:
    read = {
        Table.COIL: library.read_coils,
        Table.DISCRETE: library.read_discrete_inputs,
        Table.INPUT: library.read_input_registers,
        Table.HOLDING: library.read_holding_registers,
    }
    seen: dict[str, Any] = {}
    for entry in device(1).entries():
        answer = read[entry.table](entry.address, count=entry.item.size, device_id=1)
        assert not answer.isError(), f"{entry.table.words} {entry.address}"
        words = answer.bits[:1] if entry.table.is_bits else answer.registers
        seen[f"{entry.owner} {entry.item.title}"] = words[0] if entry.table.is_bits else decoded(entry, words)
    assert seen["gateway block meters_total"] == len(load(SAMPLE).declared.meters)
    assert seen["gateway block uplinks_accepted"] == 10
    assert seen["FT-101 tag"] == "FT-101"
    assert seen["FT-101 name"] == "Digester 1 raw biogas"
    assert seen["FT-101 radio rssi"] == -101
    assert seen["FT-101 radio snr"] * 0.1 == pytest.approx(5.5)
    assert seen["FT-101 radio spreading_factor"] == 9
    assert seen["FT-101 status"] == 1
    assert (seen["FT-101 bad"], seen["FT-102 bad"]) == (False, True)
    assert math.isnan(seen["FT-102 flow"])
    assert seen["AT-421 status"] == 1


def test_the_known_values_of_the_test_block_are_known(library: ModbusTcpClient) -> None:
    """As config/README.md lists them, in the order of the block; read by the library in both word orders."""
    known = [0x1234, -2, 0x12345678, -2, 123.456, 1234567890123456789, -2, 3.141592653589793, 215, -123, 0xA5A5]
    types = ["uint16", "int16", "uint32", "int32", "float32", "uint64", "int64", "float64", "uint16", "int16", "uint16"]
    orders: list[tuple[int, Any]] = [(1, "big"), (2, "little")]
    for unit, order in orders:
        words = library.read_input_registers(40, count=31, device_id=unit).registers
        at = 0
        for value, name in zip(known, types, strict=True):
            size = pymodbus_type(name).value[1]
            shown = library.convert_from_registers(words[at : at + size], pymodbus_type(name), word_order=order)
            assert shown == pytest.approx(value, rel=1e-7 if name == "float32" else 0), f"unit {unit}: {name}"
            at += size
        assert library.convert_from_registers(words[at : at + 4], pymodbus_type("text")) == "TEST 123"


class Mbpoll:
    """The command-line client, one run a request, with addresses counted from 0."""

    def __init__(self, program: str, port: int) -> None:
        self.command = [program, "-m", "tcp", "-p", str(port), "-0", "-1", "-o", "5"]

    def read(self, kind: str, address: int, count: int = 1, unit: int = 1, *, big: bool = True) -> list[str]:
        """The values as it prints them; a 16-bit one above 32767 comes with its signed reading in brackets."""
        arguments = ["-a", str(unit), "-r", str(address), "-c", str(count), "-t", kind, *(["-B"] if big else [])]
        ended = self.run(*arguments, "127.0.0.1")
        assert ended.returncode == 0, ended.stderr
        return re.findall(r"(?m)^\[\d+\]:\s+(\S+)", ended.stdout)

    def write(self, kind: str, address: int, *texts: str, unit: int = 1) -> None:
        big = ["-B"] if ":" in kind else []
        arguments = ["-a", str(unit), "-r", str(address), "-t", kind, *big, "127.0.0.1", "--", *texts]
        ended = self.run(*arguments)
        assert ended.returncode == 0, ended.stderr + ended.stdout

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([*self.command, *arguments], capture_output=True, text=True, timeout=20, check=False)


@pytest.fixture
def mbpoll(alder_fen: tuple[int, Callable[[], None]], peer: dict[str, str]) -> Mbpoll:
    return Mbpoll(peer["mbpoll"], alder_fen[0])


def test_the_program_reads_every_value_it_has_a_type_for(mbpoll: Mbpoll) -> None:
    kinds = {"uint16": "3", "int16": "3", "int32": "3:int", "float32": "3:float"}
    read = set()
    for unit in (1, 2):
        for entry, sent in values(unit):
            assert entry.item.codec is not None
            encoding, scale = entry.item.codec.encoding, entry.item.codec.scale
            if encoding.type not in kinds or encoding.byte_order is Order.LOW_FIRST:
                continue
            big = encoding.word_order is Order.HIGH_FIRST
            text = mbpoll.read(kinds[encoding.type], entry.address, unit=unit, big=big)[0]
            raw = float(text)
            if encoding.type == "int16" and raw > 32767:
                raw -= 65536
            tolerance = resolution(entry) + (abs(sent) * 1e-5 if encoding.is_float else 0)  # it prints six digits
            assert raw * scale.factor + scale.offset == pytest.approx(sent, abs=tolerance), (
                f"{entry.tag} {entry.item.of}"
            )
            read.add((unit, encoding.type))
    assert read >= {(1, "uint16"), (1, "int16"), (1, "float32"), (2, "int32"), (2, "uint16")}


def test_the_program_reads_bits(mbpoll: Mbpoll) -> None:
    assert mbpoll.read("1", 0, 8) == ["1", "0", "1", "0", "0", "1", "0", "1"]
    assert mbpoll.read("1", 100, 6) == ["0", "0", "0", "0", "0", "0"]  # FT-101: good
    assert mbpoll.read("1", 108, 6) == ["1", "0", "0", "0", "0", "1"]  # FT-102: bad, never seen


def test_the_program_writes_scratch_items_and_reads_them_back(mbpoll: Mbpoll) -> None:
    """Scratch registers in the order of the test block: uint16 int16 uint32 int32 float32 and longer ones."""
    mbpoll.write("4", 9000, "4660")
    mbpoll.write("4", 9001, "65535")
    mbpoll.write("4:int", 9004, "-123456789")
    mbpoll.write("4:float", 9006, "123.456")
    assert mbpoll.read("4:hex", 9000, 2) == ["0x1234", "0xFFFF"]
    assert mbpoll.read("4:int", 9004) == ["-123456789"]
    assert mbpoll.read("4:float", 9006) == ["123.456"]
    mbpoll.write("0", 0, "1", "1", "0", "0", "1")
    assert mbpoll.read("0", 0, 8) == ["1", "1", "0", "0", "1", "0", "0", "0"]
    mbpoll.write("0", 1, "0")
    assert mbpoll.read("0", 0, 8) == ["1", "0", "0", "0", "1", "0", "0", "0"]


def test_half_of_a_long_value_is_refused_to_the_program(mbpoll: Mbpoll) -> None:
    """Exception 03; the value before it stays whole."""
    mbpoll.write("4:int", 9004, "77")
    ended = mbpoll.run("-r", "9004", "-t", "4", "127.0.0.1", "1")
    assert ended.returncode != 0
    assert "Illegal data value" in ended.stdout + ended.stderr
    assert mbpoll.read("4:int", 9004) == ["77"]


def test_the_program_takes_a_meter_into_test_and_the_status_word_says_so(
    mbpoll: Mbpoll, alder_fen: tuple[int, Callable[[], None]]
) -> None:
    under_test = 1 << 13 | 2  # the reason's bit and the grade "uncertain" (aggregator/core/reading.py)
    assert mbpoll.read("3", 100) == ["1"]
    mbpoll.write("0", 100, "1")
    assert mbpoll.read("3", 100) == [str(under_test)]
    alder_fen[1]()  # an uplink does not end a test
    assert mbpoll.read("0", 100) == ["1"]
    assert mbpoll.read("3", 100) == [str(under_test)]
    mbpoll.write("0", 100, "0")
    assert mbpoll.read("3", 100) == ["1"]


def test_the_program_hears_why_it_is_refused(mbpoll: Mbpoll) -> None:
    beyond = mbpoll.run("-r", "50000", "-t", "3", "127.0.0.1")
    assert "Illegal data address" in beyond.stdout + beyond.stderr
    nobody = mbpoll.run("-a", "77", "-r", "0", "-t", "3", "127.0.0.1")
    assert "Target device failed to respond" in nobody.stdout + nobody.stderr


# Stand-ins: unit 11 is FT-104 as its old software knows it, unit 12 is AT-421 with the list of config/profiles


def test_the_library_gets_from_a_stand_in_what_the_meter_answered_its_node(library: ModbusTcpClient) -> None:
    """The registers between the head and the CRC of the meter's own frame, byte for byte (V1.02 section 2.5.1)."""
    answered = struct.unpack(">9H", RTU[3:])
    assert library.read_holding_registers(0, count=9, device_id=11).registers == list(answered)
    for address in range(9):
        assert library.read_holding_registers(address, count=1, device_id=11).registers == [answered[address]]
    assert library.read_holding_registers(0, count=10, device_id=11).exception_code == 2
    assert library.read_input_registers(0, count=1, device_id=11).exception_code == 1
    assert library.write_register(0, 1, device_id=11).exception_code == 1


def test_the_library_gets_a_wired_list_from_a_meter_with_a_payload_of_its_own(library: ModbusTcpClient) -> None:
    """12.5 %LEL and 21.75 degrees in tenths, sensor state 3, the unread register 0, the constant 0x0203."""
    assert library.read_input_registers(0, count=5, device_id=12).registers == [125, 3, 218, 0, 0x0203]
    assert library.read_holding_registers(0, count=1, device_id=12).exception_code == 1


def test_the_program_reads_a_stand_in_as_it_read_the_meter(mbpoll: Mbpoll) -> None:
    assert mbpoll.read("4:hex", 0, 9, unit=11) == [f"0x{word:04X}" for word in struct.unpack(">9H", RTU[3:])]
    assert mbpoll.read("4:float", 0, unit=11) == ["87.25"]
    assert mbpoll.read("4:int", 2, unit=11) == ["9876543"]


# Times, grades and flags of one field, of FT-401 from input register 4000 on


def test_the_program_reads_times_grades_and_reasons(mbpoll: Mbpoll) -> None:
    """FT-401 sent nothing but good values, a minute ago at most; the works' network says when it heard them."""
    assert mbpoll.read("3:hex", 4000, 2) == ["0xFFFF", "0xFFFF"]  # the node says no time of its own
    now = time.time()
    milliseconds = sum(int(word) << 16 * place for place, word in enumerate(reversed(mbpoll.read("3", 4002, 4))))
    assert now - 60 < milliseconds / 1000 <= now
    told = time.gmtime(milliseconds / 1000)
    assert mbpoll.read("3", 4010, 2) == [str(told.tm_hour), str(told.tm_min)]
    assert mbpoll.read("3:hex", 4012, 1) == ["0x0155"]  # five fields, each 01: good
    assert mbpoll.read("3", 4013, 3) == ["1", "0", "0"]
    assert mbpoll.read("1", 800, 2) == ["0", "0"]


# The boilers' gas limit: to be set at holding register 9101 in tenths, in force at input registers 3609 and 3610


def test_the_program_sets_a_setting_within_its_limits(mbpoll: Mbpoll) -> None:
    assert mbpoll.read("3:float", 3609) == ["900"]
    mbpoll.write("4", 9101, "7505")
    assert mbpoll.read("4", 9101) == ["7505"]
    assert mbpoll.read("3:float", 3609) == ["750.5"]
    ended = mbpoll.run("-a", "1", "-r", "9101", "-t", "4", "127.0.0.1", "12001")
    assert ended.returncode != 0
    assert "Illegal data value" in ended.stdout + ended.stderr
    assert mbpoll.read("3:float", 3609) == ["750.5"]
