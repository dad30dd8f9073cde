"""Several virtual devices: each listener serves its own, and two of them may go by one unit id."""

from __future__ import annotations

import re
import struct
import subprocess
from collections.abc import Callable, Iterator
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from pymodbus.client import ModbusTcpClient

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Service

OTHER = """\
  - unit: 1
    name: panel
    words: low-first
    test_block: {input: 0}
"""
NOT_THERE = bytes.fromhex("8302")
NOBODY = bytes.fromhex("840B")


def test_two_devices_with_one_unit_id_answer_at_two_ports(
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
    until: Callable[..., Any],
) -> None:
    """0x12345678 in the order of words that each declares; the test block of one is at 40, that of the other at 0."""
    folder = site(listener="devices: [1]\n  - tcp: 127.0.0.1:0\n    devices: [panel]")
    path = folder / "map.yaml"
    path.write_text(path.read_text(encoding="utf-8") + OTHER, encoding="utf-8")
    running = service(folder)
    until(lambda: len(running.log("listening")) == 2, 20, "both listeners")
    first, second = (caller(int(line["modbus_tcp"].rpartition(":")[2])) for line in running.log("listening"))
    for unit in (1, 0, 255):
        assert first.registers(42, 2, unit) == (0x1234, 0x5678)
        assert second.registers(2, 2, unit) == (0x5678, 0x1234)
    assert second.ask(bytes.fromhex("03 0064 0001")) == NOT_THERE
    assert first.ask(bytes.fromhex("04 0000 0001"), 2) == NOBODY


def test_a_device_is_named_on_the_command_line_and_polled_at_its_own_listener(
    site: Callable[..., Path],
    service: Callable[..., Service],
    command: Callable[..., subprocess.CompletedProcess[str]],
    port: int,
) -> None:
    folder = site(listener=f"devices: [1]\n  - tcp: 127.0.0.1:{port}\n    devices: [panel, flow]")
    path = folder / "map.yaml"
    layout = "layouts:\n  bare:\n    input: {0: {field: flow, as: float32}}\n"
    flow = "  - {unit: 7, name: flow, place: [{layout: bare, input: {from: 5}, meters: [FT-101]}]}\n"
    path.write_text(path.read_text().replace("layouts:\n", layout) + OTHER + flow, encoding="utf-8")
    service(folder)
    assert "test block" in command("map", folder, "--unit", "panel").stdout
    assert "FT-101" not in command("map", folder, "--unit", "panel").stdout
    polled = command("poll", folder, "--unit", "flow")
    assert polled.returncode == 0, polled.stderr
    assert polled.stdout.split("\n")[1].split() == [
        "FT-101",
        "flow",
        "-",
        "m3/h",
        "no",
        "status",
        "mapped",
        "-",
        "input",
        "5",
    ]
    assert command("poll", folder, "--unit", "7").stdout == polled.stdout


