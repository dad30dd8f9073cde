"""One item of a layout: what its keys say it shows, and how that stands in registers."""

from __future__ import annotations

import math

from aggregator.config.map_keys import ItemKeys
from aggregator.core import gateway
from aggregator.core.address_map import Shows
from aggregator.core.encoding import IDENTITY, LARGEST_FLOAT32, Encoding, ItemCodec, Order, Scale
from aggregator.core.painter import BITS_OF_A_GRADE

USUAL_TYPES = {
    Shows.VALUE: "float32",
    Shows.TOTAL: "float64",
    Shows.STATUS: "uint16",
    Shows.AGE: "uint16",
    Shows.COUNTER: "uint32",
    Shows.RADIO: "int16",
    Shows.FLAGS: "uint16",
    Shows.GRADE: "uint16",
    Shows.REASONS: "uint16",
    Shows.TIME: "uint32",
    Shows.NODE: "uint64",
    Shows.TEXT: "text",
    Shows.CONSTANT: "uint16",
    Shows.SCRATCH: "uint16",
    Shows.SETTING: "float32",
    Shows.ALARMS: "uint16",
    Shows.UNACKNOWLEDGED: "uint16",
    Shows.ALARM_STATE: "uint16",
    Shows.ALARM_SEQUENCE: "uint32",
    Shows.ALARM_PEAK: "float32",
    Shows.ALARM_PRIORITY: "uint16",
    Shows.SETPOINT: "float32",
    Shows.ACKNOWLEDGE: "uint32",
    Shows.UNDER_TEST: "uint16",
    Shows.RESET: "uint16",
    Shows.SUPPRESSION: "uint16",
    Shows.SHELVE: "uint16",
}
WRITTEN_ONLY = (Shows.SCRATCH, Shows.ACKNOWLEDGE, Shows.UNDER_TEST, Shows.RESET)
WRITABLE = (*WRITTEN_ONLY, Shows.SETTING, Shows.SETPOINT, Shows.SUPPRESSION, Shows.SHELVE)
HOLDS_A_SEQUENCE = ("uint32", "uint64")
NODE_REGISTERS = 8  # of a DevEUI as text: 16 digits
UNSIGNED_ONLY = (
    Shows.STATUS,
    Shows.COUNTER,
    Shows.FLAGS,
    Shows.GRADE,
    Shows.GRADES,
    Shows.REASONS,
    Shows.ALARMS,
    Shows.UNACKNOWLEDGED,
    Shows.ALARM_STATE,
    Shows.ALARM_PRIORITY,
    Shows.UNDER_TEST,
    Shows.RESET,
    Shows.SUPPRESSION,
    Shows.SHELVE,
)
HOLDS_A_TIME = ("uint32", "int64", "uint64", "float64")  # a float32 is off by a minute, an int32 ends in 2038
MEASURED = (
    Shows.VALUE,
    Shows.AGE,
    Shows.RADIO,
    Shows.COUNTER,
    Shows.GATEWAY,
    Shows.CONSTANT,
    Shows.SCRATCH,
    Shows.SETTING,
    Shows.ALARM_PEAK,
    Shows.SETPOINT,
)
MEANT_FOR: dict[str, tuple[str, ...]] = {
    "unit": MEASURED,
    "scale": (*MEASURED, Shows.TIME),
    "offset": MEASURED,
    "filler": (*MEASURED, Shows.TIME, Shows.NODE),
    "of": (Shows.TIME, Shows.FLAGS),
    "part": (Shows.TIME,),
    "stale": (Shows.VALUE,),
    "length": ("text",),
}
RADIO_UNITS = {"rssi": "dBm", "snr": "dB", "loss": "%"}
Orders = tuple[str, str]
"""Order of words and of bytes where an item does not say."""


def is_text(keys: ItemKeys) -> bool:
    """Whether what an item shows is a text."""
    return keys.text is not None or keys.gateway == "version"


def fits(number: float, encoding: Encoding) -> bool:
    """Whether a number can stand in a register of a type as it is."""
    if encoding.is_float:
        return encoding.type == "float64" or abs(number) <= LARGEST_FLOAT32
    low, high = encoding.span
    return low <= number <= high and number == int(number)


