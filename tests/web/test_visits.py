"""Visits: how long they last, what ends them, and what outlives a restart."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.web.people import People, Person, Role
from aggregator.web.visits import LASTS, MOST, Visits

PASSWORD = "correct horse battery"


class Clock:
    def __init__(self) -> None:
        self.utc = 1_795_600_000.0

    def __call__(self) -> float:
        return self.utc


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def people(tmp_path: Path) -> People:
    found = People(tmp_path)
    found.add("mara", Role.ENGINEER, PASSWORD)
    found.add("wall", Role.LOOK, PASSWORD)
    return found


@pytest.fixture
def visits(tmp_path: Path, people: People, clock: Clock) -> Visits:
    return Visits(tmp_path, people, clock)


def who(people: People, name: str) -> Person:
    found = people.find(name)
    assert found is not None
    return found


def test_a_cookie_stands_for_whoever_signed_in(visits: Visits, people: People) -> None:
    cookie = visits.begin(who(people, "mara"))
    found = visits.find(cookie)
    assert found is not None
    assert found[1].name == "mara"
    assert visits.find(cookie + "x") is None


def test_the_file_signs_nobody_in(visits: Visits, people: People, tmp_path: Path) -> None:
    cookie = visits.begin(who(people, "mara"))
    assert cookie not in (tmp_path / "visits.json").read_text()


def test_a_visit_outlives_a_restart(visits: Visits, people: People, clock: Clock, tmp_path: Path) -> None:
    cookie = visits.begin(who(people, "wall"))
    assert Visits(tmp_path, people, clock).find(cookie) is not None


def test_a_visit_that_nobody_uses_ends_sooner_for_who_may_more(visits: Visits, people: People, clock: Clock) -> None:
    engineer, screen = visits.begin(who(people, "mara")), visits.begin(who(people, "wall"))
    clock.utc += LASTS[Role.ENGINEER] - 1
    assert visits.find(engineer) is not None  # used: it lasts on from here
    clock.utc += LASTS[Role.ENGINEER] + 1
    assert visits.find(engineer) is None
    assert visits.find(screen) is not None


def test_another_password_or_the_end_of_a_person_ends_visits(visits: Visits, people: People) -> None:
    first, second = visits.begin(who(people, "mara")), visits.begin(who(people, "wall"))
    people.set_password("mara", "another password")
    people.remove("wall")
    assert visits.find(first) is None
    assert visits.find(second) is None


def test_signing_out_ends_this_visit_only(visits: Visits, people: People) -> None:
    first, second = visits.begin(who(people, "mara")), visits.begin(who(people, "mara"))
    visits.end(first)
    assert visits.find(first) is None
    assert visits.find(second) is not None


def test_beyond_so_many_visits_the_one_used_longest_ago_goes(visits: Visits, people: People, clock: Clock) -> None:
    first = visits.begin(who(people, "mara"))
    for _ in range(MOST):
        clock.utc += 1
        last = visits.begin(who(people, "mara"))
    assert visits.find(first) is None
    assert visits.find(last) is not None


def test_a_broken_file_of_visits_only_means_signing_in_again(people: People, clock: Clock, tmp_path: Path) -> None:
    (tmp_path / "visits.json").write_text('{"x": 3}')
    assert Visits(tmp_path, people, clock).find("anything") is None
