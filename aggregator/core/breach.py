"""What a new map would do to what is frozen, in sentences.

There is one for each block that moves or goes whole, and one for each item that changes, with all the meters it changes
for. It stands at the line of the map that makes it so.
"""

from __future__ import annotations

import shlex
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from aggregator.core.address_map import Device, Table, areas
from aggregator.core.difference import Difference, differences
from aggregator.core.errors import Place, Problem
from aggregator.core.freeze import broken
from aggregator.core.promise import Line, Promise, device_words, holds, promises_of

MOST_NAMES = 16  # owners that one sentence names
MOST_CURES = 4  # names that one cure writes out
Fate = tuple[str, int, str, int, str]
"""What happens to a line: into which device and table, by how many addresses, and what changes."""


def breaches(frozen: Sequence[Promise], devices: Sequence[Device], map_file: str) -> list[Problem]:
    """Every frozen item that a map would move, change or lose, and every frozen block it would make unreadable.

    `map_file` is the place of what is in the map no longer.
    """
    promised = promises_of(devices)
    frozen = _named_as_now(frozen, devices)
    hurt = broken(frozen, promised)
    if not hurt:
        return []
    teller = Teller(devices, promised, map_file)
    return [*teller.lines(frozen, hurt), *teller.unreadable(hurt)]


def _named_as_now(frozen: Sequence[Promise], devices: Sequence[Device]) -> Sequence[Promise]:
    """The frozen blocks of a device that has only got another name, under that: no client ever sees the name."""
    names = {device.name for device in devices}
    gone = {(promise.device, promise.unit_id) for promise in frozen if promise.device not in names}
    if not gone:
        return frozen
    called: dict[tuple[str, int], str] = {}
    known = {promise.device for promise in frozen}
    for name, unit in gone:
        now = [device.name for device in devices if device.unit_id == unit and device.name not in known]
        if len(now) == 1:
            called[name, unit] = now[0]
    return [replace(each, device=called.get((each.device, each.unit_id), each.device)) for each in frozen]


