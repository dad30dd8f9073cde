"""A plant's own register list, of the time when its meters were wired, given again by a map line for line.

The list in wired/register-list.csv (made up) has what such lists have: odd addresses, holding-register numbers, several
types and orders of words, scaled integers, gaps, meters mixed item by item, a filler of its own here and there.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from pymodbus.client import ModbusTcpClient

from aggregator.config.configuration import load
from aggregator.core.doubts import doubts
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.register_list import RegisterList, csv_text

if TYPE_CHECKING:
    from tests.edges.conftest import Served

WIRED = Path(__file__).parent / "wired"
OLD = list(csv.DictReader((WIRED / "register-list.csv").read_text(encoding="utf-8").splitlines()))
UNIT = 17
FIRST = 400001  # the number of the register at PDU address 0 (common practice, no source)
NOW = Now(1000.0, 1_795_600_000.0)
SENT = {
    "FT-701": {"flow": -12.3, "volume": 20000000.25, "pressure": 21.5, "temperature": 12.05, "battery": 3.6},
    "FT-702": {"flow": 640.5, "volume": 1234567.125, "pressure": -42.5, "temperature": -3.125, "battery": 3.301},
}
IN_KELVIN = 273.15  # SI brochure, 9th edition, section 2.3.1


def sent(point: str, unit: str) -> float | str:
    """What the meter sent, in the unit of the old list."""
    tag, _, item = point.partition(" ")
    if item == "tag":
        return tag
    return SENT[tag][item] + (IN_KELVIN if unit == "K" else 0)


def site() -> Site:
    """The site of the list after one uplink of each meter."""
    built = Site(load(WIRED).declared, NOW)
    for tag, decoded in SENT.items():
        message = {"eui": f"0a1def0000000{tag[3:]}", "counter": 1, "decoded": decoded}
        assert not built.receive("lns/flare/up", json.dumps(message).encode(), retained=False, now=NOW)
    return built


def test_the_map_gives_the_old_list_line_for_line_and_nothing_beside_it() -> None:
    declared = load(WIRED).declared
    rows = list(csv.DictReader(io.StringIO(csv_text(RegisterList.of(declared)))))
    given = [
        {
            "register": re.sub("^3", "4", row["reference"]),
            "point": f"{row['tag']} {row['item']}",
            "type": row["type"],
            "word order": row["words"],
            "scale": row["scale"] or "1",
            "offset": row["offset"] or "0",
            "unit": row["unit"],
            "no value": row["no value"],
        }
        for row in rows
    ]
    assert given == OLD
    assert {row["unit id"] for row in rows} == {str(UNIT)}
    assert all("03" in row["function"] for row in rows)
    assert {row["map revision"] for row in rows} == {"as wired"}
    assert doubts(declared.meters, declared.devices) == []


@pytest.fixture
def wired(served: Callable[..., Served]) -> int:
    """The port at which the old list is served."""
    return served(units=site().units()).port


def test_a_library_reads_every_line_of_the_old_list_as_holding_registers(wired: int) -> None:
    with ModbusTcpClient("127.0.0.1", port=wired) as client:
        types: Any = client.DATATYPE
        for row in OLD:
            kind = types.STRING if row["type"] == "text" else types[row["type"].upper()]
            count = 5 if row["type"] == "text" else kind.value[1]
            answer = client.read_holding_registers(int(row["register"]) - FIRST, count=count, device_id=UNIT)
            assert not answer.isError(), row
            order: Any = "little" if row["word order"] == "low-first" else "big"
            raw: Any = client.convert_from_registers(answer.registers, kind, word_order=order)
            shown = raw if isinstance(raw, str) else raw * float(row["scale"]) + float(row["offset"])
            expected = sent(row["point"], row["unit"])
            if isinstance(expected, str):
                assert shown == expected
            else:
                assert shown == pytest.approx(expected, abs=float(row["scale"]) / 2 + 1e-9), row


def test_gaps_of_the_old_list_are_not_there_and_neighbours_are_read_in_one_request(wired: int) -> None:
    with ModbusTcpClient("127.0.0.1", port=wired) as client:
        both = client.read_holding_registers(11, count=2, device_id=UNIT)
        assert [client.convert_from_registers([word], client.DATATYPE.INT16) for word in both.registers] == [-123, 6405]
        for gap in (10, 13, 50, 103, 10004):
            assert client.read_holding_registers(gap, count=1, device_id=UNIT).exception_code == 2


@pytest.mark.peer("mbpoll")
def test_a_program_reads_the_old_list_by_its_data_numbers(wired: int, peer: dict[str, str]) -> None:
    """Mbpoll counts from 1 by default, so the last five digits of the list's register are what it is given."""
    kinds = {"int16": "4", "uint16": "4", "int32": "4:int", "float32": "4:float"}
    seen = 0
    for row in OLD:
        if row["type"] not in kinds:
            continue
        number = str(int(row["register"]) % 100000)
        big = ["-B"] if row["word order"] != "low-first" else []
        command = [peer["mbpoll"], "-m", "tcp", "-p", str(wired), "-1", "-o", "5", "-a", str(UNIT), "-r", number]
        ended = subprocess.run(
            [*command, "-c", "1", "-t", kinds[row["type"]], *big, "127.0.0.1"],
            capture_output=True,
            text=True,
            timeout=20,
            check=False,
        )
        assert ended.returncode == 0, ended.stderr + ended.stdout
        [(plain, signed)] = re.findall(r"(?m)^\[\d+\]:\s+(\S+)(?: \((-\d+)\))?", ended.stdout)
        raw = float(signed or plain)
        expected = sent(row["point"], row["unit"])
        assert isinstance(expected, float)
        within = math.fabs(float(row["scale"])) / 2 + 1e-6 * math.fabs(expected)
        assert raw * float(row["scale"]) + float(row["offset"]) == pytest.approx(expected, abs=within), row
        seen += 1
    assert seen == 8
