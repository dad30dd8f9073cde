"""The freeze: what plant software has been built on, and what a new map would do to it.

A frozen line must stand where it stood, on the terms it stood on, and a frozen block must go on being readable as a
whole, for reads run over its gaps. All else is free: new items, new meters, new layouts, other names of layouts.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace

from aggregator.core.address_map import Table
from aggregator.core.promise import SPARE, Promise

BUILT_IN = {"gateway": "gateway block", "test": "test block"}
"""Short names for the owners that are no meters."""


def chosen(promises: Iterable[Promise], owners: Collection[str], devices: Collection[str]) -> list[Promise]:
    """The promises of some owners and devices; of all where none are named."""
    wanted = {BUILT_IN.get(name, name) for name in owners} | set(owners)
    return [promise for promise in promises if (not owners or promise.owner in wanted) and _is_of(promise, devices)]


def _is_of(promise: Promise, devices: Collection[str]) -> bool:
    """Whether it is of one of the devices, by name or unit id; of any where none are named."""
    return not devices or promise.device in devices or str(promise.unit_id) in devices


def freeze(frozen: Iterable[Promise], more: Iterable[Promise]) -> list[Promise]:
    """What is frozen already and more beside it, of one map: where both know a block, it is as the map now has it."""
    added = list(more)
    lines = {line.key for promise in added for line in promise.lines()}
    starts = {promise.where for promise in added}
    kept = [
        promise
        for promise in frozen
        if promise.where not in starts and not (promise.terms and all(line.key in lines for line in promise.lines()))
    ]
    return sorted([*kept, *added], key=_order)


def _order(promise: Promise) -> tuple[int, str, int, int]:
    return promise.unit_id, promise.device, list(Table).index(promise.table), promise.start


def thaw(frozen: Iterable[Promise], name: str, devices: Collection[str] = ()) -> list[Promise]:
    """What stays frozen without `name`: an owner, or an owner and an item as `FT-101/flow`. As it was if nobody is."""
    owner, slash, item = name.partition("/")
    owners = {owner, BUILT_IN.get(owner, owner)}
    left = []
    for promise in frozen:
        if promise.owner not in owners or not _is_of(promise, devices):
            left.append(promise)
        elif slash:
            terms = tuple((offset, term) for offset, term in promise.terms if term.item != item)
            if terms:
                left.append(replace(promise, terms=terms))
    return left


def names_of(frozen: Iterable[Promise]) -> list[str]:
    """Every name that can be thawed: the owners, then the owners with each of their items."""
    owners = {promise.owner: None for promise in frozen}
    items = {f"{promise.owner}/{term.item}": None for promise in frozen for _, term in promise.terms}
    return [*owners, *items]


def line_count(promises: Iterable[Promise]) -> int:
    """How many items are promised."""
    return sum(len(promise.terms) for promise in promises)


def broken(frozen: Iterable[Promise], promised: Iterable[Promise]) -> list[Promise]:
    """The frozen blocks that are not found as they were, by one look at each: most maps break none."""
    by_where = {promise.where: promise for promise in promised}
    known: dict[tuple[int, int], bool] = {}

    def stands(promise: Promise) -> bool:
        now = by_where.get(promise.where)
        if now is None or now.size < promise.size or now.hidden - promise.hidden:
            return False
        if promise.owner == SPARE:
            return True
        pair = (id(promise.terms), id(now.terms))
        if pair not in known:
            known[pair] = set(promise.terms) <= set(now.terms)
        return now.owner == promise.owner and known[pair]

    return [promise for promise in frozen if not stands(promise)]