class Teller:
    """Turns what happens to frozen blocks into sentences at the lines of a map."""

    def __init__(self, devices: Sequence[Device], promised: Sequence[Promise], map_file: str) -> None:
        self.promised = promised
        self.map_place = Place(map_file)
        self.devices = {device.name: device for device in devices}
        self.by_where = {promise.where: promise for promise in promised}
        self.owners = {(promise.device, promise.owner): promise.place for promise in reversed(promised)}
        self.told: set[int] = set()  # blocks of which nothing more need be said

    def lines(self, frozen: Iterable[Promise], hurt: Iterable[Promise]) -> Iterator[Problem]:
        """What happens to the items of blocks that are not as they were."""
        old = [line for promise in frozen for line in promise.lines()]
        new = [line for promise in self.promised for line in promise.lines()]
        by_key = {each.was.key: each for each in differences(old, new) if each.was is not None}
        alike: defaultdict[tuple[str, str, Fate | None], list[tuple[Promise, Difference]]] = defaultdict(list)
        for promise in hurt:
            found = [by_key[line.key] for line in promise.lines() if line.key in by_key]
            whole = self._whole(promise, found)
            if whole is not None:
                self.told.add(id(promise))
                yield whole
                continue
            for each in found:
                alike[each.line.term.item, str(each.line.term), _fate(each)].append((promise, each))
        for members in alike.values():
            yield self._many(members)

    def _whole(self, promise: Promise, found: list[Difference]) -> Problem | None:
        """The sentence for a block that goes whole, or moves whole and otherwise stays as it is."""
        fates = {_fate(each) for each in found}
        if not found or len(found) < len(promise.terms) or len(fates) > 1 or found[0].changes:
            return None
        first, at = found[0], f"{promise.span} of {device_words(promise.device, promise.unit_id)}"
        to = self._moved_to(promise, first)
        if to is not None:
            would = f"move from {at} to {to.span}{_of_device(to, promise)}{_instead(first)}"
        elif first.now is None and not self._is_there(promise):
            would = f"be gone from {at}{_instead(first)}"
        else:
            return None
        items = "one item" if len(found) == 1 else f"{len(found)} items"
        what = f"{promise.owner} would {would}, and is frozen there with {items} ({promise.place.short})"
        return Problem(self._block_place(promise, first), what, _cure([promise.owner]))

    def _moved_to(self, promise: Promise, found: Difference) -> Promise | None:
        """The block of the same owner that stands as far off as the item does, if the item has moved."""
        if found.now is None:
            return None
        start = promise.start + found.now.address - found.line.address
        to = self.by_where.get((*found.now.where[:3], start))
        return to if to is not None and to.owner == promise.owner else None

    def _is_there(self, promise: Promise) -> bool:
        now = self.by_where.get(promise.where)
        return now is not None and now.owner == promise.owner

    def _many(self, members: Sequence[tuple[Promise, Difference]]) -> Problem:
        """The sentence for one item, to which the same happens in the blocks of all its owners."""
        promise, first = members[0]
        owners = list(dict.fromkeys(each.line.owner for _, each in members))
        line = first.line
        place = line.term.place if line.term.place.file else promise.place
        more = f" and {len(members) - 1} more" if len(members) > 1 else ""
        at = f"{line.span} of {device_words(line.device, line.unit_id)}{more}"
        was = f"{line.term.item} of {_listed(owners)}, frozen as {line.term} at {at} ({place.short})"
        names = [f"{owner}/{line.term.item}" for owner in owners]
        return Problem(self._item_place(promise, first), f"{was}, would {_would(first)}", _cure(names))

    def _block_place(self, promise: Promise, found: Difference) -> Place:
        if found.now is not None:
            return found.now.place
        here = self.owners.get((promise.device, promise.owner))
        device = self.devices.get(promise.device)
        return here or (device.place if device else self.map_place)

    def _item_place(self, promise: Promise, found: Difference) -> Place:
        if found.now is not None and found.now.hidden and not found.line.hidden:
            return self._hiding(found.now)
        now = found.now.term.place if found.now is not None else self._layout_place(promise)
        return now if now.line > 1 else self._block_place(promise, found)  # what is built in has no line

    def _layout_place(self, promise: Promise) -> Place:
        """The layout that has the item no longer."""
        return self.by_where[promise.where].layout if self._is_there(promise) else self.map_place

    def _hiding(self, line: Line) -> Place:
        """The holding block that stands over an input item."""
        blocks = self.devices[line.device].in_table(Table.HOLDING)
        return next(block.place for block in blocks if block.start < line.end and line.address < block.end)

    def unreadable(self, hurt: Iterable[Promise]) -> Iterator[Problem]:
        """Frozen blocks that a read could run over and no longer can, where nothing worse has been said of them."""
        runs: dict[tuple[str, Table], list[tuple[int, int]]] = {
            (device.name, table): areas(device.in_table(table)) for device in self.devices.values() for table in Table
        }
        for promise in hurt:
            device = self.devices.get(promise.device)
            readable = holds(runs.get((promise.device, promise.table), []), promise.start, promise.end)
            if id(promise) not in self.told and not readable:
                at = f"{promise.span} of {device_words(promise.device, promise.unit_id)}"
                what = f"{at} are frozen as readable ({promise.place.short}), and some would answer exception 02"
                place = device.place if device is not None else self.map_place
                yield Problem(self.owners.get((promise.device, promise.owner), place), what, _cure([promise.owner]))


def _fate(found: Difference) -> Fate | None:
    """What happens to a line, comparable with what happens to another; None where it goes."""
    was, now = found.line, found.now
    if now is None:
        return None
    changes = "; ".join(map(str, found.changes))
    return now.device, now.unit_id, now.table.key, now.address - was.address, changes


def _would(found: Difference) -> str:
    if found.now is None:
        return f"be gone{_instead(found)}"
    parts = [f"stand at {found.now.span}{_of_device(found.now, found.line)}{_instead(found)}"] * found.moved
    if found.changes:
        parts.append("change: " + ", ".join(map(str, found.changes)))
    return " and ".join(parts)


def _instead(found: Difference) -> str:
    return f", with {found.instead.name} in its place" if found.instead is not None else ""


def _of_device(now: Line | Promise, was: Line | Promise) -> str:
    return "" if now.where[:2] == was.where[:2] else f" of {device_words(now.device, now.unit_id)}"


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(names[:MOST_NAMES])
    return shown if len(names) <= MOST_NAMES else f"{shown} and {len(names) - MOST_NAMES} more"


def _cure(names: Sequence[str]) -> str:
    """Undo it, or thaw by name. Names that a shell would take apart are in quotes."""
    shown = " ".join(shlex.quote(name) for name in names[:MOST_CURES])
    more = f", and {len(names) - MOST_CURES} more names" if len(names) > MOST_CURES else ""
    return f"Undo it, or thaw what may change: aggregator thaw {shown}{more}"
