"""Running totals: what a counter's steps are believed to be, and what comes of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.total import MARGIN, NEAR_END, Counting, Step, Total, carry_on, count

EIGHT_DIGITS = Counting(wraps_at=1e8, fastest=650 / 3600)  # a flow meter of 650 m3/h at most
QUARTER = 900.0  # s between two reports


def steps(counting: Counting, *values: float, every: float = QUARTER) -> tuple[Total, list[Step]]:
    """The total after a counter showed these values, one each interval, and what each of them was."""
    total, found = None, []
    for at, value in enumerate(values):
        total, step = count(total, value, at * every, counting)
        found.append(step)
    assert total is not None
    return total, found


@pytest.mark.parametrize(
    ("old", "new", "wraps_at", "used"),
    [  # difference modulo the counter's span: arithmetic
        (65530, 5, 2**16, 11),
        (65535, 0, 2**16, 1),
        (4294967290, 10, 2**32, 16),
        (99999998, 3, 10**8, 5),
        (999998, 4, 10**6, 6),
    ],
)
@pytest.mark.parametrize("fastest", [None, 1.0])
def test_a_counter_that_comes_round_has_used_the_difference_modulo_its_span(
    old: int, new: int, wraps_at: int, used: int, fastest: float | None
) -> None:
    total, found = steps(Counting(wraps_at, fastest), old, new)
    assert found == [Step.BEGAN, Step.WRAPPED]
    assert total == Total(old + used, new, QUARTER)


@pytest.mark.parametrize(
    ("old", "new", "wraps_at"),
    [
        (50000, 49999, 2**16),  # modulo: 65535 in one step
        (120, 100, 2**32),  # modulo: 4294967276
        (99999998, 3, 2**32),  # an index of 8 digits said to have 32 bits; modulo: 4194967301
        (899, 3, 1000),  # it stood below the last tenth of its span
        (1200, 3, 1000),  # it showed more than it is said to be able to
    ],
)
def test_a_counter_that_falls_far_from_its_end_is_held(old: int, new: int, wraps_at: int) -> None:
    """That a wrap is believed near the end and in possible time only is common practice, no source."""
    total, found = steps(Counting(wraps_at), old, new)
    assert found == [Step.BEGAN, Step.HELD]
    assert total == Total(old, old, 0.0, doubted=new)


def test_without_a_span_no_counter_wraps() -> None:
    assert steps(Counting(), 65535, 0)[1] == [Step.BEGAN, Step.HELD]


@pytest.mark.parametrize(("last", "step"), [(NEAR_END * 1000, Step.WRAPPED), (NEAR_END * 1000 - 1, Step.HELD)])
def test_a_wrap_is_believed_from_nine_tenths_of_the_span_on(last: float, step: Step) -> None:
    assert steps(Counting(1000), last, 0)[1][-1] is step


@pytest.mark.parametrize(
    ("grown", "step"), [(MARGIN * 90.0, Step.GREW), (MARGIN * 90.0 + 0.5, Step.HELD), (0, Step.GREW)]
)
def test_a_counter_may_grow_half_as_fast_again_as_it_can(grown: float, step: Step) -> None:
    """Clocks and intervals are not exact: 0.1 a second makes 90 in a quarter of an hour, and 135 pass."""
    assert steps(Counting(fastest=0.1), 100, 100 + grown)[1][-1] is step


@pytest.mark.parametrize(("new", "step"), [(45, Step.WRAPPED), (46, Step.HELD)])
def test_a_wrap_is_held_where_it_cannot_have_come_in_the_time(new: float, step: Step) -> None:
    assert steps(Counting(1000, 0.1), 910, new)[1][-1] is step


def test_without_a_greatest_rate_every_growth_is_possible() -> None:
    assert steps(Counting(), 0, 1e12)[0].so_far == 1e12


def test_a_value_at_the_same_instant_or_before_can_only_be_the_same() -> None:
    began, _ = count(None, 100, 900.0, EIGHT_DIGITS)
    assert count(began, 100, 900.0, EIGHT_DIGITS)[1] is Step.GREW
    assert count(began, 101, 900.0, EIGHT_DIGITS)[1] is Step.HELD
    assert count(began, 101, 0.0, EIGHT_DIGITS)[1] is Step.HELD


def test_the_time_of_a_held_value_counts_for_the_next() -> None:
    """The rate is one from the last believed value to now, not from the value that was held."""
    total, found = steps(Counting(fastest=0.1), 1000, 0, 1180)  # 180 in half an hour is the most that is measured
    assert found == [Step.BEGAN, Step.HELD, Step.GREW]
    assert total == Total(1180, 1180, 1800.0)


@pytest.mark.parametrize("odd", [0, 24_107, 96_428])
def test_a_single_odd_value_changes_nothing(odd: float) -> None:
    total, found = steps(EIGHT_DIGITS, 48_213, 48_214, odd, 48_216)
    assert found == [Step.BEGAN, Step.GREW, Step.HELD, Step.GREW]
    assert total == Total(48_216, 48_216, 3 * QUARTER)


def test_a_counter_that_began_anew_is_believed_the_second_time_and_counts_what_grew() -> None:
    total, found = steps(EIGHT_DIGITS, 48_213, 48_214, 12, 14, 17)
    assert found == [Step.BEGAN, Step.GREW, Step.HELD, Step.BEGAN_ANEW, Step.GREW]
    assert total == Total(48_214 + 2 + 3, 17, 4 * QUARTER)


def test_two_odd_values_that_do_not_follow_each_other_are_both_held() -> None:
    total, found = steps(EIGHT_DIGITS, 48_213, 24_000, 12, 48_214)
    assert found == [Step.BEGAN, Step.HELD, Step.HELD, Step.GREW]
    assert total.so_far == 48_214
    assert steps(EIGHT_DIGITS, 48_213, 12, 24_000)[1][-1] is Step.HELD  # greater, and too much for the time


def test_a_meter_of_another_reading_takes_over_without_a_jump() -> None:
    """A meter swapped for one that shows more: what it counted elsewhere is not this point's."""
    total, found = steps(EIGHT_DIGITS, 100, 70_000, 70_003)
    assert found == [Step.BEGAN, Step.HELD, Step.BEGAN_ANEW]
    assert total.so_far == 103


