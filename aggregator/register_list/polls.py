"""A poll plan for people and as CSV: each read, what it covers, and what the whole of it costs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from aggregator.core.address_map import Device, Entry, WhenStale
from aggregator.core.poll_plan import Read, poll_plan
from aggregator.core.register import Register

PLAN_COLUMNS = (
    "unit id",
    "device",
    "table",
    "function",
    "PDU address",
    "PDU hex",
    "data number",
    "reference",
    "short reference",
    "count",
    "last PDU address",
    "items",
    "used",
    "covers",
    "note",
)
MOST_NAMES = 4


@dataclass(frozen=True, slots=True)
class PlannedRead:
    """A read and the chosen items that it covers."""

    device: Device
    read: Read
    entries: tuple[Entry, ...]
    refusing: tuple[Entry, ...]  # what in it, chosen or not, refuses to be read once it is stale

    @property
    def used(self) -> int:
        """Registers or bits of the answer that belong to chosen items."""
        return sum(entry.item.size for entry in self.entries)

    def row(self) -> dict[str, str]:
        """The read as a line of the plan."""
        read = self.read
        register = Register(read.table, read.start)
        return {
            "unit id": str(read.unit_id),
            "device": self.device.name,
            "table": read.table.words,
            "function": f"{read.table.function:02d}",
            "PDU address": str(read.start),
            "PDU hex": f"{read.start:04X}",
            "data number": str(read.start + 1),
            "reference": register.reference,
            "short reference": register.short_reference,
            "count": str(read.count),
            "last PDU address": str(read.end - 1),
            "items": str(len(self.entries)),
            "used": f"{100 * self.used / read.count:.0f} %",
            "covers": self._owners(),
            "note": self._refusing(),
        }

    def _owners(self) -> str:
        owners = list(dict.fromkeys(entry.owner for entry in self.entries))
        more = f", {len(owners) - MOST_NAMES} more" if len(owners) > MOST_NAMES else ""
        return ", ".join(owners[:MOST_NAMES]) + more

    def _refusing(self) -> str:
        """An item that refuses takes the whole read with it, whoever else is in it."""
        if not self.refusing:
            return ""
        first = f"{self.refusing[0].owner} {self.refusing[0].item.title}"
        more = f" or one of {len(self.refusing) - 1} more" if len(self.refusing) > 1 else ""
        return f"answers exception 0B while {first}{more} is stale"


def planned(
    device: Device, entries: Sequence[Entry], most_registers: int, most_bits: int, *, strict: bool
) -> Iterator[PlannedRead]:
    """The plan of one device."""
    left = sorted(entries, key=lambda entry: (entry.table.function, entry.address))
    refusing = [entry for entry in device.entries() if entry.item.when_stale is WhenStale.REFUSE]
    at = 0
    for read in poll_plan(device, left, most_registers, most_bits, strict=strict):
        begin = at
        while at < len(left) and read.covers(left[at]):
            at += 1
        yield PlannedRead(device, read, tuple(left[begin:at]), tuple(each for each in refusing if read.covers(each)))


def cost(plan: Sequence[PlannedRead]) -> str:
    """What a plan costs, in one line."""
    registers = [each for each in plan if not each.read.table.is_bits]
    bits = [each for each in plan if each.read.table.is_bits]
    parts = ["1 read" if len(plan) == 1 else f"{len(plan)} reads"]
    for words, reads in (("registers", registers), ("bits", bits)):
        asked = sum(each.read.count for each in reads)
        if asked:
            used = sum(each.used for each in reads)
            parts.append(f"{asked} {words}, {100 * used / asked:.0f} % of them used")
    return "; ".join(parts)
