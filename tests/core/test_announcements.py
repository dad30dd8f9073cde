"""How many alarms were announced within a time."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core import announcements
from aggregator.core.announcements import Announcements

KEYS = [("GD-1", "high"), ("GD-2", "high"), ("GD-3", "low")]


def announced(*at: float) -> Announcements:
    made = Announcements()
    for number, each in enumerate(at):
        made.add(KEYS[number % len(KEYS)], each)
    return made


@given(
    st.lists(st.integers(0, 1000), max_size=40).map(sorted),
    st.integers(0, 1000),
    st.integers(1, 500),
    st.none() | st.sets(st.sampled_from(KEYS)),
)
def test_those_within_the_time_are_counted_and_no_other(
    times: list[int], now: int, seconds: int, keys: set[tuple[str, str]] | None
) -> None:
    past = [each for each in times if each <= now]
    expected = sum(
        each > now - seconds and (keys is None or KEYS[number % len(KEYS)] in keys) for number, each in enumerate(past)
    )
    assert announced(*past).within(seconds, now, keys) == expected


def test_those_of_a_site_that_ran_before_come_first() -> None:
    goes_on = announced(100, 110)
    goes_on.go_on(announced(10, 20, 95))
    assert [goes_on.within(seconds, 110) for seconds in (5, 11, 20, 96, 1000)] == [1, 2, 3, 4, 5]
    assert goes_on.within(1000, 110, {KEYS[0]}) == 2


def test_in_a_flood_the_oldest_are_forgotten_and_the_newest_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(announcements, "MOST", 10)
    monkeypatch.setattr(announcements, "SPARE", 3)
    assert [announced(*range(many)).within(1000, many) for many in (9, 10, 12, 13, 14, 50)] == [9, 10, 10, 10, 10, 10]
    assert announced(*range(50)).within(5, 50) == 4
    goes_on = announced(100, 101)
    goes_on.go_on(announced(*range(13)))
    assert goes_on.within(1000, 101) == 10
    assert goes_on.within(1, 101) == 1
