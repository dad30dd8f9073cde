"""Whether a reading and a meter's own display agree. The usual tolerance is common practice, no source."""

from __future__ import annotations

from dataclasses import replace

import pytest

from aggregator.core.agreement import Bounds, bounds_of, compare
from aggregator.core.errors import CannotLink
from aggregator.core.profile import Field
from aggregator.core.reading import Reading, Reason
from aggregator.core.total import Counting

FLOW = Field("flow", "m3/h", "flow", 0.0, 500.0, decimals=1)
VOLUME = Field("volume", "m3", "volume", decimals=2, counting=Counting(fastest=0.1))


def off(field: Field, read: float, shows: float, age: float = 60.0) -> bool:
    return not compare(field, Reading(read, 0, None), shows, age, "fitter", 1.8e9).agrees


@pytest.mark.parametrize(
    ("field", "bounds"),
    [
        (FLOW, Bounds(5.0, 5.0)),  # 1 % of its range
        (replace(FLOW, agrees_within=0.5), Bounds(0.5, 0.5)),
        (replace(FLOW, agrees_within=0.01), Bounds(0.1, 0.1)),  # one step of what is shown is the least
        (replace(FLOW, high=float("inf")), Bounds(2.0, 2.0)),  # 1 % of the reading
        (VOLUME, Bounds(0.01, 6.01)),  # 0.1 m3/s for a minute
        (replace(VOLUME, counting=Counting()), Bounds(0.01, 0.01)),
        (replace(VOLUME, agrees_within=1.0), Bounds(1.0, 7.0)),
        (replace(FLOW, low=-20.0, high=60.0), Bounds(0.8, 0.8)),
    ],
)
def test_how_far_a_display_may_be_from_the_reading(field: Field, bounds: Bounds) -> None:
    assert bounds_of(field, 200.0, 60.0) == pytest.approx(bounds)


def test_the_bounds_themselves_agree_and_a_step_beyond_does_not() -> None:
    assert not off(FLOW, 12.5, 17.5)
    assert not off(FLOW, 12.5, 7.5)
    assert off(FLOW, 12.5, 17.6)
    assert off(FLOW, 12.5, 7.4)


def test_a_decimal_fraction_at_the_bound_agrees() -> None:
    assert not off(replace(FLOW, agrees_within=0.1), 0.3, 0.4)  # in floats 0.4 - 0.3 is more than 0.1


def test_a_counter_may_have_gone_on_and_not_back() -> None:
    assert not off(VOLUME, 1000.0, 1006.0)
    assert off(VOLUME, 1000.0, 1006.1)
    assert off(VOLUME, 1000.0, 999.0)


def test_a_comparison_reads_as_a_sentence() -> None:
    check = compare(VOLUME, Reading(1000.0, 0, None), 999.0, 60.0, "fitter", 1.8e9)
    assert str(check) == (
        "volume: the display shows 999 m3, the node reads 1000 m3; off by 1 m3, "
        "and up to 0.01 m3 below the reading would agree"
    )
    check = compare(replace(FLOW, unit=""), Reading(3, 0, None), 3.5, 60.0, "fitter", 1.8e9)
    assert str(check) == "flow: the display shows 3.5, the node reads 3; they agree"


@pytest.mark.parametrize(
    ("reading", "shows", "says"),
    [
        (Reading(None, int(Reason.SENSOR_FAULT), None), 1.0, r"flow has no value .*\(bad: sensor fault\)"),
        (Reading("open", 0, None), 1.0, "flow is `open`; only a number can be compared"),
        (Reading(1.0, 0, None), float("inf"), "inf is nothing that a display shows as flow"),
    ],
)
def test_what_proves_nothing_is_refused(reading: Reading, shows: float, says: str) -> None:
    with pytest.raises(CannotLink, match=says):
        compare(FLOW, reading, shows, 60.0, "fitter", 1.8e9)
