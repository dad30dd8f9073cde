"""Which items of a site's map somebody chooses: of which devices and meters, and which of their items."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from aggregator.core.address_map import Device, Entry
from aggregator.core.errors import AggregatorError
from aggregator.core.freeze import BUILT_IN
from aggregator.core.promise import SPARE
from aggregator.core.site import Declared
from aggregator.register_list.polls import PlannedRead, planned


class Unknown(AggregatorError):
    """The map has nothing of a name. `kind` says of what it was to be one, `known` are those there are."""

    def __init__(self, kind: str, name: str, known: Collection[str]) -> None:
        self.kind = kind
        self.name = name
        self.known = sorted(known)
        super().__init__(f"the map has no {kind} {name}.")


class TooWide(AggregatorError):
    """An item takes more registers than one read may ask for."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Devices by name or unit id, meters by tag (or `gateway`, `test`) or area, items by title.

    All where none is named, save the test block.
    """

    units: Sequence[str] = ()
    tags: Sequence[str] = ()
    areas: Sequence[str] = ()
    items: Sequence[str] = ()

    def plan(self, declared: Declared, most: int, most_bits: int, *, strict: bool = False) -> list[PlannedRead]:
        """The fewest reads that cover it, as `poll_plan` does. Raises Unknown and TooWide."""
        self._check(declared)
        reads: list[PlannedRead] = []
        for device, entries in self.entries(declared):
            for entry in entries:
                if not entry.table.is_bits and entry.item.size > most:
                    what = f"{entry.owner} {entry.item.title} takes {entry.item.size} registers; none is split"
                    raise TooWide(what)
            reads += planned(device, entries, most, most_bits, strict=strict)
        return reads

    def entries(self, declared: Declared) -> list[tuple[Device, list[Entry]]]:
        """The chosen items of each chosen device."""
        devices = [
            each for each in declared.devices if not self.units or {each.name, str(each.unit_id)} & set(self.units)
        ]
        in_areas = {meter.tag for meter in declared.meters if meter.area in self.areas}
        owners = {BUILT_IN.get(tag, tag) for tag in self.tags} | set(self.tags) | in_areas
        return [(each, [entry for entry in each.entries() if self._wants(entry, owners)]) for each in devices]

    def _wants(self, entry: Entry, owners: Collection[str]) -> bool:
        whose = entry.owner in owners if owners else entry.owner != BUILT_IN["test"]
        return whose and (not self.items or entry.item.title in self.items)

    def _check(self, declared: Declared) -> None:
        blocks = [block for device in declared.devices for block in device.blocks if block.owner != SPARE]
        _known("unit", self.units, {name for each in declared.devices for name in (each.name, str(each.unit_id))})
        _known("tag", self.tags, {block.owner for block in blocks} | set(BUILT_IN))
        _known("area", self.areas, {meter.area for meter in declared.meters})
        layouts = {id(block.layout): block.layout for block in blocks}
        _known("item", self.items, {item.title for layout in layouts.values() for item in layout.items})


def _known(kind: str, names: Sequence[str], known: Collection[str]) -> None:
    for name in names:
        if name not in known:
            raise Unknown(kind, name, known)
