"""What is frozen: adding to it, taking out of it by name, and finding at a glance whether a map keeps it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from aggregator.core.address_map import Table
from aggregator.core.freeze import broken, chosen, freeze, line_count, names_of, thaw
from aggregator.core.promise import Promise, Term

FLOW, VOLUME = Term(2, "value", "flow", "float32"), Term(2, "value", "volume", "uint32")
TERMS = ((0, FLOW), (2, VOLUME))


def promise(start: int = 100, owner: str = "FT-101", unit: int = 1, size: int = 24) -> Promise:
    terms = () if owner == "spare" else TERMS
    return Promise(str(unit), unit, Table.INPUT, start, size, owner, terms)


MAP = [promise(0, "gateway block"), promise(100), promise(124, "FT-102"), promise(148, "spare"), promise(100, unit=2)]


def owners(promises: list[Promise]) -> list[tuple[int, str]]:
    return [(each.unit_id, each.owner) for each in promises]


def test_some_owners_or_devices_are_chosen_or_all() -> None:
    assert chosen(MAP, [], []) == MAP
    assert owners(chosen(MAP, ["FT-101"], [])) == [(1, "FT-101"), (2, "FT-101")]
    assert owners(chosen(MAP, ["FT-101"], ["2"])) == [(2, "FT-101")]
    assert owners(chosen(MAP, ["gateway"], [])) == [(1, "gateway block")]
    assert owners(chosen([replace(MAP[0], device="boilers")], [], ["boilers"])) == [(1, "gateway block")]


def test_freezing_adds_and_never_takes_away() -> None:
    assert freeze([MAP[1]], [MAP[0]]) == [MAP[0], MAP[1]]
    part = replace(MAP[1], terms=TERMS[:1])
    assert freeze([part], [MAP[1]]) == [MAP[1]]
    assert freeze(MAP, []) == MAP


def test_a_block_that_is_now_two_is_frozen_once() -> None:
    halves = [
        replace(MAP[1], size=2, terms=TERMS[:1]),
        replace(MAP[1], start=102, size=22, terms=((0, VOLUME),)),
    ]
    assert freeze([replace(MAP[1], start=99, terms=((1, FLOW), (3, VOLUME)))], halves) == halves


def test_thawing_takes_out_an_owner_an_item_or_a_device_s_part_of_it() -> None:
    assert owners(thaw(MAP, "FT-101")) == [(1, "gateway block"), (1, "FT-102"), (1, "spare")]
    assert owners(thaw(MAP, "FT-101", ["2"])) == owners(MAP[:4])
    assert owners(thaw(MAP, "gateway")) == owners(MAP[1:])
    left = thaw(MAP, "FT-102/flow")
    assert line_count(left) == line_count(MAP) - 1
    assert left[2].terms == TERMS[1:]
    assert owners(thaw(left, "FT-102/volume")) == owners([*MAP[:2], *MAP[3:]])
    assert thaw(MAP, "FT-109") == MAP


def test_every_owner_and_item_can_be_thawed_by_its_name() -> None:
    names = names_of(MAP)
    assert names[:4] == ["gateway block", "FT-101", "FT-102", "spare"]
    assert "FT-102/volume" in names
    for name in names:
        assert thaw(MAP, name) != MAP, name


@pytest.mark.parametrize(
    ("now", "breaks"),
    [
        (MAP, False),
        ([replace(MAP[1], size=30)], False),
        ([replace(MAP[1], terms=(*TERMS, (4, FLOW)))], False),
        ([replace(MAP[1], size=23)], True),
        ([replace(MAP[1], start=101)], True),
        ([replace(MAP[1], owner="FT-103")], True),
        ([replace(MAP[1], terms=((0, FLOW),))], True),
        ([replace(MAP[1], terms=((0, VOLUME), (2, FLOW)))], True),
        ([replace(MAP[1], terms=((0, replace(FLOW, unit="m3")), (2, VOLUME)))], True),
        ([replace(MAP[1], hidden=frozenset({0}))], True),
        ([replace(MAP[1], unit_id=3, device="3")], True),
        ([], True),
    ],
)
def test_a_map_keeps_a_block_or_breaks_it(now: list[Promise], *, breaks: bool) -> None:
    assert broken([MAP[1]], now) == ([MAP[1]] if breaks else [])


def test_a_meter_may_take_a_spare_slot() -> None:
    assert broken([promise(148, "spare")], [promise(148, "FT-103")]) == []
