"""How a value stands in registers: type, order, scale, filler.

A 32-bit value 0x AA BB CC DD in two registers, by the order of the registers (`words`) and of the bytes in each:

    words        bytes        first register   second register
    high-first   high-first        AA BB            CC DD        the specification's own
    low-first    high-first        CC DD            AA BB
    high-first   low-first         BB AA            DD CC
    low-first    low-first         DD CC            BB AA

MODBUS V1.1b3 section 4.2 fixes only the order of the bytes inside a register (high first); makers do as they like.
Numbers are those of IEEE 754-2019 section 3.4 and two's complement.
"""

from __future__ import annotations

import math
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

from aggregator.core.reading import Value


class Order(StrEnum):
    """Which part of a value comes first."""

    HIGH_FIRST = "high-first"
    LOW_FIRST = "low-first"


# type name -> (struct code, registers)
NUMBERS: dict[str, tuple[str, int]] = {
    "int16": ("h", 1),
    "uint16": ("H", 1),
    "int32": ("i", 2),
    "uint32": ("I", 2),
    "int64": ("q", 4),
    "uint64": ("Q", 4),
    "float32": ("f", 2),
    "float64": ("d", 4),
}

LARGEST_FLOAT32 = 3.4028234663852886e38
LONGEST_TEXT = 64  # registers
EXACT = 1 << 53  # below this a float holds every whole number


def swap_bytes(data: bytes) -> bytes:
    """The same registers with the two bytes of each exchanged."""
    swapped = bytearray(data)
    swapped[0::2], swapped[1::2] = data[1::2], data[0::2]
    return bytes(swapped)


@dataclass(frozen=True, slots=True)
class Encoding:
    """A value's type, width and order in registers. `text` is a fixed string, two characters a register."""

    type: str
    registers: int
    word_order: Order = Order.HIGH_FIRST
    byte_order: Order = Order.HIGH_FIRST
    _struct: struct.Struct | None = field(init=False, repr=False, compare=False)
    _swap: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Choose the struct: little-endian covers a reversal of words, with the bytes swapped back if need be."""
        low_words = self.word_order is Order.LOW_FIRST and self.registers > 1
        low_bytes = self.byte_order is Order.LOW_FIRST
        code = NUMBERS[self.type][0] if self.type in NUMBERS else None
        packer = struct.Struct(("<" if low_words else ">") + code) if code else None
        object.__setattr__(self, "_struct", packer)
        object.__setattr__(self, "_swap", low_bytes != low_words if code else low_bytes)

    @classmethod
    def number(cls, type_name: str, words: Order = Order.HIGH_FIRST, byte_order: Order = Order.HIGH_FIRST) -> Encoding:
        """The encoding of a number type, for instance `number("float32", Order.LOW_FIRST)`."""
        return cls(type_name, NUMBERS[type_name][1], words, byte_order)

    @property
    def is_text(self) -> bool:
        return self._struct is None

    @property
    def is_float(self) -> bool:
        return self.type.startswith("float")

    @property
    def span(self) -> tuple[int, int]:
        """Smallest and largest raw integer; only for integer types."""
        bits = 16 * self.registers
        return (0, (1 << bits) - 1) if self.type.startswith("u") else (-(1 << bits - 1), (1 << bits - 1) - 1)

    @property
    def default_filler(self) -> Value:
        """What stands for "no value": NaN, the most negative signed number, all ones unsigned, an empty text."""
        if self.is_text:
            return ""
        if self.is_float:
            return math.nan
        low, high = self.span
        return high if low == 0 else low

    def pack(self, raw: Value) -> bytes:
        """The registers that hold `raw`, which must fit the type."""
        if self._struct is None:
            data = str(raw).encode("ascii", "replace")[: 2 * self.registers].ljust(2 * self.registers, b"\0")
        else:
            data = self._struct.pack(raw)
        return swap_bytes(data) if self._swap else data

    def packer(self) -> Callable[[Value], bytes]:
        """`pack`, by the shortest way there is for this type and order."""
        return self.pack if self._struct is None or self._swap else self._struct.pack

    def unpack(self, data: bytes) -> Value:
        """The raw value in `data`, which is exactly `registers` registers long."""
        if self._swap:
            data = swap_bytes(data)
        if self._struct is None:
            return data.rstrip(b"\0 ").decode("ascii", "replace")
        raw: int | float = self._struct.unpack(data)[0]
        return raw


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight line between a raw number and a value: value = raw * factor + offset.

    The factor counts as the decimal that it is written as: 184 at a scale of 0.1 is 18.4, where the product of the two
    binary numbers would be 18.400000000000002 in every export.
    """

    factor: float = 1.0
    offset: float = 0.0
    is_identity: bool = field(init=False, repr=False, compare=False)
    _times: int = field(init=False, repr=False, compare=False)  # value = (raw * times + plus) / over
    _plus: int = field(init=False, repr=False, compare=False)
    _over: int = field(init=False, repr=False, compare=False)
    _within: int = field(init=False, repr=False, compare=False)  # raw numbers up to which that is worked out so

    def __post_init__(self) -> None:
        """Work the fraction out that the decimals of factor and offset make together."""
        factor, offset = Fraction(repr(float(self.factor))), Fraction(repr(float(self.offset)))
        over = math.lcm(factor.denominator, offset.denominator)
        object.__setattr__(self, "is_identity", self.factor == 1.0 and self.offset == 0.0)
        object.__setattr__(self, "_times", int(factor * over))
        object.__setattr__(self, "_plus", int(offset * over))
        object.__setattr__(self, "_over", over)
        object.__setattr__(self, "_within", EXACT if over < EXACT else 0)

    def value(self, raw: float) -> int | float:
        """The value of a raw number. Integers stay integers where nothing is scaled, so that totals stay exact."""
        if self.is_identity:
            return raw
        if -self._within < raw < self._within:
            return (raw * self._times + self._plus) / self._over
        return raw * self.factor + self.offset

    def raw(self, value: float) -> int | float:
        """The raw number of a value, not yet rounded."""
        return value if self.is_identity else (value - self.offset) / self.factor

    def then(self, other: Scale) -> Scale:
        """The line followed by another: other.value(self.value(x)) for every x."""
        return Scale(self.factor * other.factor, self.offset * other.factor + other.offset)

    def inverse(self) -> Scale:
        """The line back."""
        return Scale(1 / self.factor, -self.offset / self.factor)


