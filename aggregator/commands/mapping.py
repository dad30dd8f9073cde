"""What can be asked of the running site's map: its tables, a stretch of one, where something stands, a poll plan."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import islice

from aggregator.commands.asking import text_of
from aggregator.commands.running import OfTheRunningSite
from aggregator.control import Command, Refused, Request
from aggregator.core.address_map import TABLE_SIZE, Block, Device, Entry, Layout, Table
from aggregator.core.freeze import BUILT_IN, line_count
from aggregator.core.poll_plan import MOST_BITS, MOST_REGISTERS
from aggregator.core.promise import SPARE, Promise
from aggregator.core.reading import Now
from aggregator.core.register import NotARegister, Register, registers_meant, standing
from aggregator.core.site import Declared, Site
from aggregator.register_list import Choice, Unknown, cost

GRAIN = 25  # addresses; what is taken of a table is told in steps of so many
LONGEST_STRETCH = 2000  # addresses of a table that are told at once
MOST_FOUND = 50
MOST_READS = 100  # of a poll plan, told at once
MOST_NAMES = 200  # names that one question may choose by
MOST_TITLES = 500  # items of a device, by their titles
TABLES = {table.key: table for table in Table}
NOT_FROZEN, PARTLY_FROZEN, FROZEN = 0, 1, 2

Answer = Mapping[str, object]


class FrozenParts:
    """What of a map is frozen, by where its blocks begin."""

    def __init__(self, declared: Declared, frozen: Sequence[Promise]) -> None:
        self._promises: dict[tuple[str, Table, int], Promise] = {}
        names = {device.name for device in declared.devices}
        units: dict[int, list[Device]] = {}
        for device in declared.devices:
            units.setdefault(device.unit_id, []).append(device)
        for promise in frozen:
            # A device that was given another name since is known by its unit id: no client sees the name.
            of_unit = [device.name for device in units.get(promise.unit_id, ())]
            of = promise.device if promise.device in names or len(of_unit) != 1 else of_unit[0]
            self._promises[of, promise.table, promise.start] = promise
        self.items = line_count(frozen)

    def has(self, device: Device, entry: Entry) -> bool:
        """Whether an item is frozen."""
        promise = self._promises.get((device.name, entry.table, entry.address - entry.item.offset))
        return promise is not None and any(offset == entry.item.offset for offset, _ in promise.terms)

    def of(self, device: Device, block: Block) -> int:
        """How much of a block is frozen: NOT_FROZEN, PARTLY_FROZEN or FROZEN."""
        promise = self._promises.get((device.name, block.table, block.start))
        if promise is None:
            return NOT_FROZEN
        return FROZEN if len(promise.terms) >= len(block.layout.in_table(block.table)) else PARTLY_FROZEN

    def count(self, device: Device) -> int:
        """How many items of a device are frozen."""
        return line_count(promise for (name, _, _), promise in self._promises.items() if name == device.name)


class MapCommands(OfTheRunningSite):
    """The commands about the map. `frozen` is what plant software relies on, as the site's files last said."""

    def __init__(
        self, site: Callable[[], Site], now: Callable[[], Now], frozen: Callable[[], Sequence[Promise]]
    ) -> None:
        super().__init__(site, now)
        self._frozen = frozen
        self._known: tuple[Declared, Sequence[Promise], FrozenParts] | None = None
        self._whole: tuple[FrozenParts, Answer] | None = None

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {"map": self.map, "map strip": self.strip, "map find": self.find, "map plan": self.plan}

    @property
    def frozen(self) -> FrozenParts:
        """What is frozen of the map that runs now."""
        declared, frozen = self._site.declared, self._frozen()
        if self._known is None or self._known[0] is not declared or self._known[1] is not frozen:
            self._known = declared, frozen, FrozenParts(declared, frozen)
        return self._known[2]

    def is_frozen(self, device: Device, entry: Entry) -> bool:
        """Whether plant software relies on an item."""
        return self.frozen.has(device, entry)

    async def map(self, _request: Request) -> Answer:
        """Every device with its tables: what is used, spare, kept free and frozen of each, and where it is taken."""
        frozen, site = self.frozen, self._site
        if self._whole is None or self._whole[0] is not frozen:
            told = await asyncio.to_thread(lambda: [_device(device, frozen) for device in site.declared.devices])
            about = {
                "site": site.declared.name,
                "revision": site.declared.revision,
                "map_fingerprint": f"{site.figures.fingerprint:08x}",
                "areas": sorted({meter.area for meter in site.declared.meters})[:MOST_NAMES],
                "frozen": frozen.items,
            }
            self._whole = frozen, {**about, "devices": told}
        return self._whole[1]

    async def strip(self, request: Request) -> Answer:
        """The blocks in a stretch of a table, with their items by layout: `from` and `to` are addresses."""
        device, table = device_of(self._site, request), table_of(request)
        start, last = (whole(request, key, TABLE_SIZE - 1) for key in ("from", "to"))
        if not start <= last < start + LONGEST_STRETCH:
            raise Refused(f"`from` and `to` lie at most {LONGEST_STRETCH} addresses apart.")
        layouts: dict[int, int] = {}
        blocks, frozen = device.within(table, start, last + 1), self.frozen
        told = []
        for block in blocks:
            number = None if block.owner == SPARE else layouts.setdefault(id(block.layout), len(layouts))
            told.append([block.start, block.size, block.owner, number, frozen.of(device, block)])
        by_id = {id(block.layout): block.layout for block in blocks}
        return {"blocks": told, "layouts": [_items(by_id[each], table) for each in layouts]}

    async def find(self, request: Request) -> Answer:
        """What somebody means who writes an address in any notation, a tag or an item, the likeliest first."""
        text, site = text_of(request, "text").strip(), self._site
        device = device_of(site, request)
        places, said = [], ""
        try:
            places = _places(device, registers_meant(text))
        except NotARegister as error:
            said = str(error)
        found = [] if places else await asyncio.to_thread(lambda: _search(site, device, text))
        if not found and not places:
            nothing = f"nothing on this map is called `{text}`"
            said = said if any(each.isdigit() for each in text) and " " not in text else f"{nothing}."
        items = [_place(of, entry) for of, entry in found[:MOST_FOUND]]
        return {
            "places": places,
            "items": items,
            "more": len(found) > MOST_FOUND,
            "said": "" if items or places else said,
        }

    async def plan(self, request: Request) -> Answer:
        """The fewest reads that cover what is chosen, a hundred at once from read `after` on; and what all cost."""
        choice, limits = choice_of(request), plan_limits(request)
        after, declared = whole(request, "after", TABLE_SIZE, 0), self._site.declared
        try:
            reads = await asyncio.to_thread(
                lambda: choice.plan(declared, *limits, strict=request.get("strict") is True)
            )
        except Unknown as error:
            some = ", ".join(error.known[:8])
            raise Refused(f"the map has no {error.kind} {error.name}. It has {some} and so on.") from error
        rows = [each.row() for each in reads[after : after + MOST_READS]]
        return {"rows": rows, "reads": len(reads), "cost": cost(reads) if reads else "nothing to read"}


