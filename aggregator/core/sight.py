"""Who can have seen what: which reads show which alarms, and when a client last made one of them.

A read shows an alarm where it covers an item that would tell of it: its state, its number, a bit or a word with it, or
what tells of any alarm of its meter. The block of a group or of the site shows all the alarms that it counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from aggregator.core.access import Witness
from aggregator.core.address_map import Device, Item, Shows, Table
from aggregator.core.alarm import Key

Subject = Key | str
"""An alarm, or a block of alarms by its group."""
NEVER = -math.inf
TELLS_OF_ONE = (Shows.ALARMS, Shows.UNACKNOWLEDGED, Shows.ALARM_STATE, Shows.ALARM_SEQUENCE)
TABLES = {2: Table.DISCRETE, 3: Table.INPUT, 4: Table.INPUT}


class Sight:
    """Where one device shows alarms."""

    def __init__(self, device: Device) -> None:
        self._holding = [(block.start, block.end) for block in device.in_table(Table.HOLDING)]
        self._places: dict[Subject, list[tuple[Table, int, int]]] = {}
        for entry in device.entries():
            for subject in _told_by(entry.item, entry.tag):
                place = (entry.table, entry.address, entry.end)
                self._places.setdefault(subject, []).append(place)

    def shows(self, subject: Subject, function: int, start: int, count: int) -> bool:
        """Whether a read shows an alarm or a block: it covers an item of it whole."""
        table = TABLES.get(function)
        return any(
            table is place and start <= first and end <= start + count and not self._is_hidden(function, first)
            for place, first, end in self._places.get(subject, ())
        )

    def _is_hidden(self, function: int, address: int) -> bool:
        """Function 03 reads a holding register where one stands."""
        return function == Table.HOLDING.function and any(start <= address < end for start, end in self._holding)


def _told_by(item: Item, tag: str | None) -> list[Subject]:
    if item.shows is Shows.SUMMARY:
        return [item.about]
    if tag is None or item.shows not in (*TELLS_OF_ONE, Shows.ALARM_PRIORITY):
        return []
    return [(tag, name) for name in item.alarms or ("",)]


def last_seen(witness: Witness | None, subjects: Iterable[Subject]) -> float:
    """When somebody last read what shows one of these, on any device (monotonic s); minus infinity for never."""
    wanted = tuple(subjects)
    looks = witness.looks() if witness is not None else ()
    return max(
        (
            look.at
            for look in looks
            if (sight := getattr(look.tables, "sight", None)) is not None
            and any(sight.shows(subject, look.function, look.start, look.quantity) for subject in wanted)
        ),
        default=NEVER,
    )
