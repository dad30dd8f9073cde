"""Who answers which unit id: the devices of one listener, side by side.

    unit    0        1        2        3 ... 254      255
          first   device 1  device 2    nobody       first

Behind a gateway a unit id tells the device; a device that is spoken to directly is called 255 or 0 (Modbus Messaging on
TCP/IP Implementation Guide V1.0b section 4.4.1.3, from memory). Two devices with one unit id need two listeners.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeVar

from aggregator.core.address_map import Device

T = TypeVar("T")
ALL_UNITS = 256
FIRST_DEVICE_UNITS = (0, 255)


def served_by(devices: Sequence[Device], names: Sequence[str] | None) -> list[Device]:
    """The devices that a listener serves: those named, in that order, or all. Raises KeyError for a name of none."""
    if names is None:
        return list(devices)
    by_name = {device.name: device for device in devices}
    return [by_name[name] for name in names]


def who_answers(served: Sequence[Device], tables: Mapping[str, T]) -> list[T | None]:
    """For each of the 256 unit ids what is behind it, None where there is nothing; `tables` is by device name."""
    first = tables[served[0].name]
    units: list[T | None] = [first if served[0].answers_all_units else None] * ALL_UNITS
    for unit in FIRST_DEVICE_UNITS:
        units[unit] = first
    for device in served:
        units[device.unit_id] = tables[device.name]
    return units
