"""One register or bit of a device: how people write it down, and what stands there.

PDU address 122        counted from 0, goes on the wire; of any table, unless that is said: input:122
data number 123        counted from 1 (MODBUS V1.1b3 section 4.4)
reference 30123        the table's digit, then the data number in four digits, or in five: 300123
(0 coil, 1 discrete input, 3 input register, 4 holding register; common practice, no source)
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from typing import NamedTuple

from aggregator.core.address_map import TABLE_SIZE, Block, Device, Entry, Table
from aggregator.core.errors import AggregatorError

NUMBER = re.compile(r"0x[0-9a-fA-F]+|[0-9]+")
LONGEST_SHORT = 9999  # data number
FORMS = "Write a reference (30123, 400001), a PDU address (122, 0x7A), or one of a table (input:122)"


class NotARegister(AggregatorError):
    """A text names no register; the message says what does."""


class Register(NamedTuple):
    """One place of one table, by its PDU address."""

    table: Table
    address: int

    @property
    def reference(self) -> str:
        """With the table's digit and five more: `300123`."""
        return f"{self.table.digit}{self.address + 1:05d}"

    @property
    def short_reference(self) -> str:
        """With the table's digit and four more, as far as these go (data number 9999); else empty."""
        return f"{self.table.digit}{self.address + 1:04d}" if self.address < LONGEST_SHORT else ""

    def __str__(self) -> str:
        return f"{self.table.words} {self.address} (data number {self.address + 1}, reference {self.reference})"


def registers_meant(text: str) -> list[Register]:
    """What a person can mean, the likeliest first. Raises NotARegister.

    >>> [str(register) for register in registers_meant("input:0x7A")]
    ['input register 122 (data number 123, reference 300123)']
    """
    table, _, number = text.strip().rpartition(":")
    if not NUMBER.fullmatch(number) or len(number) > 6:
        raise NotARegister(f"`{text}` is no register. {FORMS}.")
    if table:
        return [Register(_table(table, text), _address(number, text))]
    meant = _as_reference(number)
    if number.startswith("0x") or int(number) < TABLE_SIZE:
        address = _address(number, text)
        meant += [Register(each, address) for each in (Table.INPUT, Table.HOLDING, Table.DISCRETE, Table.COIL)]
    if not meant:
        raise NotARegister(f"`{text}` is beyond the last address, {TABLE_SIZE - 1}. {FORMS}.")
    return meant


def _as_reference(number: str) -> list[Register]:
    if len(number) not in (5, 6) or number.startswith("0x"):
        return []
    data_number = int(number[1:])
    return [
        Register(table, data_number - 1)
        for table in Table
        if number[0] == str(table.digit) and 1 <= data_number <= TABLE_SIZE
    ]


def _table(word: str, text: str) -> Table:
    for table in Table:
        if word.strip().lower() in (table.key, table.words, f"{table.words}s"):
            return table
    raise NotARegister(f"`{text}` names no table; they are {', '.join(table.key for table in Table)}. {FORMS}.")


def _address(number: str, text: str) -> int:
    address = int(number, 16) if number.startswith("0x") else int(number)
    if address >= TABLE_SIZE:
        raise NotARegister(f"`{text}` is beyond the last address, {TABLE_SIZE - 1}. {FORMS}.")
    return address


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands at a register of a device.

    `entry` is the item, None between items and outside; `block` whose place it is, None where it is free. `before` and
    `after` are the nearest items of the table, `seen` what function 03 shows in place of a holding register.
    """

    register: Register
    entry: Entry | None
    block: Block | None
    before: Entry | None
    after: Entry | None
    seen: Entry | None = None


def standing(device: Device, register: Register) -> Standing:
    """What stands there."""
    table, address = register
    block = next(iter(device.within(table, address, address + 1)), None)
    here = list(device.entries_of(block)) if block is not None else []
    seen = None
    if block is None and table is Table.HOLDING:
        seen = standing(device, Register(Table.INPUT, address)).entry
    return Standing(
        register,
        next((entry for entry in here if entry.address <= address < entry.end), None),
        block,
        _before(device, register, here),
        _after(device, register, here),
        seen,
    )


def _before(device: Device, register: Register, here: list[Entry]) -> Entry | None:
    """The nearest item that ends before an address; `here` are those of the block in which it lies."""
    found = [entry for entry in here if entry.end <= register.address]
    blocks = device.in_table(register.table)
    at = bisect_right(blocks, register.address, key=lambda each: each.start) - bool(here)
    while not found and at > 0:
        at -= 1
        found = [entry for entry in device.entries_of(blocks[at]) if entry.end <= register.address]
    return max(found, key=lambda each: each.end, default=None)


def _after(device: Device, register: Register, here: list[Entry]) -> Entry | None:
    """The nearest item that begins after an address."""
    found = [entry for entry in here if entry.address > register.address]
    blocks = device.in_table(register.table)
    at = bisect_right(blocks, register.address, key=lambda each: each.start)
    while not found and at < len(blocks):
        found = list(device.entries_of(blocks[at]))
        at += 1
    return min(found, key=lambda each: each.address, default=None)
