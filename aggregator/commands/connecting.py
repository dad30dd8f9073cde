"""What the control socket can ask on the day on which plant software is connected: who polls, what a register holds."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from itertools import islice

from aggregator.commands.mapping import device_of, item_told, whole
from aggregator.commands.running import OfTheRunningSite
from aggregator.control import Command, Refused, Request
from aggregator.core.account import Account, Accounts, Wrong
from aggregator.core.address_map import TABLE_SIZE, Device, Entry, Shows, Table
from aggregator.core.errors import ModbusError
from aggregator.core.functions import Tables
from aggregator.core.meant import Ground, probably_meant
from aggregator.core.meter import Meter, MeterState
from aggregator.core.misread import misreadings
from aggregator.core.reading import Now, quality_words
from aggregator.core.register import Register, Standing, registers_meant, standing
from aggregator.core.site import Site
from aggregator.register_list import about

MOST_ITEMS = 100  # of a block, told at once
MOST_PLACES = 400  # of one meter; an answer has its bounds
OF_NO_READING = (Shows.SCRATCH, Shows.CONSTANT, Shows.TEXT, Shows.GATEWAY)
DevicesAt = Callable[[str], Sequence[Device | None]]
"""The devices of a listener by its name, one place a unit id."""


class ConnectingCommands(OfTheRunningSite):
    """The commands about clients and registers of one service."""

    def __init__(
        self,
        site: Callable[[], Site],
        now: Callable[[], Now],
        accounts: Accounts,
        devices_at: DevicesAt,
        is_frozen: Callable[[Device, Entry], bool] = lambda _device, _entry: False,
    ) -> None:
        super().__init__(site, now)
        self._is_frozen = is_frozen
        self._accounts = accounts
        self._devices_at = devices_at

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {
            "clients": self.clients,
            "explain": self.explain,
            "explain block": self.explain_block,
            "places": self.places,
        }

    async def clients(self, _request: Request) -> Mapping[str, object]:
        """Who polls, those heard last first, and the counts of what was refused. Times are UTC seconds."""
        now = self._now()
        self._accounts.look(now)
        heard = sorted(self._accounts, key=lambda account: (account.connections > 0, account.last), reverse=True)
        clients = [_client(account, now) for account in heard]
        grounds = {account.listener: Ground(self._devices_at(account.listener)) for account in heard}
        wrong = [(grounds[account.listener], list(reversed(account.wrong.values()))) for account in heard]
        told = await asyncio.to_thread(lambda: [_wrong(*each) for each in wrong])  # polls do not wait for it
        return {
            "clients": [{**client, "wrong": each} for client, each in zip(clients, told, strict=True)],
            "refused": {str(refused): count for refused, count in self._accounts.refusals.counts.items()},
        }

    async def explain(self, request: Request) -> Mapping[str, object]:
        """What a register of a device is, and holds now: the item's value, its registers as they stand, its quality."""
        device, found = self._standing(request)
        site, now = self._site, self._now()
        meters = {} if found.entry is None or found.entry.tag is None else _meter_of(site, found.entry.tag)
        told: dict[str, object] = {
            "map_fingerprint": f"{site.figures.fingerprint:08x}",
            "register": _register(found.register),
            "about": [list(line) for line in about(device, found, meters)],
            "owner": found.block.owner if found.block else None,
            "before": item_told(found.before) if found.before else None,
            "after": item_told(found.after) if found.after else None,
            "seen": item_told(found.seen) if found.seen else None,
        }
        entry = found.entry
        if entry is None:
            return told
        told |= {"item": item_told(entry), "frozen": self._is_frozen(device, entry), "unit": entry.item.unit}
        return {**told, **_held(site, device, entry, now), **_misread(site.tables[device.name], entry, now)}

    async def explain_block(self, request: Request) -> Mapping[str, object]:
        """The items of the block in which a register stands, each with what it holds now; from item `after` on."""
        device, found = self._standing(request)
        block, site, now = found.block, self._site, self._now()
        if block is None:
            raise Refused(f"no block stands at {found.register}.")
        after = whole(request, "after", TABLE_SIZE, 0)
        entries = list(islice(device.entries_of(block), after, after + MOST_ITEMS + 1))
        return {
            "owner": block.owner,
            "tag": block.tag,
            "span": str(block),
            "placed": block.place.short,
            "layout": block.layout.name,
            "items": [_told(site, device, entry, now) for entry in entries[:MOST_ITEMS]],
            "more": len(entries) > MOST_ITEMS,
        }

    async def places(self, request: Request) -> Mapping[str, object]:
        """Every place of a meter in the map, with what it holds now."""
        tag, site, now = self._state_of(request.get("tag")).meter.tag, self._site, self._now()
        found = (
            {
                "device": device.name,
                "unit_id": device.unit_id,
                "declared_at": entry.item.place.short,
                **_told(site, device, entry, now),
            }
            for device in site.declared.devices
            for block in device.blocks
            if block.tag == tag
            for entry in device.entries_of(block)
        )
        return {"tag": tag, "places": list(islice(found, MOST_PLACES))}

    def _standing(self, request: Request) -> tuple[Device, Standing]:
        """The device and what stands at the register that a request names. Raises Refused and NotARegister."""
        device, text = device_of(self._site, request), request.get("register")
        if not isinstance(text, str):
            raise Refused("`register` is a table and an address: input:122.")
        return device, standing(device, registers_meant(text)[0])


