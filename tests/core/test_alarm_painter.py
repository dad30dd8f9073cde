"""What registers and bits show of alarms. State numbers are those of ISA-18.2's letters A to I (`from memory`)."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest

from aggregator.core.alarm_state import State
from tests.core.alarmed import GROUP_BLOCK, POINT, SITE_BLOCK, TAGS, Client, Plant, float32


@pytest.fixture
def plant(remembered: Callable[..., object]) -> Plant:
    return Plant(remembered)  # type: ignore[arg-type]


@pytest.fixture
def room(plant: Plant) -> Client:
    """A control room that polls."""
    for at in range(3):
        plant.send(at, 1.0)
    return plant.client()


def test_quiet_alarms_read_as_normal_and_not_as_nothing(room: Client) -> None:
    assert room.read(POINT, 12) == (0, 0, 0, State.NORMAL, 0, 0, State.NORMAL, 0, 0, 0x8000, *float32(20.0))
    assert room.bits(POINT) == [0] * 8


def test_a_word_has_a_bit_for_each_alarm_that_is_active_or_owed(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    assert room.read(POINT, 4) == (0b001, 0b001, 3, State.UNACKNOWLEDGED)
    assert room.bits(POINT, 3) == [1, 1, 0]
    plant.send(0, 45.0)
    assert room.read(POINT, 3) == (0b011, 0b011, 4)
    assert room.bits(POINT, 3) == [1, 1, 1]
    plant.send(0, 1.0)
    assert room.read(POINT, 4) == (0, 0b011, 0, State.RETURNED)
    assert room.read(POINT + 6) == (State.LATCHED_UNACKNOWLEDGED,)
    assert room.bits(POINT, 3) == [0, 1, 0]


def test_silence_shows_in_the_bit_of_the_alarm_that_watches_for_it(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    plant.wait(1800)
    assert room.read(POINT, 3) == (0b101, 0b101, 3)  # silence clears no gas alarm


def test_a_peak_is_shown_as_far_as_the_value_has_gone(plant: Plant, room: Client) -> None:
    peaks: list[int] = []
    for value in (21.5, 33.3, 24.0, 1.0):
        plant.send(0, value)
        peaks += room.read(POINT + 9)
    assert peaks == [215, 333, 333, 333]


def test_each_raising_has_a_number_of_its_own(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    assert room.read(POINT + 4, 5) == (0, 1, State.UNACKNOWLEDGED, 0, 2)
    plant.send(0, 1.0)
    plant.send(0, 25.0)
    assert room.read(POINT + 4, 2) == (0, 3)


def test_the_sites_block_counts_by_priority(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    plant.send(1, 25.0)
    # active, unacknowledged, priority, latched, shelved, suppressed, out of service, sounder; active and unacknowledged
    # by priority, two of them the group's vote and high-high, both critical; the newest number
    assert room.read(SITE_BLOCK, 18) == (4, 4, 4, 0, 0, 0, 0, 1, 0, 0, 2, 2, 0, 0, 2, 2, 0, 4)
    assert room.read(SITE_BLOCK + 18, 5) == (0, 0, 0, 0, 0)  # no group
    assert room.bits(SITE_BLOCK, 4) == [1, 1, 1, 0]


def test_a_block_tells_what_was_announced_and_what_stands_over_a_day(plant: Plant, room: Client) -> None:
    """Fewer than 5 that stand over 24 h are wanted (ISA-18.2, from memory)."""
    plant.send(2, 25.0)
    plant.send(0, 25.0)
    assert room.read(SITE_BLOCK + 30, 2) == (2, 0)
    assert room.read(GROUP_BLOCK + 30, 2) == (1, 0)
    for _ in range(150):  # more than a day, with a report each ten minutes
        plant.wait(590)
        for at in range(3):
            plant.send(at, 1.0 if at == 1 else 25.0)
    assert room.read(SITE_BLOCK + 30, 2) == (0, 2)
    assert room.read(GROUP_BLOCK + 30, 2) == (0, 1)


def test_a_groups_block_tells_who_was_first_up_and_how_the_vote_stands(plant: Plant, room: Client) -> None:
    plant.send(1, 25.0)
    assert room.read(GROUP_BLOCK + 18, 4) == (State.NORMAL, 1, 0, 2)
    tag = struct.pack(">8H", *room.read(GROUP_BLOCK + 22, 8))
    assert tag.rstrip(b"\0").decode() == TAGS[1]
    plant.send(0, 25.0)
    assert room.read(GROUP_BLOCK + 18, 4) == (State.UNACKNOWLEDGED, 2, 0, 2)
    assert room.bits(GROUP_BLOCK, 4) == [1, 1, 1, 1]
    assert room.read(GROUP_BLOCK, 3) == (3, 3, 4)
    plant.send(2, 45.0)  # no member
    assert room.read(GROUP_BLOCK, 3) == (3, 3, 4)


def test_a_silent_member_shows_as_not_voting(plant: Plant, room: Client) -> None:
    assert room.read(GROUP_BLOCK + 20) == (0,)
    plant.wait(1790)
    plant.send(1, 1.0)
    plant.wait(20)
    assert room.read(GROUP_BLOCK + 19, 2) == (0, 1)


def test_what_is_put_aside_is_counted(plant: Plant, room: Client) -> None:
    plant.site.hold_in_test(TAGS[0], on=True, who="technician", now=plant.now)
    assert room.read(SITE_BLOCK + 6) == (3,)
    assert room.read(GROUP_BLOCK + 6) == (1,)
    assert room.coil(POINT + 2) == bytes.fromhex("05 0066 FF00")
    assert room.read(SITE_BLOCK + 5) == (3,)


def test_alarms_stand_in_the_registers_after_a_restart_before_any_uplink(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    before = room.read(POINT, 12), room.read(SITE_BLOCK, 30), room.read(GROUP_BLOCK, 30)
    plant.restart()
    again = plant.client()
    assert (again.read(POINT, 12), again.read(SITE_BLOCK, 30), again.read(GROUP_BLOCK, 30)) == before
    assert again.read(SITE_BLOCK + 30) == (0,)  # what was announced is counted from the start on