def codec_of(keys: ItemKeys, orders: Orders, conversion: Scale = IDENTITY) -> ItemCodec:
    """How an item's value becomes registers. What does not fit is left out here and told by the check of its layout."""
    encoding = encoding_of(keys, orders)
    every_number = (
        keys.scratch or keys.grades or keys.alarms or keys.unacknowledged or keys.show == "acknowledge"
    )  # for these all ones mean something
    filler: int | float | None = 0 if every_number and not encoding.is_float else None
    if keys.filler is not None and not encoding.is_text and fits(keys.filler, encoding):
        filler = keys.filler if encoding.is_float else int(keys.filler)
    return ItemCodec(encoding, Scale(keys.scale or 1.0, keys.offset or 0.0), filler, conversion)


def span_of(encoding: Encoding) -> str:
    """What an integer type holds, in words to go behind its name; nothing for a float."""
    return "" if encoding.is_float else " ({} to {})".format(*encoding.span)


def shows_as_written(codec: ItemCodec, number: float) -> bool:
    """Whether a number stands in the registers as written; floats may round, as they always do."""
    data, clamped = codec.encode(number)
    shown = codec.decode(data)
    return not clamped and isinstance(shown, int | float) and math.isclose(shown, number, rel_tol=1e-6, abs_tol=1e-30)


def encoding_of(keys: ItemKeys, orders: Orders) -> Encoding:
    """How an item stands in registers: its own type and order, else the usual type and the device's order."""
    shows, of = what_it_shows(keys)
    usual = usual_type(keys, shows, of)
    words = Order(keys.words or orders[0] or Order.HIGH_FIRST)
    byte_order = Order(keys.bytes_ or orders[1] or Order.HIGH_FIRST)
    length = NODE_REGISTERS if keys.text == "node" else gateway.VERSION_REGISTERS
    return gateway.encoding_of(keys.as_ or usual, words, byte_order, keys.length or length)


def usual_type(keys: ItemKeys, shows: Shows, of: str) -> str:
    """The type of an item that names none."""
    if shows is Shows.GATEWAY:
        return next(each.type for each in gateway.FIGURES if each.name == of)
    if keys.grades is not None:
        return _wide_enough(BITS_OF_A_GRADE * len(keys.grades))
    if keys.alarms is not None or keys.unacknowledged is not None:
        return _wide_enough(len(keys.alarms or keys.unacknowledged or ()))
    return "uint16" if keys.part else USUAL_TYPES[shows]


def _wide_enough(needed: int) -> str:
    return next(f"uint{bits}" for bits in (16, 32, 64) if needed <= bits)


def what_it_shows(keys: ItemKeys) -> tuple[Shows, str]:
    """What an item shows, and of which field, figure or flags."""
    kinds = (
        (Shows.VALUE, keys.field),
        (Shows.TOTAL, keys.total_of),
        (Shows.STATUS, keys.status_of),
        (Shows.GRADE, keys.grade_of),
        (Shows.REASONS, keys.reasons_of),
        (Shows.AGE, keys.age_of),
        (Shows.TIME, f"{keys.time} {keys.part}" if keys.time and keys.part else keys.time),
        (Shows.RADIO, keys.radio),
        (Shows.GATEWAY, keys.gateway),
        (Shows.FLAGS, ",".join(keys.flags) if keys.flags else None),
        (Shows.GRADES, ",".join(keys.grades) if keys.grades else None),
        (Shows.TEXT if keys.text != "node" else Shows.NODE, keys.text),
        (Shows.CONSTANT, keys.constant),
        (Shows.SCRATCH, keys.scratch),
        (Shows.SETTING, keys.setting),
        (Shows.ALARMS, ",".join(keys.alarms) if keys.alarms else None),
        (Shows.UNACKNOWLEDGED, ",".join(keys.unacknowledged) if keys.unacknowledged else None),
        (Shows.ALARM_STATE, keys.alarm_state),
        (Shows.ALARM_SEQUENCE, keys.alarm_sequence),
        (Shows.ALARM_PEAK, keys.alarm_peak),
        (Shows.SETPOINT, keys.setpoint_of),
        (Shows.SHELVE, keys.shelve),
        (Shows.SUPPRESSION, keys.suppression),
    )
    whole = (keys.show or "status").replace("_", " ")
    return next(((shows, of) for shows, of in kinds if of is not None), (Shows(whole), ""))


def unit_of(shows: Shows, of: str) -> str:
    """The unit of what is no field."""
    if shows is Shows.AGE or (shows is Shows.TIME and " " not in of):
        return "s"
    if shows is Shows.SHELVE:
        return "min"
    if shows is Shows.RADIO:
        return RADIO_UNITS.get(of, "")
    return next((each.unit for each in gateway.FIGURES if each.name == of), "")
