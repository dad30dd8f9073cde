"""What is the matter with a meter is said in words, and who needs somebody most stands first."""

from __future__ import annotations

import pytest

from aggregator.core import trouble
from aggregator.core.alarm import Priority
from aggregator.core.overview import line_of
from aggregator.core.reading import Now, Reason, Times, span_words
from aggregator.core.trouble import quality_sentence, trouble_of, worst_first, worst_of
from tests.core.alarmed import Plant


@pytest.fixture
def plant() -> Plant:
    return Plant(lambda _: {})


def says(plant: Plant, at: int = 0) -> str:
    return quality_sentence(list(plant.site.states.values())[at], plant.now)


def need(plant: Plant, at: int) -> int:
    return trouble_of(list(plant.site.states.values())[at], plant.site.annunciator)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (119.9, "119 s"),
        (120, "2 min"),
        (7199, "119 min"),
        (7200, "2 h 00 min"),
        (172_799, "47 h 59 min"),
        (172_800, "2 d 00 h"),
        (1e7, "115 d 17 h"),
    ],
)
def test_a_length_of_time_is_said_as_people_read_it(seconds: float, words: str) -> None:
    assert span_words(seconds) == words


def test_silence_is_said_with_how_long_and_what_was_expected(plant: Plant) -> None:
    assert says(plant) == "bad: never heard, expected every 15 min"
    plant.send(0, 3.0)
    assert says(plant) == "good"
    plant.wait(100)
    assert says(plant) == "good"
    plant.wait(3020)
    assert says(plant) == "uncertain: silent for 52 min, expected every 15 min"


def test_a_line_that_was_told_before_grows_into_the_sentence_of_now(plant: Plant) -> None:
    plant.send(0, 3.0)
    plant.wait(3120)
    state = next(iter(plant.site.states.values()))
    line = line_of(state, plant.site.annunciator, plant.now)
    plant.wait(600)
    grown = "; ".join(remark.words(plant.now.utc) for remark in line.silence)
    assert says(plant) == f"uncertain: {grown}" == "uncertain: silent for 62 min, expected every 15 min"
    assert line.reasons == []


def test_a_field_that_has_gone_stale_alone_is_named(plant: Plant) -> None:
    plant.send(0, 3.0)
    state = next(iter(plant.site.states.values()))
    old = Times(None, None, 0.0, plant.now.monotonic - 3000)
    state.readings[2] = state.readings[2]._replace(times=old)
    state.expire(plant.now.monotonic)
    assert says(plant) == "uncertain: methane 50 min old"
    state.readings[2] = state.readings[2]._replace(times=old._replace(since=plant.now.monotonic))
    state.sum_up()  # as after a restart under a clock that could not tell
    assert says(plant) == "uncertain: methane nobody knows how old"


def test_a_field_that_never_came_is_named_and_other_reasons_follow(plant: Plant) -> None:
    plant.send(0, 3.0)
    state = next(iter(plant.site.states.values()))
    state.readings[1] = state.readings[1]._replace(value=None, reasons=int(Reason.NEVER_SEEN), times=None)
    state.mark(int(Reason.UNDER_TEST | Reason.LOW_BATTERY), on=True)
    assert says(plant) == "bad: no volume yet; low battery; under test"


def test_who_needs_somebody_most_stands_first(plant: Plant) -> None:
    for at in range(3):
        plant.send(at, 3.0)
    well = need(plant, 0)
    states = list(plant.site.states.values())
    states[0].mark(int(Reason.LOW_BATTERY), on=True)
    remark = need(plant, 0)
    states[0].mark(int(Reason.UNDER_TEST), on=True)
    in_test = need(plant, 0)
    states[0].mark(int(Reason.UNDER_TEST), on=False)
    states[0].mark(int(Reason.RESTORED), on=True)
    doubtful = need(plant, 0)
    states[0].mark(int(Reason.STALE), on=True)
    silent = need(plant, 0)
    states[0].mark(int(Reason.SENSOR_FAULT), on=True)
    bad = need(plant, 0)
    plant.send(1, 25.0)
    high = need(plant, 1)
    plant.send(1, 45.0)
    critical = need(plant, 1)
    order = [well, remark, in_test, doubtful, silent, bad, trouble.STANDING, high, critical]
    assert order == sorted(set(order))
    assert well == 0


def test_an_alarm_that_is_acknowledged_counts_less_than_one_that_is_not_and_more_than_silence(plant: Plant) -> None:
    from aggregator.core import response

    plant.send(1, 25.0)
    owed = need(plant, 1)
    live = plant.site.annunciator.alarms["AT-102", "methane high"]
    plant.site.respond(lambda site: response.acknowledge_number(site, live.sequence, "operator", plant.now))
    assert trouble.BAD < need(plant, 1) < owed


def test_now_is_only_what_is_given() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 3.0)
    state = next(iter(plant.site.states.values()))
    later = Now(plant.now.monotonic + 90, plant.now.utc - 1e6)  # the wall clock jumps; ages do not
    assert quality_sentence(state, later) == "good"


def test_of_two_alarms_that_are_owed_the_higher_priority_is_the_worse_though_only_the_other_stands(
    plant: Plant,
) -> None:
    plant.send(1, 45.0)
    plant.send(1, 25.0)  # below the critical limit, which latches; the high one stands on
    found = worst_first(plant.site.annunciator.by_tag["AT-102"])
    assert [(live.alarm.name, live.state.words) for live in found] == [
        ("methane high-high", "latched, unacknowledged"),
        ("methane high", "unacknowledged"),
        ("stale", "normal"),
    ]
    assert worst_of(found) is found[0]
    assert need(plant, 1) == trouble.OWED + Priority.CRITICAL


def test_a_meter_in_test_whose_alarm_would_stand_comes_before_all_that_are_silent_or_bad(plant: Plant) -> None:
    plant.send(0, 25.0)
    plant.send(1, 3.0)
    for tag in ("AT-101", "AT-102"):
        plant.site.hold_in_test(tag, on=True, who="fitter", now=plant.now)
    assert trouble.BAD < need(plant, 0) < trouble.STANDING
    assert need(plant, 1) == trouble.IN_TEST
    plant.site.hold_in_test("AT-101", on=False, who="fitter", now=plant.now)
    assert need(plant, 0) > trouble.OWED
