"""Raw payloads the way a node would make them: the way back of `decode` in core/profile.py.

binary       each item's number into its bytes, bits into their places, everything else zero
response     | address 1 | function | count | registers from the read's first to its last listed one | CRC |
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from aggregator.core.crc import crc16
from aggregator.core.encoding import Encoding
from aggregator.core.profile import Binary, BinaryItem, Response, Window
from aggregator.core.records import Records

ADDRESS = 1  # of the meter on its node's serial line


def encode(payload: Binary | Response, values: Sequence[float]) -> bytes:
    """The payload that carries these values, one for each of the profile's fields, in the fields' units.

    Numbers that do not fit their place become the nearest ones that do.
    """
    if isinstance(payload, Binary):
        return _binary(payload, values)
    return b"".join(_response(payload, window, values) for window in payload.windows)


def encode_records(records: Records, kept: Iterable[tuple[float, Sequence[float]]], now: float) -> bytes:
    """The payload that carries several readings, each with when (UTC s) and values, sent at `now` (UTC s)."""
    stamp, layout = records.stamp, records.layout
    assert isinstance(layout, Binary)
    data = bytearray(records.begin)
    for when, values in kept:
        record = bytearray(records.every)
        part = _binary(layout, values)
        record[: len(part)] = part
        number = round(when if stamp.step is None else (now - when) / stamp.step)
        time = min(max(number, 0), (1 << 8 * stamp.size) - 1).to_bytes(stamp.size, "big")
        _or_into(record, stamp.at, time if stamp.order == "big" else time[::-1])
        data += record
    return bytes(data)


def _binary(payload: Binary, values: Sequence[float]) -> bytes:
    data = bytearray(max(item.end for item in payload.items))
    for item in payload.items:
        _or_into(data, item.at, _item_bytes(item, values[item.index]))
    return bytes(data)


def _item_bytes(item: BinaryItem, value: float) -> bytes:
    raw = item.scale.raw(value)
    if item.kind == "float":
        data = Encoding.number("float32" if item.size == 4 else "float64").pack(raw)
    elif item.bits is not None:
        data = _in_bits(raw, item.bits).to_bytes(item.size, "big")
    else:
        top = 1 << 8 * item.size
        low, high = (-top // 2, top // 2 - 1) if item.kind == "int" else (0, top - 1)
        data = min(max(round(raw), low), high).to_bytes(item.size, "big", signed=item.kind == "int")
    return data if item.order == "big" else data[::-1]


def _response(payload: Response, window: Window, values: Sequence[float]) -> bytes:
    items = payload.covered(window)
    end = max((item.end for item in items), default=window.start + 1)
    registers = bytearray(2 * (end - window.start))
    for item in items:
        _or_into(registers, 2 * (item.address - window.start), item.write(values[item.index]))
    frame = bytearray()
    if "address" in payload.parts:
        frame.append(ADDRESS)
    if "function" in payload.parts:
        frame.append(window.function)
    if "count" in payload.parts:
        frame.append(len(registers))
    frame += registers
    if "crc" in payload.parts:
        frame += crc16(bytes(frame)).to_bytes(2, "little")
    return bytes(frame)


def _in_bits(raw: float, bits: tuple[int, int]) -> int:
    low, high = bits
    return min(max(round(raw), 0), (1 << (high - low + 1)) - 1) << low


def _or_into(data: bytearray, at: int, part: bytes) -> None:
    """Add a number's bits to those already there: several fields may share its bytes."""
    for offset, byte in enumerate(part):
        data[at + offset] |= byte
