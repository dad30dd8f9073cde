"""A host's pace: what it has saved up at once, then no faster than its rate. All figures computed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.pace import AT_ONCE, Pace


def test_a_host_within_its_rate_never_waits() -> None:
    pace = Pace(10.0)
    assert all(pace.wait_after(1, 100 + at / 10) == 0 for at in range(100))


def test_a_second_s_worth_is_answered_at_once_and_the_rest_waits() -> None:
    pace = Pace(10.0)
    assert pace.wait_after(10, 100.0) == 0
    assert pace.wait_after(5, 100.0) == pytest.approx(0.5)


@given(st.lists(st.integers(1, 50), min_size=1, max_size=50), st.integers(1, 1000))
def test_over_any_time_no_more_is_answered_than_the_rate_allows(portions: list[int], rate: int) -> None:
    pace, at = Pace(rate), 1000.0
    for portion in portions:
        at += pace.wait_after(portion, at)
    assert sum(portions) <= rate * (at - 1000.0 + AT_ONCE) + 1e-6
