"""Plant software as a rehearsal plays it: it has read all that the map shows of alarms, and it writes.

What it writes takes the road of a real client's, with every check; only frames and sockets are left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from aggregator.core.access import EVERYTHING, Look, Party
from aggregator.core.address_map import Entry, Table
from aggregator.core.alarm import Key
from aggregator.core.errors import ModbusError
from aggregator.core.image import Image
from aggregator.core.reading import Now
from aggregator.core.rehearsal import CannotPlay, Stage
from aggregator.core.site import Site

SHOWN_IN = (Table.DISCRETE, Table.INPUT)


@dataclass(frozen=True, slots=True)
class Poller:
    """A client that reads every block of a site's devices, and did so last at the monotonic second `at`."""

    site: Site
    at: float

    def looks(self) -> Iterator[Look]:
        """A read of each block."""
        for tables in self.site.tables.values():
            if isinstance(tables, Image):
                for table in SHOWN_IN:
                    for block in tables.device.in_table(table):
                        yield Look(tables, table.function, block.start, block.end - block.start, self.at)


@dataclass(frozen=True, slots=True)
class Writes:
    """Plant software writes an item of a device: a number, or the sequence number of an alarm.

    `looked` is the second of the rehearsal at which it read last, None for just now.
    """

    device: str
    entry: Entry
    value: float | Key
    who: str
    looked: float | None = None

    def __call__(self, stage: Stage) -> None:
        """Have it happen. Raises CannotPlay with the exception that answers it, and why."""
        at = stage.at if self.looked is None else self.looked
        stage.act(partial(self._write, at=stage.steady(at)))

    def _write(self, site: Site, now: Now, at: float) -> None:
        image = site.tables[self.device]
        assert isinstance(image, Image)
        party = Party(self.who, EVERYTHING, Poller(site, at))
        try:
            self._written(image, party, now, self._number(site))
        except ModbusError as error:
            raise CannotPlay(f"exception {error.code:02X}: {error.why or error}") from error

    def _written(self, image: Image, party: Party, now: Now, value: float) -> None:
        codec = self.entry.item.codec
        if codec is None:
            image.write_coils(self.entry.address, [bool(value)], party, now)
        else:
            image.write_registers(self.entry.address, codec.encode(value)[0], party, now)

    def _number(self, site: Site) -> float:
        return site.annunciator.alarms[self.value].sequence if isinstance(self.value, tuple) else self.value
