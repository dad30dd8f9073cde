"""Which reads show which alarms, and when somebody last made one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from aggregator.core.access import Look
from aggregator.core.address_map import Device
from aggregator.core.sight import NEVER, Sight, last_seen
from tests.core.alarmed import EVERY, GROUP_BLOCK, NAMES, POINT, SITE_BLOCK, TAGS, blocks

SIGHT = Sight(Device(1, tuple(blocks())))


@dataclass
class Shown:
    """A device that shows alarms."""

    sight: Sight


@dataclass
class Reader:
    made: list[Look]

    def looks(self) -> Iterator[Look]:
        yield from self.made


def test_an_item_of_one_alarm_shows_that_one() -> None:
    assert SIGHT.shows((TAGS[1], NAMES[1]), 4, POINT + EVERY + 6, 1)
    assert not SIGHT.shows((TAGS[1], NAMES[0]), 4, POINT + EVERY + 6, 1)


def test_coils_show_no_alarm() -> None:
    assert not SIGHT.shows((TAGS[0], ""), 1, POINT, 3)


def test_the_newest_look_counts_wherever_it_was_made() -> None:
    here, nowhere = Shown(SIGHT), object()
    looks = [
        Look(here, 4, POINT, 12, 10.0),
        Look(nowhere, 4, POINT, 12, 99.0),
        Look(here, 2, POINT, 8, 30.0),
        Look(here, 4, GROUP_BLOCK, 30, 50.0),
    ]
    assert last_seen(Reader(looks), [(TAGS[0], NAMES[0]), (TAGS[0], "")]) == 30.0
    assert last_seen(Reader(looks), ["hall"]) == 50.0
    assert last_seen(Reader(looks), [""]) == NEVER
    assert SIGHT.shows("", 4, SITE_BLOCK, 1)


def test_who_has_no_witness_has_seen_nothing() -> None:
    assert last_seen(None, [(TAGS[0], NAMES[0])]) == NEVER
