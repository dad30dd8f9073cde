"""A poll of a running device through its map, as plant software would do it: the fewest reads, then decoded values.

The requests are made by pymodbus, so that this end shares nothing of the wire with the server.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ModbusException

from aggregator.core.address_map import Device, Entry, Read, Shows, Table, poll_plan
from aggregator.core.errors import AggregatorError
from aggregator.core.reading import Value, quality_words

# The library would print its own lines beside the sentences that are raised here.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())


class NotAnswered(AggregatorError):
    """The device could not be polled; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class Polled:
    """One item as the device answered it. `value` is None where the filler stands or the read was refused."""

    entry: Entry
    value: Value | None
    refused: int | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One field of one meter, as people read it: `address` is the PDU address, `age` in seconds.

    `status` is the field's own where that is mapped (`own_status`), else the meter's, None where neither is; `refused`
    is the exception code where the read was refused.
    """

    tag: str
    item: str
    table: Table
    address: int
    value: Value | None
    unit: str
    status: int | None
    own_status: bool
    age: int | None
    refused: int | None

    @property
    def quality(self) -> str:
        """Grade and reasons in words."""
        if self.refused is not None:
            return f"refused (exception {self.refused:02X})"
        if self.status is None:
            return "no status mapped"
        return "no meter here" if self.status & 3 == 0 else quality_words(self.status & ~3)


class Poller:
    """A connection to one unit id of a device."""

    def __init__(
        self, device: Device, host: str, port: int, *, most_registers: int = 125, timeout: float = 3.0
    ) -> None:
        self.device = device
        self.address = f"{host}:{port}"
        self.most_registers = most_registers
        self._client = ModbusTcpClient(host, port=port, timeout=timeout, retries=0)

    def close(self) -> None:
        """End the connection."""
        self._client.close()  # type: ignore[no-untyped-call]

    def poll(self, tags: Iterable[str] = ()) -> list[Polled]:
        """Read every item, or those of some tags. Raises NotAnswered where nothing answers."""
        wanted = set(tags)
        entries = [entry for entry in self.device.entries() if not wanted or entry.tag in wanted]
        polled = []
        for read in poll_plan(self.device, entries, self.most_registers):
            covered = [entry for entry in entries if _covers(read, entry)]
            polled += self._poll_together(read, covered)
        return polled

    def _poll_together(self, read: Read, entries: list[Entry]) -> list[Polled]:
        """The items of one read; where that is refused, each by itself, so that one refusal hides no other value."""
        data, refused = self._read(read)
        if refused is None:
            return [_decoded(entry, data[entry.address - read.start : entry.end - read.start]) for entry in entries]
        if len(entries) == 1:
            return [Polled(entries[0], None, refused)]
        alone = (Read(read.unit_id, read.table, entry.address, entry.item.size) for entry in entries)
        return [each for one, entry in zip(alone, entries, strict=True) for each in self._poll_together(one, [entry])]

    def _read(self, read: Read) -> tuple[Sequence[int], int | None]:
        """The registers or bits of one read, or the exception code that refused it."""
        client = self._client
        ask = {
            Table.COIL: client.read_coils,
            Table.DISCRETE: client.read_discrete_inputs,
            Table.INPUT: client.read_input_registers,
            Table.HOLDING: client.read_holding_registers,
        }[read.table]
        try:
            if not client.connected and not client.connect():  # type: ignore[no-untyped-call]
                raise NotAnswered(f"nothing answers at {self.address}. Is the service running, and is this its port?")
            answer = ask(read.start, count=read.count, device_id=read.unit_id)
        except (ModbusException, OSError, UnicodeError) as error:  # UnicodeError: a name that none can be
            self.close()
            unanswered = f"{self.address} does not answer unit {read.unit_id}"
            raise NotAnswered(f"{unanswered}. Is it the aggregator that listens there?") from error
        if answer.isError():
            return [], int(answer.exception_code)
        return (answer.bits if read.table.is_bits else answer.registers), None


def _covers(read: Read, entry: Entry) -> bool:
    return read.table is entry.table and read.start <= entry.address and entry.end <= read.start + read.count


def _decoded(entry: Entry, words: Sequence[int]) -> Polled:
    if entry.item.codec is None:
        return Polled(entry, int(words[0]))
    return Polled(entry, entry.item.codec.decode(b"".join(int(word).to_bytes(2, "big") for word in words)))


def lines(polled: Iterable[Polled]) -> list[Line]:
    """The fields of each meter, each with the status and age that stand nearest to it: its own, else the meter's."""
    values: list[Polled] = []
    about: dict[tuple[str | None, Shows, str], Polled] = {}
    for each in polled:
        item = each.entry.item
        if item.shows is Shows.VALUE:
            values.append(each)
        elif item.shows in (Shows.STATUS, Shows.AGE):
            about[each.entry.tag, item.shows, item.of] = each
    return [_line(each, about) for each in values]


def _line(polled: Polled, about: dict[tuple[str | None, Shows, str], Polled]) -> Line:
    entry = polled.entry

    def nearest(shows: Shows) -> int | None:
        found = about.get((entry.tag, shows, entry.item.of)) or about.get((entry.tag, shows, ""))
        return int(found.value) if found is not None and isinstance(found.value, int | float) else None

    status, age = nearest(Shows.STATUS), nearest(Shows.AGE)
    return Line(
        entry.tag or "",
        entry.item.of,
        entry.table,
        entry.address,
        polled.value,
        entry.item.unit,
        status,
        (entry.tag, Shows.STATUS, entry.item.of) in about,
        age,
        polled.refused,
    )