IDENTITY = Scale()


class ItemCodec:
    """A value to registers and back, for one item of the map: encoding, scale, unit and filler together.

    `conversion` leads from the field's unit to the item's, `scale` from the raw register number to the item's unit.

    A number that the type cannot hold becomes the nearest one that it can, and `encode` says so. The filler is kept
    out of the values' span where it is one of the type's ends, so that no true value ever reads as "no value".
    """

    __slots__ = (
        "_high",
        "_is_float",
        "_is_text",
        "_low",
        "_pack",
        "_to_raw",
        "conversion",
        "encoding",
        "filler",
        "filler_bytes",
        "scale",
    )

    def __init__(
        self,
        encoding: Encoding,
        scale: Scale = IDENTITY,
        filler: Value | None = None,
        conversion: Scale = IDENTITY,
    ) -> None:
        self.encoding = encoding
        self.scale = scale
        self.conversion = conversion
        to_raw = scale if conversion.is_identity else scale.then(conversion.inverse())
        # Worked out once, for every value of every uplink goes through `encode`.
        self._to_raw = None if to_raw.is_identity else to_raw
        self._pack = encoding.packer()
        self._is_text = encoding.is_text
        self._is_float = encoding.is_float
        self.filler = encoding.default_filler if filler is None else filler
        self.filler_bytes = encoding.pack(self.filler)
        self._high: float = LARGEST_FLOAT32 if encoding.type == "float32" else sys.float_info.max
        self._low: float = -self._high
        if not encoding.is_text and not encoding.is_float:
            low, high = encoding.span
            self._low = low + (self.filler == low and low < 0)
            self._high = high - (self.filler == high)

    def encode(self, value: Value | None) -> tuple[bytes, bool]:
        """The registers for `value`, the filler's for None, and whether it had to be clamped, cut or left out.

        Never raises, whatever the number: infinities, and integers that no float holds, are clamped as well.
        """
        if value is None:
            return self.filler_bytes, False
        if self._is_text:
            return self._pack(value), len(str(value)) > 2 * self.encoding.registers
        if isinstance(value, str):
            return self.filler_bytes, True
        raw = self._raw(value)
        if self._low <= raw <= self._high:
            return self._pack(raw), False
        if isinstance(raw, float) and math.isnan(raw):
            return self.filler_bytes, True
        return self._pack(self._low if raw < self._low else self._high), True

    def _raw(self, value: float) -> int | float:
        """The number that goes into the register, infinite where none can."""
        try:
            raw = value if self._to_raw is None else self._to_raw.raw(value)
            return raw if self._is_float else round(raw)
        except (OverflowError, ValueError):
            return self._beyond(value)

    def _beyond(self, value: float) -> float:
        """Past which end a number lies that no float holds on its way to the register; a NaN lies nowhere."""
        if isinstance(value, float) and math.isnan(value):
            return math.nan
        line = self._to_raw or IDENTITY
        return math.inf if (value > line.offset) == (line.factor > 0) else -math.inf

    def decode(self, data: bytes) -> Value | None:
        """The value in `data` in the item's unit, None where the filler, a NaN or an infinity stands there."""
        if data == self.filler_bytes and not self.encoding.is_text:
            return None
        raw = self.encoding.unpack(data)
        if isinstance(raw, str):
            return raw
        value = self.scale.value(raw)
        return value if math.isfinite(value) else None
