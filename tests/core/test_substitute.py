"""A value entered by hand: what a field can measure bounds it, and it ends when it was to end."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from aggregator.core.errors import CannotSubstitute
from aggregator.core.profile import Field
from aggregator.core.reading import NEVER, Now, Reading, Reason
from aggregator.core.substitute import LONGEST, entered, lay_over, restored

NOW = Now(5000.0, 1_795_600_000.0)
PRESSURE = Field("pressure", "mbar", "pressure", 0.0, 650.0)
HOUR = 3600.0


def test_it_holds_from_its_entry_for_as_long_as_was_said() -> None:
    given = entered(PRESSURE, 22.0, HOUR, "fitter", "gauge read", NOW)
    assert given == (22.0, "fitter", "gauge read", NOW.utc, NOW.utc + HOUR, 5000.0, 8600.0)


@pytest.mark.parametrize("value", [0.0, 650.0])
def test_the_ends_of_the_range_can_be_entered(value: float) -> None:
    assert entered(PRESSURE, value, HOUR, "fitter", "", NOW).value == value


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        (PRESSURE, 651.0, "651 mbar is outside what pressure can measure, 0 to 650 mbar."),
        (PRESSURE, -0.5, "-0.5 mbar is outside what pressure can measure, 0 to 650 mbar."),
        (PRESSURE, math.nan, "nan mbar is outside what pressure can measure, 0 to 650 mbar."),
        (replace(PRESSURE, high=math.inf), -1.0, "-1 mbar is outside what pressure can measure, 0 mbar and above."),
        (replace(PRESSURE, low=-math.inf), 651.0, "651 mbar is outside what pressure can measure, 650 mbar and below."),
        (replace(PRESSURE, can_show=(5.0, 700.0)), 4.0, "4 mbar is outside what pressure can measure, 5 to 650 mbar."),
        (replace(PRESSURE, unit=""), 651.0, "651 is outside what pressure can measure, 0 to 650."),
        (Field("level", "%", "level"), math.inf, "inf is no value for level."),
    ],
)
def test_what_the_field_cannot_measure_is_refused_with_a_sentence(field: Field, value: float, sentence: str) -> None:
    with pytest.raises(CannotSubstitute) as refused:
        entered(field, value, HOUR, "fitter", "", NOW)
    assert str(refused.value) == sentence


@pytest.mark.parametrize("lasts", [0.0, -1.0, LONGEST + 1.0, math.nan, math.inf])
def test_it_can_neither_end_in_the_past_nor_hold_for_ever(lasts: float) -> None:
    with pytest.raises(CannotSubstitute, match="90 d at most, and ends in the future"):
        entered(PRESSURE, 22.0, lasts, "fitter", "", NOW)


def test_a_restart_changes_neither_its_age_nor_its_end() -> None:
    kept = entered(PRESSURE, 22.0, HOUR, "fitter", "gauge read", NOW).as_kept("mbar")
    found = restored(kept, "mbar", Now(40.0, NOW.utc + 600.0))
    assert found == (22.0, "fitter", "gauge read", NOW.utc, NOW.utc + HOUR, 40.0 - 600.0, 40.0 + 3000.0)


def test_one_whose_time_came_meanwhile_is_over() -> None:
    kept = entered(PRESSURE, 22.0, HOUR, "fitter", "", NOW).as_kept("mbar")
    found = restored(kept, "mbar", Now(40.0, NOW.utc + 2 * HOUR))
    assert found is not None
    assert found.ends == 40.0 - HOUR


def test_a_clock_that_was_never_set_makes_it_hold_no_longer_than_it_was_to() -> None:
    kept = entered(PRESSURE, 22.0, HOUR, "fitter", "", NOW).as_kept("mbar")
    found = restored(kept, "mbar", Now(40.0, 0.0))
    assert found is not None
    assert (found.began, found.ends) == (40.0, 40.0 + HOUR)


@pytest.mark.parametrize("kept", [None, {}, {"value": 1.0}, "22", {"value": "22", "unit": "mbar"}])
def test_nothing_comes_back_of_what_was_not_kept(kept: object) -> None:
    assert restored(kept, "mbar", NOW) is None


def test_a_value_in_a_unit_that_the_field_no_longer_has_does_not_come_back() -> None:
    kept = entered(PRESSURE, 22.0, HOUR, "fitter", "", NOW).as_kept("mbar")
    assert restored(kept, "bar", NOW) is None


def test_it_lies_over_one_reading_and_leaves_the_others() -> None:
    readings = [NEVER, Reading(3.0, int(Reason.STALE), None)]
    shown = lay_over(readings, {0: entered(PRESSURE, 22.0, HOUR, "fitter", "", NOW)}, int(Reason.UNDER_TEST))
    assert (shown[0].value, shown[0].reasons) == (22.0, Reason.SUBSTITUTED | Reason.UNDER_TEST)
    assert shown[1] is readings[1]
    assert readings[0] is NEVER


def test_a_meter_that_cannot_measure_says_nothing_of_a_value_entered_by_hand() -> None:
    given = {0: entered(PRESSURE, 22.0, HOUR, "fitter", "", NOW)}
    assert lay_over([NEVER], given, int(Reason.SENSOR_FAULT | Reason.DECODE_FAILED))[0].reasons == Reason.SUBSTITUTED
