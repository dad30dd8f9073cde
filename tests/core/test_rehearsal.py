"""The stage that rehearsals are played on: what its nodes send and when, its clocks, and its power cuts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import pytest

from aggregator.core.alarm import Alarm, Alarms, Kind, Priority
from aggregator.core.alarm_state import State
from aggregator.core.keeping import Kept, KeptEvent, KeptUplink, Remembered
from aggregator.core.profile import Field
from aggregator.core.reading import Reason
from aggregator.core.rehearsal import (
    FAULT,
    CannotPlay,
    Check,
    Reads,
    Recalled,
    Rehearsal,
    Stage,
    Step,
    ordinary,
    play,
)
from aggregator.core.site import Declared, Site

METHANE = 2
NINE = 9 * 3600.0
MINUTE = 60.0
HIGH = Alarm("FT-101", "methane high", Kind.HIGH, Priority.HIGH, METHANE, 20.0, 2.0)
Fold = Callable[[Sequence[Kept]], dict[str, Remembered]]


@pytest.fixture
def declared(site_of: Callable[..., Site]) -> Declared:
    return replace(site_of(1).declared, alarms=Alarms((HIGH,)))


@pytest.fixture
def stage(declared: Declared, remembered: Fold) -> Callable[..., Stage]:
    def recall(kept: Sequence[Kept]) -> Recalled:
        return Recalled(remembered(kept), (), lambda _tag, _fields, _since: ())

    def build(**late: tuple[float, ...]) -> Stage:
        whose = {tag.replace("_", "-"): times for tag, times in late.items()}
        return Stage(declared, Rehearsal("a try", (Step(NINE, ""),), frozenset({"FT-101"}), whose), recall)

    return build


def uplinks(stage: Stage) -> list[tuple[float | None, int | None]]:
    """When the network heard each frame, in minutes since nine, and its counter."""
    kept = [each for each in stage.kept if isinstance(each, KeptUplink)]
    return [((each.at - stage.now().utc + stage.at - NINE) / MINUTE, each.counter) for each in kept]


def test_a_node_reports_what_its_meter_reads_again_and_again(stage: Callable[..., Stage]) -> None:
    playing = stage()
    playing.pass_time(NINE + 5 * MINUTE)
    playing.read("FT-101", {METHANE: 12.0})
    every = playing.declared.meters[0].reports_every / MINUTE
    playing.pass_time(NINE + (5 + 2 * every) * MINUTE)
    assert uplinks(playing) == [(0.0, 1), (5.0, 2), (5.0 + every, 3), (5.0 + 2 * every, 4)]
    state = playing.site.states["FT-101"]
    assert [state.readings[METHANE].value, state.reasons] == [12.0, 0]


def test_a_meter_that_is_about_to_report_does_not_do_so_twice(stage: Callable[..., Stage]) -> None:
    playing = stage()
    playing.pass_time(NINE, frozenset({"FT-101"}))
    playing.read("FT-101", {METHANE: 12.0})
    assert uplinks(playing) == [(0.0, 1)]


def test_a_silent_node_turns_its_meter_stale_at_its_time(stage: Callable[..., Stage]) -> None:
    playing = stage()
    playing.pass_time(NINE)
    playing.be_silent("FT-101", float("inf"))
    limit = min(playing.declared.meters[0].limit(index) for index in range(3))
    playing.pass_time(NINE + limit - 1)
    assert not playing.site.states["FT-101"].reasons & Reason.STALE
    playing.pass_time(NINE + limit)
    assert playing.site.states["FT-101"].reasons & Reason.STALE


def test_a_fault_is_a_fault_of_the_meter(stage: Callable[..., Stage]) -> None:
    playing = stage()
    playing.pass_time(NINE)
    playing.read("FT-101", {METHANE: FAULT})
    reading = playing.site.states["FT-101"].readings[METHANE]
    assert (reading.value, reading.reasons & Reason.SENSOR_FAULT) == (None, Reason.SENSOR_FAULT)


def test_what_comes_late_has_the_counter_that_its_node_gave_it(stage: Callable[..., Stage]) -> None:
    """It is lost until it comes, and is then history only."""
    playing = stage(FT_101=(NINE + 5 * MINUTE,))
    playing.pass_time(NINE)
    playing.pass_time(NINE + 10 * MINUTE, frozenset({"FT-101"}))
    playing.read("FT-101", {METHANE: 1.0})
    playing.arrive_late("FT-101", {METHANE: 90.0}, NINE + 5 * MINUTE)
    sent = uplinks(playing)
    assert (sent[0], sent[-2:]) == ((0.0, 1), [(10.0, 3), (5.0, 2)])
    assert playing.site.states["FT-101"].readings[METHANE].value == 1.0
    assert playing.site.figures.counts.late == 1
    assert playing.site.annunciator.alarms[HIGH.key].state is State.NORMAL


def test_a_power_cut_leaves_alarms_as_they_were_and_the_steady_clock_anew(stage: Callable[..., Stage]) -> None:
    playing = stage()
    playing.pass_time(NINE)
    playing.read("FT-101", {METHANE: 30.0})
    before, site = playing.now(), playing.site
    playing.restart(90.0)
    with pytest.raises(CannotPlay, match="the service is not running"):
        playing.act(lambda _site, _now: None)
    playing.read("FT-101", {METHANE: 5.0})  # the broker has it until then
    assert playing.site.annunciator.alarms[HIGH.key].state is State.UNACKNOWLEDGED
    playing.pass_time(NINE + 90.0)
    assert playing.site is not site
    assert playing.now().utc == before.utc + 90.0
    assert playing.now().monotonic == before.monotonic
    assert playing.site.annunciator.alarms[HIGH.key].state is State.RETURNED
    reading = playing.site.states["FT-101"].readings[METHANE]
    assert reading.times
    assert (reading.value, playing.now().monotonic - reading.times.since) == (5.0, 90.0)


def test_a_clock_that_is_set_moves_dates_and_no_ages(stage: Callable[..., Stage]) -> None:
    playing = stage()
    playing.pass_time(NINE + MINUTE)
    age = playing.site.states["FT-101"].age(playing.now().monotonic)
    before = playing.now()
    playing.jump(-3600.0)
    assert playing.now() == (before.monotonic, before.utc - 3600.0)
    assert playing.site.states["FT-101"].age(playing.now().monotonic) == age


def test_a_play_tells_steps_journal_and_differences_in_their_order(declared: Declared) -> None:
    check = Check("number of alarms", "2", lambda stage: str(stage.site.annunciator.owed))
    one = Step(NINE, "gas", (Reads("FT-101", {METHANE: 30.0}),), (check,))
    two = Step(NINE + 1, "an act that fails", (partial(Stage.act, do=_refuse),), refused="because")
    lines = list(play(declared, Rehearsal("a try", (one, two), frozenset({"FT-101"})), _nothing_recalled))
    assert [(line.text, line.is_step, line.differs) for line in lines] == [
        ("gas", True, False),
        ("FT-101 methane high: alarm raised at 30, limit 20 -> unacknowledged", False, False),
        ("number of alarms: 2, but is 1", False, True),
        ("an act that fails", True, False),
        ("refused: because", False, False),
    ]


def _refuse(_site: Site, _now: object) -> None:
    raise CannotPlay("because")


def _nothing_recalled(_kept: Sequence[Kept]) -> Recalled:
    return Recalled({}, (), lambda _tag, _fields, _since: ())


def test_the_journal_of_other_meters_is_not_told(declared: Declared) -> None:
    step = Step(NINE, "gas", (Reads("FT-101", {METHANE: 30.0}),))
    assert len(list(play(declared, Rehearsal("a try", (step,)), _nothing_recalled))) == 1


def _limit(kind: Kind, setpoint: float) -> Alarm:
    return Alarm("AT-1", str(kind), kind, Priority.LOW, 0, setpoint)


@pytest.mark.parametrize(
    ("field", "alarms", "value"),
    [
        (Field("flow", "m3/h", "", 0.0, 400.0), [], 200.0),
        (Field("flow", "m3/h", "", 0.0, 400.0), [_limit(Kind.HIGH, 150.0)], 100.0),
        (Field("oxygen", "%vol", "", 0.0, 25.0), [_limit(Kind.LOW, 19.5), _limit(Kind.HIGH, 23.5)], 21.5),
        (Field("battery", "V", "", 2.0, 4.0, low_below=3.1), [], 3.5),
        (Field("level", "%", ""), [], 0.0),
    ],
)
def test_what_nobody_speaks_of_reads_something_ordinary(field: Field, alarms: list[Alarm], value: float) -> None:
    assert ordinary(field, alarms) == value


def test_the_whole_journal_of_a_play_is_kept(stage: Callable[..., Stage]) -> None:
    playing = stage()
    playing.pass_time(NINE)
    playing.read("FT-101", {METHANE: 30.0})
    assert [each.event for each in playing.kept if isinstance(each, KeptEvent)] == ["alarm raised"]
