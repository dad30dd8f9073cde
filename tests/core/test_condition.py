"""What readings prove and what delays make of it, against OPC 10000-9 B.1.5 and the practice of gas detection."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.alarm import (
    Alarm,
    Delay,
    Kind,
    Member,
    Priority,
    Proof,
    measured,
    proof,
    proof_of_meter,
    vote,
)
from aggregator.core.condition import Condition
from aggregator.core.reading import Now, Reading, Reason, Times

HIGH = Alarm("AT-1", "methane high", Kind.HIGH, Priority.HIGH, 0, setpoint=20.0, deadband=2.0)


def reading(value: float | None, reasons: int = 0, at: float = 0.0) -> Reading:
    return Reading(value, reasons, Times(None, None, 0.0, at))


def proves(alarm: Alarm, value: float | None, reasons: int = 0) -> Proof:
    return proof(alarm, alarm.setpoint, measured(alarm, reading(value, reasons), reading(None)), reasons)


def follow(alarm: Alarm, values: list[float]) -> list[bool]:
    condition, stood = Condition(alarm.on, alarm.off), []
    for at, value in enumerate(values):
        condition.take(proves(alarm, value), at)
        condition.settle(at)
        stood.append(condition.stands)
    return stood


def test_a_high_alarm_follows_the_deadband_rule_of_the_standard() -> None:
    """Raised at the limit, gone below the limit less the deadband (OPC 10000-9 B.1.5); 18.0 itself stays in alarm."""
    trace = [18, 19.9, 20, 19.5, 18.1, 18.0, 17.9, 20.1]
    assert follow(HIGH, trace) == [False, False, True, True, True, True, False, True]


def test_a_low_alarm_is_the_same_upside_down() -> None:
    low = Alarm("AT-1", "oxygen low", Kind.LOW, Priority.HIGH, 0, setpoint=19.5, deadband=0.5)
    assert follow(low, [20.9, 19.6, 19.5, 19.8, 20.0, 20.1, 19.5]) == [False, False, True, True, True, False, True]


def test_without_a_deadband_the_limit_alone_decides() -> None:
    bare = Alarm("AT-1", "flow high", Kind.HIGH, Priority.LOW, 0, setpoint=20.0)
    assert follow(bare, [19.9, 20.0, 19.9]) == [False, True, False]


@pytest.mark.parametrize("reasons", [Reason.SENSOR_FAULT, Reason.OUT_OF_RANGE, Reason.SUBSTITUTED, Reason.JUMPED])
def test_only_a_good_reading_speaks_for_normal(reasons: int) -> None:
    assert proves(HIGH, 1.0, reasons) is Proof.UNKNOWN


def test_a_value_beyond_the_limit_raises_whatever_its_grade() -> None:
    assert proves(HIGH, 130.0, Reason.OUT_OF_RANGE) is Proof.BEYOND


def test_a_stale_value_proves_nothing_even_beyond_the_limit() -> None:
    assert proves(HIGH, 50.0, Reason.STALE) is Proof.UNKNOWN


def test_a_fail_safe_alarm_takes_silence_for_the_worst() -> None:
    safe = Alarm("AT-1", "methane high", Kind.HIGH, Priority.HIGH, 0, setpoint=20.0, deadband=2.0, fail_safe=True)
    assert proves(safe, None) is Proof.BEYOND
    assert proves(safe, 1.0, Reason.STALE) is Proof.BEYOND
    assert proves(safe, 1.0) is Proof.BACK


def test_a_rate_is_taken_between_two_readings() -> None:
    rising = Alarm("PT-1", "pressure rising", Kind.RISING, Priority.LOW, 0, setpoint=0.5)
    assert measured(rising, reading(40, at=60), reading(10, at=0)) == 0.5
    assert proof(rising, 0.5, 0.5, 0) is Proof.BEYOND
    falling = Alarm("PT-1", "pressure falling", Kind.FALLING, Priority.LOW, 0, setpoint=0.5)
    assert proof(falling, 0.5, measured(falling, reading(10, at=60), reading(40, at=0)), 0) is Proof.BEYOND
    assert proof(falling, 0.5, measured(falling, reading(40, at=60), reading(10, at=0)), 0) is Proof.BACK


def test_a_deviation_is_a_distance_and_needs_both_readings() -> None:
    apart = Alarm("FT-1", "flow deviation", Kind.DEVIATION, Priority.LOW, 0, setpoint=5.0, against=("FT-2", 0))
    assert measured(apart, reading(10), reading(None), reading(16)) == 6.0
    assert measured(apart, reading(10), reading(None), reading(16, Reason.STALE)) is None
    assert measured(apart, reading(10), reading(None), None) is None


@pytest.mark.parametrize(
    ("kind", "reasons", "found"),
    [
        (Kind.STALE, Reason.STALE, Proof.BEYOND),
        (Kind.STALE, Reason.NEVER_SEEN, Proof.UNKNOWN),
        (Kind.STALE, Reason.SENSOR_FAULT, Proof.BACK),
        (Kind.FAULT, Reason.SENSOR_FAULT, Proof.BEYOND),
        (Kind.FAULT, Reason.STALE, Proof.UNKNOWN),
        (Kind.FAULT, 0, Proof.BACK),
        (Kind.LOW_BATTERY, Reason.LOW_BATTERY | Reason.STALE, Proof.BEYOND),
        (Kind.LOW_BATTERY, Reason.NEVER_SEEN, Proof.UNKNOWN),
    ],
)
def test_a_meter_as_a_whole_is_judged_by_its_reasons(kind: Kind, reasons: int, found: Proof) -> None:
    assert proof_of_meter(Alarm("AT-1", str(kind), kind, Priority.LOW), int(reasons)) is found


def test_a_delay_in_seconds_ends_by_itself() -> None:
    condition = Condition(Delay(30), Delay())
    condition.take(Proof.BEYOND, 100.0)
    assert not condition.settle(129.9)
    assert condition.due() == 130.0
    assert condition.settle(130.0)
    assert condition.stands


def test_a_delay_in_samples_waits_for_readings_in_a_row() -> None:
    condition = Condition(Delay(0, 3), Delay())
    for at, found in enumerate([Proof.BEYOND, Proof.BEYOND, Proof.BETWEEN, Proof.BEYOND, Proof.BEYOND]):
        condition.take(found, at)
        assert not condition.settle(at)
    condition.take(Proof.BEYOND, 5)
    assert condition.settle(5)


def test_silence_while_waiting_to_begin_holds_nothing_up() -> None:
    condition = Condition(Delay(60), Delay())
    condition.take(Proof.BEYOND, 0)
    condition.take(Proof.UNKNOWN, 30)
    assert condition.settle(60)


def test_silence_while_waiting_to_end_begins_the_waiting_anew() -> None:
    condition = Condition(Delay(), Delay(60), stands=True)
    condition.take(Proof.BACK, 0)
    condition.take(Proof.UNKNOWN, 30)
    assert condition.due() == math.inf
    condition.take(Proof.BACK, 50)
    assert condition.due() == 110


def eighths(least: int, most: int) -> st.SearchStrategy[float]:
    """Seconds that add up exactly: a sum that rounds would end a delay a hair before or after its second."""
    return st.integers(8 * least, 8 * most).map(lambda count: count / 8)


@given(
    st.lists(st.tuples(st.sampled_from(list(Proof)), eighths(0, 600)), max_size=40),
    st.integers(0, 40),
    eighths(0, 300),
    st.integers(1, 3),
)
def test_a_restart_at_any_point_changes_nothing(
    series: list[tuple[Proof, float]], at: int, seconds: float, samples: int
) -> None:
    delay = Delay(seconds, samples)
    whole, halves = Condition(delay, delay), Condition(delay, delay)
    moment = 0.0
    for number, (found, gap) in enumerate(series):
        moment += gap
        if number == at:  # the second process has a monotonic clock of its own
            kept = halves.kept(Now(moment, 1e9 + moment))
            halves = Condition(delay, delay)
            halves.restore(kept, Now(moment, 1e9 + moment))
        for condition in (whole, halves):
            condition.settle(moment)
            condition.take(found, moment)
            condition.settle(moment)
        assert whole.stands == halves.stands


@given(st.lists(st.tuples(st.sampled_from(list(Proof)), eighths(1, 600)), max_size=60), eighths(0, 900))
def test_a_condition_never_changes_before_its_delay_and_never_ends_unproven(
    series: list[tuple[Proof, float]], seconds: float
) -> None:
    condition = Condition(Delay(seconds), Delay(seconds))
    moment, run = 0.0, 0.0
    before: Proof | None = None
    for found, gap in series:
        moment += gap
        stood = condition.stands
        if condition.settle(moment) and stood:
            assert before is Proof.BACK
            assert moment - run >= seconds
        condition.take(found, moment)
        if found is not before:
            run = moment
        before = found


D, Q, S, X = Member.DEMANDS, Member.QUIET, Member.SILENT, Member.OUT


@pytest.mark.parametrize(
    ("needed", "members", "silent_demands", "found"),
    [
        (2, [D, Q, Q], False, Proof.BACK),
        (2, [D, D, Q], False, Proof.BEYOND),
        (2, [D, Q, S], False, Proof.BEYOND),  # 2 of 3 has become 1 of 2
        (2, [Q, Q, S], False, Proof.BACK),
        (2, [D, Q, X], True, Proof.BEYOND),
        (2, [Q, S, S], True, Proof.BEYOND),
        (2, [Q, Q, S], True, Proof.BACK),
        (1, [Q, S], True, Proof.BEYOND),
        (1, [Q, X], False, Proof.BACK),
        (2, [S, S, S], False, Proof.UNKNOWN),
        (2, [X, X], True, Proof.UNKNOWN),
    ],
)
def test_a_silent_member_is_never_taken_for_quiet(
    needed: int, members: list[Member], silent_demands: bool, found: Proof
) -> None:
    assert vote(needed, members, silent_demands=silent_demands) is found
