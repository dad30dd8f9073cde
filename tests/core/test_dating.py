"""Which of its times an uplink counts as of, and which clocks are believed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.dating import AHEAD, OLDEST, believable, time_of
from aggregator.core.reading import Now, Reason

NOW = Now(monotonic=5000.0, utc=1_795_600_000.0)


@pytest.mark.parametrize(
    ("offset", "believed"),
    [(0.0, True), (AHEAD, True), (AHEAD + 1, False), (-OLDEST, True), (-OLDEST - 1, False)],
)
def test_a_time_ahead_or_older_than_any_node_buffers_is_not_believed(offset: float, believed: bool) -> None:
    assert believable(NOW.utc + offset, NOW) is believed


def test_no_time_is_not_believed() -> None:
    assert not believable(None, NOW)


OLD = NOW.utc - 400 * 86400.0


@pytest.mark.parametrize(
    ("observed", "received", "age", "reasons"),
    [
        (NOW.utc - 30, NOW.utc - 5, 30.0, 0),
        (None, NOW.utc - 5, 5.0, 0),
        (None, None, 0.0, 0),
        (NOW.utc - 30, None, 30.0, 0),
        (OLD, NOW.utc - 5, 5.0, Reason.NODE_CLOCK_OFF),
        (OLD, None, 0.0, Reason.NODE_CLOCK_OFF),
        (NOW.utc + 3600, NOW.utc - 5, 5.0, Reason.NODE_CLOCK_OFF),
        (NOW.utc - 5, NOW.utc - 600, 600.0, Reason.NODE_CLOCK_OFF),  # observed after it was received
        (None, OLD, 0.0, 0),
        (NOW.utc + 10, None, 0.0, 0),  # a little ahead is no fault, and no age below zero either
    ],
)
def test_age_counts_from_observed_then_received_then_arrival(
    observed: float | None, received: float | None, age: float, reasons: int
) -> None:
    times, found = time_of(observed, received, NOW)
    assert NOW.monotonic - times.since == pytest.approx(age)
    assert found == reasons
    assert (times.observed, times.received, times.arrived) == (observed, received, NOW.utc)


def test_a_gateway_whose_clock_was_never_set_counts_age_from_arrival() -> None:
    """After a start without a battery clock, every other clock lies in the future."""
    at_1970 = Now(monotonic=20.0, utc=20.0)
    times, _ = time_of(NOW.utc - 30, NOW.utc, at_1970)
    assert times.since == at_1970.monotonic


MOMENTS = st.one_of(st.none(), st.floats(0, 4e9))


@given(MOMENTS, MOMENTS, st.floats(0, 4e9))
def test_no_clock_makes_a_reading_younger_than_its_arrival(
    observed: float | None, received: float | None, utc: float
) -> None:
    times, _ = time_of(observed, received, Now(5000.0, utc))
    assert times.since <= 5000.0


def test_a_node_clock_that_went_backwards_is_off_until_it_has_caught_up() -> None:
    times, reasons = time_of(NOW.utc - 30, NOW.utc - 5, NOW, last_observed=NOW.utc - 20)
    assert NOW.monotonic - times.since == pytest.approx(5.0)
    assert reasons == Reason.NODE_CLOCK_OFF
    assert time_of(NOW.utc - 20, NOW.utc - 5, NOW, last_observed=NOW.utc - 20)[1] == 0