def _meter_of(site: Site, tag: str) -> Mapping[str, Meter]:
    return {tag: site.states[tag].meter}


def _register(register: Register) -> Mapping[str, object]:
    return {
        "table": register.table.key,
        "address": register.address,
        "hex": f"{register.address:04X}",
        "data_number": register.address + 1,
        "reference": register.reference,
        "short_reference": register.short_reference,
    }


def _told(site: Site, device: Device, entry: Entry, now: Now) -> Mapping[str, object]:
    codec = entry.item.codec
    kind = codec.encoding.type if codec else "bit"
    about_it = {"type": kind, "unit": entry.item.unit, "note": entry.item.note}
    return {**item_told(entry), **about_it, **_held(site, device, entry, now)}


def _misread(tables: Tables, entry: Entry, now: Now) -> Mapping[str, object]:
    """What a driver shows that reads the item in one of the usual wrong ways; nothing of texts and bits."""
    codec = entry.item.codec
    raw = _raw(tables, entry.table, entry.address, entry.item.size, now)
    if codec is None or raw is None:
        return {"misread": []}
    before = _raw(tables, entry.table, entry.address - 1, 1, now)
    after = _raw(tables, entry.table, entry.end, 1, now)
    return {"misread": [each._asdict() for each in misreadings(codec, raw, before, after)]}


def _raw(tables: Tables, table: Table, start: int, count: int, now: Now) -> bytes | None:
    """Registers as they stand, None where none can be read there."""
    try:
        return _reader(tables, table)(start, count, now) if 0 <= start < TABLE_SIZE else None
    except ModbusError:
        return None


def _reader(tables: Tables, table: Table) -> Callable[[int, int, Now], bytes]:
    return {
        Table.COIL: tables.read_coils,
        Table.DISCRETE: tables.read_discrete_inputs,
        Table.INPUT: tables.read_input_registers,
        Table.HOLDING: tables.read_holding_registers,
    }[table]


def _held(site: Site, device: Device, entry: Entry, now: Now) -> Mapping[str, object]:
    content = _content(site.tables[device.name], entry, now)
    state = site.states.get(entry.tag or "")
    if state is None or entry.item.shows in OF_NO_READING:
        return content
    return {**content, **_quality(state, entry, now)}


def _content(tables: Tables, entry: Entry, now: Now) -> Mapping[str, object]:
    try:
        raw = _reader(tables, entry.table)(entry.address, entry.item.size, now)
    except ModbusError as error:
        return {"exception": int(error.code)}
    codec = entry.item.codec
    if codec is None:
        return {"value": bool(raw[0]), "raw": str(raw[0])}
    return {"value": codec.decode(raw), "raw": raw.hex(" ", -2).upper()}


def _quality(state: MeterState, entry: Entry, now: Now) -> Mapping[str, object]:
    """The quality of the field that an item shows, else of its meter."""
    fields = entry.item.fields
    index = state.meter.profile.index_of(fields[0]) if fields else None
    reasons = state.reasons if index is None else state.shown[index].reasons
    return {"quality": quality_words(reasons), "age": state.age(now.monotonic, index)}


def _client(account: Account, now: Now) -> Mapping[str, object]:
    return {
        "listener": account.listener,
        "host": account.host,
        "since": account.since.utc,
        "last": account.last,
        "connections": account.connections,
        "connected": account.connected,
        "requests": account.requests,
        "rate": round(account.rate(now), 2),
        "units": {str(unit): count for unit, count in sorted(account.units.items())},
        "exceptions": {f"{code:02X}": count for code, count in sorted(account.exceptions.items())},
        "reads": [
            {"unit": unit, "function": function, "addresses": [[start, end - 1] for start, end in runs]}
            for (unit, function), runs in sorted(account.runs().items())
        ],
    }


def _wrong(ground: Ground, wrong: Sequence[Wrong]) -> list[Mapping[str, object]]:
    return [
        {
            **each.request._asdict(),
            "exception": f"{each.code:02X}",
            "times": each.times,
            "last": each.last,
            "meant": probably_meant(ground, each.request, each.code),
        }
        for each in wrong
    ]
