"""Which addresses of a map a read may run over, and what of that is different between two maps.

Inside a block gaps and spare slots read as zero; outside every block one address costs the whole read (exception 02).
Plant software that reads over gaps relies on them too, though no item stands there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby

from aggregator.core.address_map import Table
from aggregator.core.promise import Line, Promise

Whose = tuple[int, str, Table]
"""A device's unit id and name, and one of its tables."""


@dataclass(frozen=True, slots=True)
class Run:
    """Addresses from `start` up to `end`, of which some or all are gaps."""

    unit_id: int
    device: str
    table: Table
    start: int
    end: int
    readable: bool  # in the new map, and so not in the old one; or the other way round

    @property
    def span(self) -> str:
        """Its addresses as a register list has them: `input 132-147`."""
        last = f"-{self.end - 1}" if self.end - self.start > 1 else ""
        return f"{self.table.key} {self.start}{last}"


class Reach:
    """The addresses that can be read, of each table of each device."""

    def __init__(self, runs: Iterable[tuple[Whose, int, int]]) -> None:
        self.of: dict[Whose, set[int]] = {}
        for whose, start, end in runs:
            self.of.setdefault(whose, set()).update(range(start, end))

    @classmethod
    def of_promises(cls, promises: Iterable[Promise]) -> Reach:
        """What can be read of blocks."""
        return cls(((each.unit_id, each.device, each.table), each.start, each.end) for each in promises)


def changed_reach(old: Reach, new: Reach, was: Iterable[Line], now: Iterable[Line]) -> list[Run]:
    """The runs with gaps that can be read no longer, and those that now can; `was` and `now` are the items.

    A run of nothing but items is left out: of these it is said what has become of them.
    """
    lost = _runs(old.of, new.of, _items(was), readable=False)
    return [*lost, *_runs(new.of, old.of, _items(now), readable=True)]


def _items(lines: Iterable[Line]) -> Mapping[Whose, set[int]]:
    found: dict[Whose, set[int]] = {}
    for line in lines:
        found.setdefault((line.unit_id, line.device, line.table), set()).update(range(line.address, line.end))
    return found


def _runs(
    here: Mapping[Whose, set[int]], there: Mapping[Whose, set[int]], items: Mapping[Whose, set[int]], *, readable: bool
) -> Iterator[Run]:
    """The unbroken runs that are here and not there and are not items alone, in order."""
    order = list(Table)
    for whose in sorted(here, key=lambda each: (each[0], each[1], order.index(each[2]))):
        only = sorted(here[whose] - there.get(whose, set()))
        for _, members in groupby(enumerate(only), key=lambda each: each[1] - each[0]):
            run = [address for _, address in members]
            if not items.get(whose, set()).issuperset(run):
                yield Run(*whose, run[0], run[-1] + 1, readable)
