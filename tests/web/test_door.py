"""The door: the first person's code, and how often a password may be tried."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.web.door import (
    FREE_TRIES,
    LETTERS,
    LONGEST_FOR_A_NAME,
    LONGEST_WAIT,
    Door,
    Throttle,
    TooOften,
    new_code,
)
from aggregator.web.people import People, Role, WrongPerson

PASSWORD = "correct horse battery"


class Clock:
    def __init__(self) -> None:
        self.time = 100.0

    def __call__(self) -> float:
        return self.time


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def door(tmp_path: Path, clock: Clock) -> Door:
    return Door(People(tmp_path), clock)


def test_a_code_is_read_easily_and_differs_each_time() -> None:
    codes = {new_code() for _ in range(50)}
    assert len(codes) == 50
    assert all(len(code) == 9 and set(code) <= {*LETTERS, "-"} for code in codes)
    assert not set("01ILO") & set(LETTERS)


async def test_the_code_makes_the_first_engineer_and_nobody_after(door: Door) -> None:
    code = door.first_code()
    assert code is not None
    person = await door.first(code.lower().replace("-", " "), "mara", PASSWORD, "10.0.0.5")
    assert person.role is Role.ENGINEER
    assert door.first_code() is None
    with pytest.raises(WrongPerson, match="already"):
        await door.first(code, "olav", PASSWORD, "10.0.0.5")


async def test_a_wrong_code_lets_nobody_in(door: Door) -> None:
    with pytest.raises(WrongPerson, match="not the code"):
        await door.first("AAAA-AAAA", "mara", PASSWORD, "10.0.0.5")
    assert door.people.find("mara") is None


async def test_wrong_names_and_wrong_passwords_are_told_alike(door: Door) -> None:
    door.people.add("mara", Role.LOOK, PASSWORD)
    said = set()
    for name, password in (("mara", "wrong password"), ("nobody", PASSWORD)):
        with pytest.raises(WrongPerson) as refused:
            await door.sign_in(name, password, "10.0.0.5")
        said.add(str(refused.value))
    assert len(said) == 1


async def test_a_host_that_guesses_has_to_wait_and_others_do_not(door: Door, clock: Clock) -> None:
    door.people.add("mara", Role.LOOK, PASSWORD)
    for _ in range(FREE_TRIES):
        with pytest.raises(WrongPerson, match="wrong"):
            await door.sign_in("nobody", "wrong password", "10.0.0.5")
    with pytest.raises(TooOften):
        await door.sign_in("mara", PASSWORD, "10.0.0.5")
    assert (await door.sign_in("mara", PASSWORD, "10.0.0.6")).name == "mara"
    clock.time += LONGEST_WAIT
    assert (await door.sign_in("mara", PASSWORD, "10.0.0.5")).name == "mara"


async def test_whoever_tries_a_name_from_many_hosts_cannot_lock_out_who_bears_it_for_long(
    door: Door, clock: Clock
) -> None:
    door.people.add("mara", Role.LOOK, PASSWORD)
    for at in range(40):
        with pytest.raises(WrongPerson):
            await door.sign_in("mara", "wrong password", f"10.0.1.{at}")
    with pytest.raises(TooOften):
        await door.sign_in("mara", PASSWORD, "10.0.0.6")
    clock.time += LONGEST_FOR_A_NAME
    assert (await door.sign_in("mara", PASSWORD, "10.0.0.6")).name == "mara"


def test_each_wrong_try_beyond_the_free_ones_waits_twice_as_long(clock: Clock) -> None:
    throttle, waits = Throttle(clock), []
    for _ in range(FREE_TRIES + 12):
        throttle.failed("x")
        try:
            throttle.check("x")
        except TooOften as error:
            waits.append(error.wait)
            clock.time += error.wait
    assert waits[:4] == [2, 4, 8, 16]
    assert max(waits) == LONGEST_WAIT
    throttle.passed("x")
    throttle.check("x")
