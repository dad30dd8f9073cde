"""Which device answers which unit id, listener by listener."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import pytest

from aggregator.core.address_map import Device
from aggregator.core.functions import Tables
from aggregator.core.units import served_by, who_answers

DEVICES = (Device(1, ()), Device(2, (), name="boilers"), Device(1, (), name="flare"))
TABLES = {device.name: cast("Tables", f"the tables of {device.name}") for device in DEVICES}


def answering(*names: str) -> dict[int, object]:
    units = who_answers(served_by(DEVICES, names), TABLES)
    assert len(units) == 256
    return {unit: tables for unit, tables in enumerate(units) if tables is not None}


def test_a_device_without_a_name_is_called_by_its_unit_id() -> None:
    assert [device.name for device in DEVICES] == ["1", "boilers", "flare"]


def test_a_listener_serves_the_devices_it_names_and_no_other() -> None:
    assert answering("boilers") == dict.fromkeys((0, 2, 255), TABLES["boilers"])


def test_two_devices_with_one_unit_id_are_told_apart_by_their_listeners() -> None:
    assert answering("1", "boilers")[1] == TABLES["1"]
    assert answering("flare", "boilers")[1] == TABLES["flare"]


def test_units_0_and_255_are_the_first_device_that_the_listener_names() -> None:
    """Guide V1.0b section 4.4.1.3, from memory: 255 is recommended and 0 accepted for a device spoken to directly."""
    assert [answering("boilers", "1")[unit] for unit in (0, 255)] == [TABLES["boilers"]] * 2
    assert [answering("1", "boilers")[unit] for unit in (0, 255)] == [TABLES["1"]] * 2


def test_without_names_all_devices_are_served() -> None:
    assert served_by(DEVICES[:2], None) == list(DEVICES[:2])


def test_a_device_that_answers_all_units_does_so_only_where_it_is_first() -> None:
    all_units = replace(DEVICES[1], answers_all_units=True)
    first = who_answers([all_units, DEVICES[0]], TABLES)
    assert (first[1], first[77]) == (TABLES["1"], TABLES["boilers"])
    assert who_answers([DEVICES[0], all_units], TABLES)[77] is None


def test_a_name_of_no_device_is_no_listener() -> None:
    with pytest.raises(KeyError):
        served_by(DEVICES, ["pump"])
