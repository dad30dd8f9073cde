"""Blocks of virtual devices stand where the map says."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.config.configuration import load
from aggregator.core.address_map import Block, Device, Table
from aggregator.core.errors import ConfigurationError


@pytest.fixture
def devices(good_site: Path) -> dict[int, Device]:
    return {device.unit_id: device for device in load(good_site).declared.devices}


def spans(device: Device, table: Table) -> list[tuple[str, int, int]]:
    return [(block.owner, block.start, block.size) for block in device.in_table(table)]


def test_blocks_follow_each_other_at_the_declared_step(devices: dict[int, Device]) -> None:
    assert spans(devices[1], Table.INPUT) == [
        ("gateway block", 0, 40),
        ("test block", 40, 40),
        ("FT-101", 100, 24),
        ("spare", 124, 24),
        ("FT-102", 148, 24),
        ("AT-201", 200, 10),
        ("AT-202", 210, 10),
        ("0301", 220, 10),
    ]


def test_without_a_step_a_block_is_as_long_as_its_layout(devices: dict[int, Device]) -> None:
    assert spans(devices[1], Table.COIL)[1:] == [("FT-101", 100, 1), ("spare", 101, 1), ("FT-102", 102, 1)]
    assert spans(devices[2], Table.INPUT) == [("FT-102", 0, 20), ("FT-101", 20, 20)]


def test_a_spare_slot_has_no_meter_and_no_items(devices: dict[int, Device]) -> None:
    spare: Block = next(block for block in devices[1].in_table(Table.INPUT) if block.owner == "spare")
    assert spare.tag is None
    assert spare.layout.items == ()


def test_a_block_knows_the_place_of_its_tag(devices: dict[int, Device]) -> None:
    block = next(block for block in devices[1].in_table(Table.INPUT) if block.tag == "FT-102")
    assert (block.place.short, block.place.column) == ("map.yaml:35", 33)


def test_taking_a_meter_out_moves_no_neighbour(good_site: Path, devices: dict[int, Device]) -> None:
    before = spans(devices[1], Table.INPUT)
    path = good_site / "map.yaml"
    text = path.read_text(encoding="utf-8").replace("[AT-201, AT-202, 0301]", "[AT-201, spare, 0301]")
    path.write_text(text, encoding="utf-8")
    after = spans(load(good_site).declared.devices[0], Table.INPUT)
    assert [(start, size) for _, start, size in after] == [(start, size) for _, start, size in before]


def test_a_meter_that_is_wrong_still_takes_its_addresses(good_site: Path) -> None:
    """Else a mistake in meters.yaml would hide one in map.yaml until it is mended."""
    meters, map_ = good_site / "meters.yaml", good_site / "map.yaml"
    text = meters.read_text(encoding="utf-8")
    assert "AT-202, name: Boiler house methane, profile: methane" in text
    meters.write_text(text.replace("Boiler house methane, profile: methane", "x, profile: x"), encoding="utf-8")
    text = map_.read_text(encoding="utf-8")
    assert "meters: [AT-201, AT-202, 0301]" in text
    map_.write_text(
        text.replace("meters: [AT-201, AT-202, 0301]", "meters: [AT-202]").replace("from: 200", "from: 150")
    )
    with pytest.raises(ConfigurationError) as caught:
        load(good_site)
    assert [problem.what for problem in caught.value.problems] == [
        "AT-202 needs input registers 150-159, but input registers 150-159 are taken by FT-102 (map.yaml:35)",
        "AT-202: there is no profile `x`",
    ]