def device_of(site: Site, request: Request) -> Device:
    """The device that a request is about, the first where it names none. Raises Refused."""
    name = request.get("device")
    for device in site.declared.devices:
        if name is None or device.name == name:
            return device
    raise Refused(f"this site has no device {name}.")


def table_of(request: Request) -> Table:
    """The table that a request is about. Raises Refused."""
    table = TABLES.get(str(request.get("table")))
    if table is None:
        raise Refused(f"`table` is one of {', '.join(TABLES)}.")
    return table


def whole(request: Request, key: str, most: int, otherwise: int | None = None) -> int:
    """A whole number from 0 to `most`. Raises Refused."""
    number = request.get(key, otherwise)
    if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number <= most:
        raise Refused(f"`{key}` is a whole number from 0 to {most}.")
    return number


def choice_of(request: Request) -> Choice:
    """What a poll plan is to cover. Raises Refused."""
    return Choice(*(_names(request, key) for key in ("units", "tags", "areas", "items")))


def plan_limits(request: Request) -> tuple[int, int]:
    """How many registers and bits a read may ask for. Raises Refused."""
    limits = whole(request, "most", MOST_REGISTERS, MOST_REGISTERS), whole(request, "most_bits", MOST_BITS, MOST_BITS)
    if 0 in limits:
        raise Refused("a read asks for one register or bit at least.")
    return limits


def _names(request: Request, key: str) -> tuple[str, ...]:
    names = request.get(key) or ()
    if not isinstance(names, list | tuple) or len(names) > MOST_NAMES:
        raise Refused(f"`{key}` is a list of up to {MOST_NAMES} names.")
    return tuple(str(each) for each in names)


