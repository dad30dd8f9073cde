"""The figures of an alarm system, counted by hand.

What is counted follows EEMUA 191 and ISA-18.2: alarms in ten minutes and a day, floods (more than 10 in ten minutes,
more than 30 in an hour), the worst ten, chattering (3 in a minute), standing for over 24 h. Limits `from memory`; the
average of about one in ten minutes and the split 5 / 15 / 80 % as public summaries of EEMUA 191 give them.
"""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from aggregator.core.alarm_figures import AlarmFigures, alarm_figures, told
from aggregator.core.keeping import KeptEvent

BEGIN = 1_800_000_000.0
MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0


def line(
    at: float, event: str = "alarm raised", state: str = "unacknowledged", tag: str = "AT-1", priority: str = "high"
) -> KeptEvent:
    return KeptEvent(BEGIN + at, event, tag, "", {"alarm": "methane high", "state": state, "priority": priority})


def figures(*lines: KeptEvent, days: float = 1.0, since: float = 0.0) -> AlarmFigures:
    start = KeptEvent(BEGIN, "meter is stale", "FT-1", "", {})  # the journal begins here
    return alarm_figures([start, *sorted(lines, key=lambda each: each.at)], BEGIN + since, BEGIN + days * DAY)


def raised(*at: float, tag: str = "AT-1", priority: str = "high") -> Iterable[KeptEvent]:
    """Raised at each of these seconds, and normal again a second later."""
    for moment in at:
        yield line(moment, tag=tag, priority=priority)
        yield line(moment + 1, "alarm cleared", "normal", tag, priority)


def test_a_quiet_day_has_a_figure_of_nothing() -> None:
    found = figures()
    assert (found.announced, found.a_day, found.most_in_period, found.worst, found.worst_share) == (0, 0.0, 0, [], 0.0)
    assert (found.periods, found.hours) == (144, 24)
    assert [each.value for each in told(found)[4:7]] == ["0", "0.0 %", "0.0 %"]


def test_alarms_are_counted_by_ten_minutes_and_by_day() -> None:
    """36 in two days: one every 80 minutes, 18 a day, 0.125 in ten minutes."""
    found = figures(*raised(*(each * 80 * MINUTE for each in range(36))), days=2)
    assert (found.announced, found.a_day, found.a_period) == (36, 18.0, 0.125)
    assert (found.most_in_day, found.most_in_period) == (18, 1)


def test_the_eleventh_in_ten_minutes_makes_a_flood_and_the_thirty_first_in_an_hour() -> None:
    ten = figures(*raised(*(each * 50.0 for each in range(10))))
    eleven = figures(*raised(*(each * 50.0 for each in range(11))))
    assert (ten.flooded_periods, eleven.flooded_periods) == (0, 1)
    assert (figures(*raised(*(each * 119.0 for each in range(30)))).flooded_hours) == 0
    found = figures(*raised(*(each * 116.0 for each in range(31))))
    assert (found.flooded_hours, found.flooded_periods) == (1, 0)
    assert [each.value for each in told(found)[5:7]] == ["0.0 %", "4.2 %"]  # 1 of 24


def test_the_worst_ten_come_first_with_their_share() -> None:
    lines = [
        each
        for number in range(1, 13)
        for each in raised(*(at * 700.0 + number for at in range(number)), tag=f"AT-{number:02}")
    ]
    found = figures(*lines)
    assert found.announced == 78  # 1 + 2 + ... + 12
    assert found.worst[0] == (("AT-12", "methane high"), 12)
    assert [count for _, count in found.worst] == [12, 11, 10, 9, 8, 7, 6, 5, 4, 3]
    assert found.worst_share == pytest.approx(75 / 78)


@pytest.mark.parametrize(("seconds", "count"), [((0, 30, 60), 1), ((0, 30, 61), 0), ((0, 10, 20, 30), 2), ((0, 9), 0)])
def test_three_in_a_minute_chatter(seconds: tuple[float, ...], count: int) -> None:
    found = figures(*raised(*seconds))
    assert dict(found.chattering) == ({("AT-1", "methane high"): count} if count else {})


def test_two_alarms_that_come_in_turn_do_not_chatter() -> None:
    assert not figures(*raised(0, 20), *raised(10, 30, tag="AT-2")).chattering


def test_what_stands_for_over_a_day_is_counted_now_and_at_its_worst() -> None:
    """Of three that stand from the first hour on two clear on the third day, and one never."""
    lines = [line(HOUR, tag=tag) for tag in ("AT-1", "AT-2", "AT-3")]
    lines += [line(2 * HOUR, "alarm acknowledged", "acknowledged", tag) for tag in ("AT-1", "AT-2", "AT-3")]
    lines += [line(2.5 * DAY, "alarm cleared", "normal", tag) for tag in ("AT-1", "AT-2")]
    found = figures(*lines, days=4)
    assert (found.standing, found.most_standing, found.announced) == (1, 3, 3)
    assert figures(*lines[:6], days=1).standing == 0  # 23 h


def test_what_stands_since_before_the_time_asked_for_is_known() -> None:
    found = figures(line(HOUR), days=5, since=3 * DAY)
    assert (found.announced, found.standing, found.most_standing) == (0, 1, 1)


def test_what_is_raised_while_it_is_put_aside_announces_nothing_until_it_comes_back() -> None:
    aside = line(0, "alarm shelved", "shelved"), line(60, "alarm raised", "shelved")
    assert figures(*aside).announced == 0
    assert figures(*aside, line(120, "alarm unshelved", "unacknowledged")).announced == 1


def test_an_alarm_that_is_announced_again_counts_again_and_an_acknowledgement_does_not() -> None:
    lines = line(0), line(60, "alarm acknowledged", "acknowledged"), line(4 * HOUR, "alarm announced again")
    assert figures(*lines).announced == 2


def test_priorities_are_split() -> None:
    lines = [*raised(0, priority="critical"), *raised(100, 200, 300, priority="medium"), *raised(400)]
    found = figures(*lines)
    assert found.priorities == {"critical": 1, "high": 1, "medium": 3, "low": 0}
    assert told(found)[-1].value == "20.0 % / 20.0 % / 60.0 % / 0.0 %"


def test_the_time_before_the_journal_begins_thins_out_no_average() -> None:
    """A month is asked for, and there are six hours: three alarms are twelve a day."""
    found = alarm_figures([line(0), line(HOUR), line(2 * HOUR)], BEGIN - 30 * DAY, BEGIN + 6 * HOUR)
    assert (found.begin, found.a_day, found.periods) == (BEGIN, 12.0, 36)


def test_every_target_names_its_source() -> None:
    for each in told(figures(*raised(0))):
        assert bool(each.target) is bool(each.source), each