@pytest.mark.parametrize(
    ("rate", "span", "hours"),
    [(6.0, 1e5, 1.9013 * 8766), (160.0, 1e4, 62.5)],  # 8766 h a Julian year; span / rate: arithmetic
)
def test_a_counter_read_in_time_never_loses_a_turn(rate: float, span: float, hours: float) -> None:
    """At full flow, two turns long, read as rarely as the near-end rule bears: a tenth of the span at a time."""
    counting = Counting(span, rate / 3600)
    total, found = steps(counting, *(at % 10 * span / 10 for at in range(21)), every=span / 10 / rate * 3600)
    assert found.count(Step.WRAPPED) == 2
    assert total.so_far == pytest.approx(2 * rate * hours, rel=1e-4)


def test_a_total_counts_on_where_a_float32_would_stand_still() -> None:
    """IEEE 754-2019 section 3.3: 24 bits, so 16 777 216 + 1 is 16 777 216; at 10^8 the step is 8 (numpy)."""
    assert np.float32(16_777_216) + np.float32(1) == 16_777_216
    assert np.spacing(np.float32(1e8)) == 8
    assert steps(Counting(), 16_777_216, 16_777_217)[0].so_far == 16_777_217
    assert steps(Counting(1e8), 99_999_999, 1)[0].so_far == 100_000_001


