"""What a meter last answered: kept by read, until a value comes by another road."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from aggregator.core.encoding import Encoding
from aggregator.core.profile import Field, Profile, RegisterItem, Response, Window
from aggregator.core.reading import Fault
from aggregator.core.uplink import NO_RADIO, Uplink
from aggregator.core.wired import Wired

FLOW, VOLUME = range(2)
FIRST, SECOND = Window(3, 0), Window(4, 100)
LIST = (
    RegisterItem(FLOW, 3, 0, Encoding.number("uint16")),
    RegisterItem(VOLUME, 4, 100, Encoding.number("uint16")),
)
PROFILE = Profile(
    "flow-rtu",
    "Flow meter",
    (Field("flow", "m3/h", "flow"), Field("volume", "m3", "volume")),
    (),
    {
        1: Response((FIRST,), frozenset({"registers"}), LIST),
        2: Response((SECOND,), frozenset({"registers"}), LIST),
    },
    LIST,
)


@pytest.fixture
def wired() -> Wired:
    return Wired(PROFILE)


@pytest.fixture
def take(wired: Wired) -> Callable[..., None]:
    def carry(port: int | None, payload: bytes | None, *pairs: tuple[int, float | Fault]) -> None:
        wired.take(Uplink("70b3d57ed0000001", 1, port, None, None, None, payload, NO_RADIO), list(pairs))

    return carry


def superseded(wired: Wired) -> set[int]:
    wired.catch_up()
    return {index for index in (FLOW, VOLUME) if wired.is_superseded(index)}


def test_an_answer_that_waits_is_older_than_a_value_that_came_after_it(wired: Wired, take: Callable[..., None]) -> None:
    take(1, bytes.fromhex("0001"), (FLOW, 1))
    take(None, None, (FLOW, 5))
    assert superseded(wired) == {FLOW}


def test_of_two_ports_with_one_read_the_newer_answer_stands() -> None:
    both = replace(PROFILE, payloads={1: PROFILE.payloads[1], 3: PROFILE.payloads[1]})
    wired = Wired(both)
    for port, payload in ((1, "0001"), (3, "0003"), (1, "0002")):
        wired.take(Uplink("70b3d57ed0000001", 1, port, None, None, None, bytes.fromhex(payload), NO_RADIO), [])
    wired.catch_up()
    assert wired.runs == {FIRST: bytes.fromhex("0002")}


def test_each_read_keeps_its_newest_answer(wired: Wired, take: Callable[..., None]) -> None:
    take(1, bytes.fromhex("0001"), (FLOW, 1))
    take(2, bytes.fromhex("0007"), (VOLUME, 7))
    take(1, bytes.fromhex("0002"), (FLOW, 2))
    wired.catch_up()
    assert wired.runs == {FIRST: bytes.fromhex("0002"), SECOND: bytes.fromhex("0007")}
    assert superseded(wired) == set()


def test_a_value_by_another_road_supersedes_its_field_until_the_meter_answers_again(
    wired: Wired, take: Callable[..., None]
) -> None:
    take(1, bytes.fromhex("0001"), (FLOW, 1))
    take(None, None, (FLOW, 5), (VOLUME, 5))
    assert superseded(wired) == {FLOW, VOLUME}
    take(1, bytes.fromhex("0002"), (FLOW, 2))
    assert superseded(wired) == {VOLUME}


def test_bytes_that_are_no_answer_are_left_alone(wired: Wired, take: Callable[..., None]) -> None:
    take(1, bytes.fromhex("0001"), (FLOW, 1))
    wired.catch_up()
    take(1, b"\x01", (FLOW, 5))
    wired.catch_up()
    assert wired.runs == {FIRST: bytes.fromhex("0001")}
    assert superseded(wired) == {FLOW}


def test_a_fault_is_known_until_a_value_comes(wired: Wired, take: Callable[..., None]) -> None:
    take(1, bytes.fromhex("FFFF"), (FLOW, Fault("sensor failed")))
    assert wired.faults == {FLOW: "sensor failed"}
    take(1, bytes.fromhex("0001"), (FLOW, 1))
    assert wired.faults == {}