def _device(device: Device, frozen: FrozenParts) -> Answer:
    polled = [block for block in device.blocks if block.owner != BUILT_IN["test"]]
    titles = {item.title: None for layout in _layouts(polled) for item in layout.items}
    return {
        "name": device.name,
        "unit_id": device.unit_id,
        "stands_in": device.stands_in.tag if device.stands_in else None,
        "tables": [_table(device, table) for table in Table if device.in_table(table)],
        "frozen": frozen.count(device),
        "items": list(islice(titles, MOST_TITLES)),
        "test_block": {block.table.key: block.start for block in device.blocks if block.owner == BUILT_IN["test"]},
    }


def _layouts(blocks: Iterable[Block]) -> Iterator[Layout]:
    """Each layout once: thousands of meters share one. What stands only in spare slots is not there."""
    yield from {id(block.layout): block.layout for block in blocks if block.owner != SPARE}.values()


def _table(device: Device, table: Table) -> Answer:
    blocks = device.in_table(table)
    used_of = {id(each): _used(each, table) for each in _layouts(blocks)}
    taken = sum(block.size for block in blocks)
    spare = sum(block.size for block in blocks if block.owner == SPARE)
    used = sum(used_of[id(block.layout)] for block in blocks if block.owner != SPARE)
    return {
        "table": table.key,
        "words": table.words,
        "function": table.function,
        "blocks": len(blocks),
        "used": used,
        "spare": spare,
        "kept_free": taken - spare - used,
        "free": TABLE_SIZE - taken,
        "taken": _taken(blocks),
    }


def _used(layout: Layout, table: Table) -> int:
    """Addresses of a block that items take. Fields of a meter's own list may share a register."""
    return len({item.offset + at for item in layout.in_table(table) for at in range(item.size)})


def _taken(blocks: Sequence[Block]) -> list[list[int]]:
    """Where a table is taken, as first and last addresses, in whole grains: at most 1 311 runs, whatever the map."""
    runs: list[list[int]] = []
    for block in blocks:
        first = block.start // GRAIN * GRAIN
        last = min((block.end - 1) // GRAIN * GRAIN + GRAIN, TABLE_SIZE) - 1
        if runs and first <= runs[-1][1] + 1:
            runs[-1][1] = max(runs[-1][1], last)
        else:
            runs.append([first, last])
    return runs


def _items(layout: Layout, table: Table) -> list[list[object]]:
    return [[item.offset, item.size, item.title] for item in layout.in_table(table)]


def _place(device: Device, entry: Entry) -> Answer:
    return {"device": device.name, **item_told(entry)}


def item_told(entry: Entry) -> Answer:
    """An item at its place, as answers name it."""
    register = Register(entry.table, entry.address)
    return {
        "table": entry.table.key,
        "address": entry.address,
        "size": entry.item.size,
        "reference": register.reference,
        "owner": entry.owner,
        "tag": entry.tag,
        "title": entry.item.title,
    }


def _places(device: Device, meant: Sequence[Register]) -> list[Answer]:
    """Each thing that an address can mean and that stands on the device; else the likeliest, where nothing stands."""
    found = [standing(device, each) for each in meant]
    there = [each for each in found if each.entry or each.seen or each.block] or found[:1]
    return [
        {
            "device": device.name,
            "table": each.register.table.key,
            "address": each.register.address,
            "register": str(each.register),
            "item": item_told(each.entry) if each.entry else None,
            "seen": item_told(each.seen) if each.seen else None,
            "owner": each.block.owner if each.block else None,
        }
        for each in there
    ]


def _search(site: Site, first: Device, text: str) -> list[tuple[Device, Entry]]:
    """The items of which meter, area or title has every word of a text, one more than are told; one device's first."""
    words = text.lower().split()
    devices = [first, *(each for each in site.declared.devices if each is not first)]
    found = (
        (device, entry)
        for device in devices
        for block in (each for table in Table for each in device.in_table(table))
        if block.owner != SPARE
        for entry in _matching(site, device, block, words)
    )
    return list(islice(found, MOST_FOUND + 1))


def _matching(site: Site, device: Device, block: Block, words: Sequence[str]) -> Iterator[Entry]:
    state = site.states.get(block.tag or "")
    whose = f"{block.owner} {state.meter.name} {state.meter.area}".lower() if state else block.owner.lower()
    left = [word for word in words if word not in whose]
    if not left:
        yield from device.entries_of(block)
        return
    for entry in device.entries_of(block):
        title = f"{entry.item.title} {entry.item.note}".lower()
        if all(word in title for word in left):
            yield entry