def test_of_two_devices_with_one_unit_id_one_must_be_named(
    site: Callable[..., Path], command: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    folder = site(listener="devices: [main]\n  - tcp: 127.0.0.1:0\n    devices: [panel]")
    path = folder / "map.yaml"
    path.write_text(path.read_text().replace("  - unit: 1\n", "  - unit: 1\n    name: main\n") + OTHER)
    told = command("map", folder, "--unit", "1")
    assert told.returncode == 2
    assert "several devices have unit 1; name one of main (unit 1), panel (unit 1)" in told.stderr


# Every type in every order, as foreign clients read the test block. Its values are those of config/README.md.

ORDERS = list(product(("high-first", "low-first"), repeat=2))
TYPES = {  # offset -> type of the library, value
    0: ("UINT16", 4660),
    1: ("INT16", -2),
    2: ("UINT32", 305419896),
    4: ("INT32", -2),
    6: ("FLOAT32", struct.unpack(">f", bytes.fromhex("42F6E979"))[0]),  # 123.456, IEEE 754-2019 section 3.4
    8: ("UINT64", 1234567890123456789),
    12: ("INT64", -2),
    16: ("FLOAT64", 3.141592653589793),
}
HOLDING = {  # where each type is written, as config/README.md has it
    "UINT16": 0, "INT16": 1, "UINT32": 2, "INT32": 4, "FLOAT32": 6, "UINT64": 8, "INT64": 12, "FLOAT64": 16,
}  # fmt: skip


@pytest.fixture
def in_every_order(site: Callable[..., Path], service: Callable[..., Service]) -> int:
    """A service with a device for each order of words and bytes, units 11 to 14: its port."""
    folder = site()
    devices = "".join(
        f"  - {{unit: {11 + at}, words: {words}, bytes: {in_a_word}, test_block: {{input: 0, holding: 0}}}}\n"
        for at, (words, in_a_word) in enumerate(ORDERS)
    )
    path = folder / "map.yaml"
    path.write_text(path.read_text(encoding="utf-8") + devices, encoding="utf-8")
    return int(service(folder).port)


@pytest.fixture
def library(in_every_order: int) -> Iterator[ModbusTcpClient]:
    client = ModbusTcpClient("127.0.0.1", port=in_every_order)
    assert client.connect()  # type: ignore[no-untyped-call]
    yield client
    client.close()  # type: ignore[no-untyped-call]


def swapped(words: list[int], in_a_word: str) -> list[int]:
    """The registers with their bytes as the library knows them, the high one first (V1.1b3 section 4.2)."""
    return [word >> 8 | (word & 0xFF) << 8 for word in words] if in_a_word == "low-first" else words


@pytest.mark.parametrize(("at", "order"), list(enumerate(ORDERS)), ids=str)
def test_the_library_reads_and_writes_every_type_in_every_order(
    library: ModbusTcpClient, at: int, order: tuple[str, str]
) -> None:
    word_order: Any = "big" if order[0] == "high-first" else "little"
    for offset, (name, value) in TYPES.items():
        kind: Any = getattr(ModbusTcpClient.DATATYPE, name)
        size = kind.value[1]
        answer = library.read_input_registers(offset, count=size, device_id=11 + at)
        words = swapped(list(answer.registers), order[1])
        assert ModbusTcpClient.convert_from_registers(words, kind, word_order=word_order) == value
        own = swapped(ModbusTcpClient.convert_to_registers(value, kind, word_order=word_order), order[1])
        assert own == list(answer.registers)
        assert not library.write_registers(HOLDING[name], own, device_id=11 + at).isError()
        read_back = library.read_holding_registers(HOLDING[name], count=size, device_id=11 + at)
        assert list(read_back.registers) == own


@pytest.mark.peer("mbpoll")
@pytest.mark.parametrize(("at", "order"), list(enumerate(ORDERS)), ids=str)
def test_the_program_reads_the_types_it_knows_in_either_order_of_words(
    in_every_order: int, peer: dict[str, str], at: int, order: tuple[str, str]
) -> None:
    """Mbpoll knows no other order of bytes than the specification's; with that it must read what the block is."""

    def read(kind: str, address: int) -> str:
        line = [peer["mbpoll"], "-m", "tcp", "-p", str(in_every_order), "-0", "-1", "-o", "5", "-a", str(11 + at)]
        big = ["-B"] if order[0] == "high-first" else []
        told = subprocess.run(
            [*line, "-r", str(address), "-t", kind, *big, "127.0.0.1"],
            capture_output=True, text=True, timeout=20, check=True,
        )  # fmt: skip
        return str(re.findall(r"(?m)^\[\d+\]:\s+(\S+)", told.stdout)[0])

    if order[1] == "high-first":
        assert read("3", 0) == "4660"
        assert read("3:int", 2) == "305419896"
        assert read("3:int", 4) == "-2"
        assert read("3:float", 6) == "123.456"
    else:
        assert read("3:hex", 0) == "0x3412"
        assert read("3:hex", 1) == "0xFEFF"
