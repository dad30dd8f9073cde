"""What a driver shows that reads an item in another way than it stands: what its engineer sees tells which way.

    100.0 as float32: 42 C8 00 00      words exchanged       00 00 42 C8    2.396e-41
                                       bytes exchanged       C8 42 00 00    -198656
                                       as uint32             42 C8 00 00    1120403456

That drivers differ in the order of words, in counting from 0 or 1 and in signs is common practice, no source; only the
order of bytes inside a register is fixed (MODBUS V1.1b3 section 4.2).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from aggregator.core.encoding import IDENTITY, Encoding, ItemCodec, Order, Scale

UNSIGNED = {1: "uint16", 2: "uint32", 4: "uint64"}
SIGNED = {1: "int16", 2: "int32", 4: "int64"}
FLOATS = {2: "float32", 4: "float64"}


class Misreading(NamedTuple):
    """A way to read an item wrongly, in words, and the value that comes of it."""

    way: str
    value: float


def misreadings(
    codec: ItemCodec, raw: bytes, before: bytes | None = None, after: bytes | None = None
) -> list[Misreading]:
    """The values of the usual mistakes, where they are numbers and not the true one.

    `raw` are the item's registers as they stand, `before` and `after` the register on either side, None where there is
    none to be read.
    """
    encoding = codec.encoding
    if encoding.is_text:
        return []
    true = _number(encoding, codec.scale, raw)
    found: dict[float, Misreading] = {}
    for each in _ways(encoding, codec.scale, raw, before, after):
        if math.isfinite(each.value) and each.value != true:
            found.setdefault(each.value, each)
    return list(found.values())


def _ways(
    encoding: Encoding, scale: Scale, raw: bytes, before: bytes | None, after: bytes | None
) -> Iterator[Misreading]:
    kind, words, order = encoding.type, encoding.word_order, encoding.byte_order
    other_words, other_bytes = _other(words), _other(order)
    if encoding.registers > 1:
        way = f"words {other_words}: the registers in the other order"
        yield Misreading(way, _number(Encoding.number(kind, other_words, order), scale, raw))
    way = f"bytes {other_bytes}: the two bytes of each register exchanged"
    yield Misreading(way, _number(Encoding.number(kind, words, other_bytes), scale, raw))
    if encoding.registers > 1:
        both = Encoding.number(kind, other_words, other_bytes)
        yield Misreading(f"words {other_words} and bytes {other_bytes}", _number(both, scale, raw))
    if not scale.is_identity:
        yield Misreading("not scaled: the number as it stands in the register", _number(encoding, IDENTITY, raw))
    if after is not None:
        way = "one register too high: a data number taken for an address"
        yield Misreading(way, _number(encoding, scale, raw[2:] + after))
    if before is not None:
        way = "one register too low: one taken away that the driver takes away already"
        yield Misreading(way, _number(encoding, scale, before + raw[:-2]))
    for other in _other_types(encoding):
        yield Misreading(f"as {other}", _number(Encoding.number(other, words, order), scale, raw))
    if encoding.registers > 1:
        yield Misreading("its first register alone, as uint16", _number(Encoding.number("uint16"), IDENTITY, raw[:2]))


def _other_types(encoding: Encoding) -> list[str]:
    """The other number types of the same size."""
    kinds = (UNSIGNED, SIGNED, FLOATS)
    named = [each[encoding.registers] for each in kinds if encoding.registers in each]
    return [each for each in named if each != encoding.type]


def _number(encoding: Encoding, scale: Scale, raw: bytes) -> float:
    number = encoding.unpack(raw)
    return math.nan if isinstance(number, str) else scale.value(number)


def _other(order: Order) -> Order:
    return Order.LOW_FIRST if order is Order.HIGH_FIRST else Order.HIGH_FIRST