def test_a_total_set_by_hand_goes_on_from_what_the_new_counter_shows() -> None:
    total, _ = steps(EIGHT_DIGITS, 48_213, 48_214)
    exchanged = carry_on(total, 50_000.0, 7.0, 2000.0)
    assert exchanged == Total(50_000.0, 7.0, 2000.0)
    assert count(exchanged, 9.0, 2900.0, EIGHT_DIGITS) == (Total(50_002.0, 9.0, 2900.0), Step.GREW)


def test_a_total_set_by_hand_without_a_counter_reading_goes_on_from_the_last() -> None:
    total, _ = steps(EIGHT_DIGITS, 48_213, 48_214)
    assert carry_on(total, 50_000.0, None, 2000.0) == Total(50_000.0, 48_214, 2000.0)
    assert carry_on(None, 50_000.0, None, 2000.0) == Total(50_000.0, 0.0, 2000.0)


def test_where_nobody_can_tell_the_time_that_passed_every_growth_is_possible() -> None:
    assert count(Total(100.0, 100.0, -math.inf), 5000.0, 0.0, EIGHT_DIGITS)[1] is Step.GREW


@pytest.mark.parametrize(
    ("total", "value", "told"),
    [
        (Total(500.0, 12.0, 0.0), 12, True),
        (Total(500.0, 12.0, 0.0, doubted=3.0), 3.0, False),
        (Total(500.0, 12.0, 0.0, doubted=12.0), 12.0, False),
        (Total(500.0, 12.0, 0.0), None, False),
    ],
)
def test_a_total_is_told_by_a_reading_that_is_the_counter_s_own(total: Total, value: object, told: bool) -> None:
    assert total.told_by(value) is told


# Whatever a counter shows

WHOLE = Counting(wraps_at=1000, fastest=0.1)
INTERVALS = st.tuples(st.integers(60, 1000), st.floats(0, 1))  # s, and the part of the greatest rate that flows


@given(st.integers(0, 999), st.lists(INTERVALS, max_size=60))
def test_a_total_is_the_true_consumption_across_any_number_of_wraps(began: int, flows: list[tuple[int, float]]) -> None:
    total, at, true = count(None, began, 0.0, WHOLE)[0], 0.0, began
    for seconds, part in flows:
        at += seconds
        true += int(part * 0.1 * seconds)
        total, step = count(total, true % 1000, at, WHOLE)
        assert step in (Step.GREW, Step.WRAPPED)
        assert total == Total(true, true % 1000, at)


ODD = st.sampled_from([None, 0.0, 0.5, 2.0])


@given(st.sampled_from([20_000, 500_000, 985_000]), st.lists(st.tuples(st.integers(0, 90), ODD), max_size=60))
def test_single_odd_values_change_nothing_in_the_end(began: int, reports: list[tuple[int, float | None]]) -> None:
    """Zero, half or double, each between two true values: a glitch of the wire or of the counter's display."""
    counting = Counting(wraps_at=1e6, fastest=0.1)
    total, at, true = count(None, began, 0.0, counting)[0], 0.0, began
    for grown, odd in reports:
        if odd is not None:
            total, step = count(total, true * odd, at + QUARTER / 2, counting)
            assert step is Step.HELD
        at, true = at + QUARTER, true + grown
        total, step = count(total, true, at, counting)
        assert step is Step.GREW
    assert total == Total(true, true, at)


FIGURES = st.floats(0, 1e9)
COUNTINGS = st.builds(Counting, st.none() | st.floats(1, 1e9), st.none() | st.floats(1e-6, 1e6))


@given(COUNTINGS, st.lists(st.tuples(FIGURES, st.floats(-1e6, 1e6)), min_size=1, max_size=40))
def test_a_total_never_falls(counting: Counting, shown: list[tuple[float, float]]) -> None:
    total, at = None, 0.0
    for value, elapsed in shown:
        at += elapsed
        after, step = count(total, value, at, counting)
        assert total is None or after.so_far >= total.so_far
        assert (after.doubted is not None) is (step is Step.HELD)
        total = after
