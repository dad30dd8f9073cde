"""All alarms of a site together: what drives them, what people may do, and what a restart leaves."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator.core.alarm import Alarm, Alarms, Delay, Group, Kind, Priority, Suppression
from aggregator.core.alarm_state import State
from aggregator.core.annunciator import Annunciator
from aggregator.core.keeping import KeptEvent, KeptState
from aggregator.core.live_alarm import LiveAlarm
from aggregator.core.meter import Meter, MeterState
from aggregator.core.outbox import Outbox
from aggregator.core.profile import Field, Profile
from aggregator.core.reading import Now, Reading, Reason, Times
from aggregator.core.response import (
    CannotAct,
    acknowledge,
    acknowledge_number,
    acknowledge_numbers,
    check_setpoints,
    reset,
    serve,
    set_setpoint,
    shelve,
    silence,
    unshelve,
)
from aggregator.core.uplink import NO_RADIO

START = Now(5000.0, 1_795_600_000.0)
DETECTOR = Profile(
    "detector", "Detector", (Field("methane", "%LEL", "methane", 0, 100), Field("valve", "-", "valve", optional=True))
)
METHANE, VALVE = 0, 1
STALE_AFTER = 960.0


def alarm(tag: str = "AT-1", name: str = "methane high", kind: Kind = Kind.HIGH, **more: object) -> Alarm:
    given_: dict[str, object] = {"index": METHANE, "setpoint": 20.0, "deadband": 2.0, **more}
    return Alarm(tag, name, kind, Priority.HIGH, **given_)  # type: ignore[arg-type]


def of_meter(tag: str, kind: Kind, **more: object) -> Alarm:
    return Alarm(tag, str(kind), kind, Priority.MEDIUM, **more)  # type: ignore[arg-type]


class Plant:
    """Detectors, their alarms, and a moment that moves on."""

    def __init__(
        self, declared: Alarms, tags: tuple[str, ...] = ("AT-1", "AT-2", "AT-3"), profile: Profile = DETECTOR
    ) -> None:
        self.declared = declared
        self.profile = profile
        self.tags = tags
        self.now = START
        self.outbox = Outbox()
        self.journal: list[KeptEvent] = []
        self.kept: dict[str, dict[str, object]] = {}
        self.states: dict[str, MeterState] = {}
        self.site: Annunciator
        self.start()

    def start(self) -> None:
        """A process begins: the meters as they are remembered, the alarms as they were kept."""
        before = self.states
        self.states = {tag: MeterState(Meter(tag, tag, "site", self.profile, 300, STALE_AFTER)) for tag in self.tags}
        for tag, state in before.items():
            self.states[tag].readings = state.readings
            self.states[tag].heard = state.heard
            self.states[tag].sum_up()
        self.site = Annunciator(self.declared, self.states, self.outbox)
        self.site.restore(self.kept, self.now)
        self.collect()

    def collect(self) -> None:
        for each in self.outbox.take():
            if isinstance(each, KeptEvent):
                self.journal.append(each)
            elif isinstance(each, KeptState):
                value = json.loads(json.dumps(each.value))  # as the store would keep it
                self.kept.setdefault(each.tag, {})[each.name] = value

    def wait(self, seconds: float) -> None:
        """Time passes; meters fall silent and delays run out when they should."""
        end = self.now.monotonic + seconds
        while True:
            due = min([self.site.next_look(), *(state.next_expiry() for state in self.states.values())])
            moment = min(end, max(due, self.now.monotonic))
            self.now = Now(moment, START.utc + moment - START.monotonic)
            for state in self.states.values():
                if state.expire(moment):
                    self.site.turned(state, self.now)
            self.site.tick(self.now)
            if moment >= end:
                break
        self.collect()

    def reads(self, value: float | None, tag: str = "AT-1", index: int = METHANE, reasons: int = 0) -> None:
        state = self.states[tag]
        reading = Reading(value, reasons, Times(None, None, self.now.utc, self.now.monotonic))
        self.site.look(state, index, reading, state.readings[index], self.now)
        assert reading.times
        state.take([(index, reading)], reading.times, NO_RADIO, None)
        self.site.turned(state, self.now)
        self.collect()

    def at(self, tag: str = "AT-1", name: str = "methane high") -> LiveAlarm:
        return self.site.alarms[tag, name]

    def state(self, tag: str = "AT-1", name: str = "methane high") -> State:
        return self.at(tag, name).state

    def acknowledge(self, tag: str = "AT-1", name: str = "methane high", seen: float = math.inf) -> None:
        acknowledge(self.site, [self.at(tag, name)], seen, "panel", self.now)
        self.collect()

    def said(self) -> list[str]:
        return [event.event for event in self.journal]


def plant(*alarms: Alarm, groups: tuple[Group, ...] = (), suppressions: tuple[Suppression, ...] = ()) -> Plant:
    return Plant(Alarms(alarms, groups, suppressions))


# What drives them


def test_a_leak_is_raised_acknowledged_and_cleared_with_a_line_for_each() -> None:
    site = plant(alarm())
    site.reads(25.0)
    site.acknowledge()
    site.reads(1.0)
    assert site.state() is State.NORMAL
    assert site.said() == ["alarm raised", "alarm acknowledged", "alarm cleared"]
    raised, acknowledged, _ = site.journal
    assert (raised.tag, raised.facts["value"], raised.facts["setpoint"]) == ("AT-1", 25.0, 20.0)
    assert acknowledged.who == "panel"


def test_silence_clears_nothing() -> None:
    site = plant(alarm())
    site.reads(25.0)
    site.wait(2 * STALE_AFTER)
    assert site.states["AT-1"].reasons & Reason.STALE
    assert site.state() is State.UNACKNOWLEDGED


@pytest.mark.parametrize("reasons", [Reason.SENSOR_FAULT, Reason.OUT_OF_RANGE, Reason.SUBSTITUTED])
def test_a_reading_that_is_not_good_clears_nothing(reasons: Reason) -> None:
    site = plant(alarm())
    site.reads(25.0)
    site.reads(None if reasons is Reason.SENSOR_FAULT else 1.0, reasons=int(reasons))
    assert site.state() is State.UNACKNOWLEDGED


def test_a_fail_safe_detector_that_falls_silent_is_an_alarm() -> None:
    site = plant(alarm(fail_safe=True))
    site.reads(1.0)
    site.wait(STALE_AFTER)
    assert site.state() is State.UNACKNOWLEDGED


def test_a_meter_that_is_never_heard_is_silent_after_its_usual_time() -> None:
    site = plant(of_meter("AT-1", Kind.STALE), alarm("AT-2", fail_safe=True))
    site.wait(STALE_AFTER - 1)
    assert site.state("AT-1", "stale") is State.NORMAL
    site.wait(1)
    assert site.state("AT-1", "stale") is State.UNACKNOWLEDGED
    assert site.state("AT-2") is State.UNACKNOWLEDGED


def test_a_node_that_speaks_is_not_silent_for_a_field_that_comes_more_rarely() -> None:
    """A battery that is told once a day is not missing after a quarter of an hour; a gas that never came is."""
    fields = (*DETECTOR.fields[:1], Field("battery", "V", "battery", 2, 4, stale_after=86400.0))
    site = Plant(
        Alarms((of_meter("AT-1", Kind.STALE), of_meter("AT-2", Kind.STALE))), profile=replace(DETECTOR, fields=fields)
    )
    site.reads(1.0)
    site.reads(3.6, "AT-2", index=1)
    for _ in range(2):
        site.wait(STALE_AFTER - 1)
        site.reads(1.0)
    assert site.state("AT-1", "stale") is State.NORMAL
    assert site.state("AT-2", "stale") is State.UNACKNOWLEDGED
    site.wait(STALE_AFTER)
    assert site.state("AT-1", "stale") is State.UNACKNOWLEDGED
    site.reads(1.0)
    assert site.state("AT-1", "stale") is State.RETURNED


def test_a_stale_alarm_clears_with_the_next_uplink() -> None:
    site = plant(of_meter("AT-1", Kind.STALE))
    site.reads(1.0)
    site.wait(STALE_AFTER)
    assert site.state("AT-1", "stale") is State.UNACKNOWLEDGED
    site.reads(1.0)
    assert site.state("AT-1", "stale") is State.RETURNED


def test_a_fault_of_the_detector_is_an_alarm_of_its_own() -> None:
    site = plant(of_meter("AT-1", Kind.FAULT), alarm())
    site.reads(None, reasons=int(Reason.SENSOR_FAULT))
    assert site.state("AT-1", "fault") is State.UNACKNOWLEDGED
    assert site.state() is State.NORMAL


def test_an_over_range_latches_until_it_is_reset_by_hand() -> None:
    """A starved catalytic bead reads low in the worst leak (IEC 60079-29-2, from memory): a fall proves nothing."""
    site = plant(alarm())
    site.reads(130.0, reasons=int(Reason.OUT_OF_RANGE))
    site.acknowledge()
    site.reads(3.0)
    assert site.state() is State.LATCHED
    assert site.at().peak == 130.0
    reset(site.site, site.at(), "panel", site.now)
    assert site.state() is State.NORMAL
    site.reads(25.0)
    site.reads(3.0)
    assert site.state() is State.RETURNED  # the latch was of that over-range, not of the alarm


def test_a_peak_belongs_to_the_raising_that_stands_and_to_no_earlier_one() -> None:
    site = plant(alarm(latches=True))
    for value in (25.0, 80.0, 3.0):
        site.reads(value)
    assert (site.at().value, site.at().peak) == (25.0, 80.0)  # latched: what was is still told
    site.reads(22.0)
    assert (site.at().value, site.at().peak) == (22.0, 22.0)
    site.reads(30.0)
    assert (site.at().value, site.at().peak) == (22.0, 30.0)


def test_a_spike_that_raises_nothing_leaves_no_value_and_no_peak() -> None:
    site = plant(alarm(on=Delay(0, 2), latches=True))
    for value in (90.0, 1.0):
        site.reads(value)
    assert (site.at().value, site.at().peak) == (None, None)
    for value in (31.0, 25.0):
        site.reads(value)
    assert (site.at().value, site.at().peak) == (25.0, 31.0)  # the wait belongs to the raising that it led to
    for value in (1.0, 95.0, 1.0):
        site.reads(value)
    assert (site.at().value, site.at().peak) == (25.0, 31.0)


def test_a_restart_while_an_alarm_waits_keeps_what_it_has_seen() -> None:
    site = plant(alarm(on=Delay(0, 2)))
    site.reads(60.0)
    site.start()
    site.reads(25.0)
    assert (site.state(), site.at().value, site.at().peak) == (State.UNACKNOWLEDGED, 25.0, 60.0)


def test_the_peak_of_a_fall_is_its_steepest() -> None:
    site = plant(alarm(name="methane falling", kind=Kind.FALLING, setpoint=0.01, deadband=0.0))
    for value in (90.0, 60.0, 0.0):
        site.reads(value)
        site.wait(300)
    live = site.at(name="methane falling")
    assert live.state is State.UNACKNOWLEDGED
    assert live.value == pytest.approx(-0.1)
    assert live.peak == pytest.approx(-0.2)


def test_a_delay_in_readings_tells_a_spike_from_a_leak() -> None:
    site = plant(alarm(on=Delay(0, 2)))
    site.reads(25.0)
    site.wait(300)
    site.reads(1.0)
    site.wait(300)
    site.reads(25.0)
    assert site.state() is State.NORMAL
    site.wait(300)
    site.reads(26.0)
    assert site.state() is State.UNACKNOWLEDGED


def test_an_acknowledged_alarm_that_stands_on_is_announced_again() -> None:
    site = plant(alarm(again_after=1800.0))
    site.reads(25.0)
    site.acknowledge()
    site.wait(1799)
    assert site.state() is State.ACKNOWLEDGED
    site.wait(1)
    assert site.state() is State.UNACKNOWLEDGED


# Acts


def test_nobody_acknowledges_what_they_cannot_have_seen() -> None:
    site = plant(alarm())
    looked = site.now.monotonic
    site.wait(10)
    site.reads(25.0)
    site.acknowledge(seen=looked)
    assert site.state() is State.UNACKNOWLEDGED
    site.acknowledge(seen=site.now.monotonic)
    assert site.state() is State.ACKNOWLEDGED


def test_an_alarm_that_came_again_needs_an_acknowledgement_of_its_own() -> None:
    site = plant(alarm())
    site.reads(25.0)
    looked = site.now.monotonic
    site.wait(10)
    site.reads(1.0)
    site.reads(25.0)
    site.acknowledge(seen=looked)
    assert site.state() is State.UNACKNOWLEDGED


def test_a_sequence_number_acknowledges_its_own_alarm_and_no_later_one() -> None:
    site = plant(alarm(), alarm("AT-2"))
    site.reads(25.0)
    site.reads(25.0, "AT-2")
    acknowledge_number(site.site, site.at("AT-2").sequence, "panel", site.now)
    assert (site.state("AT-1"), site.state("AT-2")) == (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
    assert acknowledge_number(site.site, site.at("AT-2").sequence, "panel", site.now) == []
    for wrong in (0, 99):
        with pytest.raises(CannotAct):
            acknowledge_number(site.site, wrong, "panel", site.now)


def test_a_list_that_is_a_little_old_acknowledges_what_still_stands_as_it_was_seen() -> None:
    site = plant(alarm(), alarm("AT-2"), alarm("AT-3"))
    for tag in ("AT-1", "AT-2", "AT-3"):
        site.reads(25.0, tag)
    seen = [site.at(tag).sequence for tag in ("AT-1", "AT-2", "AT-3")]
    site.acknowledge("AT-1")
    site.reads(1.0, "AT-2")
    site.reads(25.0, "AT-2")  # raised anew, under another number
    acknowledge_numbers(site.site, seen, "page", site.now)
    assert [site.state(tag) for tag in ("AT-1", "AT-2", "AT-3")] == [
        State.ACKNOWLEDGED,
        State.UNACKNOWLEDGED,
        State.ACKNOWLEDGED,
    ]
    site.collect()
    assert [who for event, who in ((each.event, each.who) for each in site.journal) if "ack" in event] == [
        "panel",
        "page",
    ]


def test_a_list_with_a_number_that_nobody_can_have_seen_acknowledges_nothing() -> None:
    site = plant(alarm())
    site.reads(25.0)
    with pytest.raises(CannotAct, match="sequence number 9"):
        acknowledge_numbers(site.site, [site.at().sequence, 9], "page", site.now)
    assert site.state() is State.UNACKNOWLEDGED


def test_an_acknowledgement_is_no_reset() -> None:
    site = plant(alarm(latches=True))
    site.reads(25.0)
    with pytest.raises(CannotAct, match="still stands"):
        reset(site.site, site.at(), "panel", site.now)
    site.reads(1.0)
    site.acknowledge()
    assert site.state() is State.LATCHED
    reset(site.site, site.at(), "panel", site.now)
    assert site.state() is State.NORMAL
    assert reset(site.site, site.at(), "panel", site.now) == []


def test_a_shelf_has_an_end_and_a_reason() -> None:
    site = plant(alarm())
    site.reads(25.0)
    for seconds, why in ((0.0, "x"), (25 * 3600.0, "x"), (60.0, " ")):
        with pytest.raises(CannotAct):
            shelve(site.site, site.at(), seconds, why, "panel", site.now)
    shelve(site.site, site.at(), 3600, "sensor drifts, replacement ordered", "panel", site.now)
    with pytest.raises(CannotAct, match="already"):
        shelve(site.site, site.at(), 3600, "again", "panel", site.now)
    site.wait(3599)
    assert site.state() is State.SHELVED
    site.reads(25.0)
    site.wait(1)
    assert site.state() is State.UNACKNOWLEDGED
    assert site.journal[-1].event == "alarm unshelved"


def test_a_shelf_of_which_nobody_knows_the_end_any_more_ends_at_once() -> None:
    site = plant(alarm())
    site.reads(25.0)
    shelve(site.site, site.at(), 3600.0, "painting", "panel", site.now)
    site.collect()
    kept = site.kept["AT-1"]["alarm methane high"]
    assert isinstance(kept, dict)
    del kept["shelf"]
    site.start()
    assert site.state() is State.UNACKNOWLEDGED


def test_a_shelf_can_be_ended_early() -> None:
    site = plant(alarm())
    shelve(site.site, site.at(), 3600, "works on the roof", "panel", site.now)
    unshelve(site.site, site.at(), "panel", site.now)
    assert (site.state(), site.at().shelf) == (State.NORMAL, None)


def test_a_meter_in_test_announces_nothing_and_comes_back_as_it_is() -> None:
    site = plant(alarm())
    site.site.hold_in_test("AT-1", on=True, who="technician", now=site.now)
    site.reads(50.0, reasons=int(Reason.UNDER_TEST))
    assert site.state() is State.OUT_OF_SERVICE
    site.site.hold_in_test("AT-1", on=False, who="technician", now=site.now)
    assert site.state() is State.UNACKNOWLEDGED


def test_an_alarm_active_before_the_test_is_owed_after_it() -> None:
    site = plant(alarm())
    site.reads(25.0)
    site.site.hold_in_test("AT-1", on=True, who="technician", now=site.now)
    site.reads(0.0)
    site.site.hold_in_test("AT-1", on=False, who="technician", now=site.now)
    assert site.state() is State.RETURNED


def test_one_alarm_alone_can_be_taken_out_of_service() -> None:
    site = plant(alarm(), alarm(name="methane high-high", kind=Kind.HIGH_HIGH, setpoint=40.0))
    serve(site.site, site.at(), on=False, who="panel", now=site.now)
    assert serve(site.site, site.at(), on=False, who="panel", now=site.now) == []
    site.reads(50.0)
    assert site.state("AT-1", "methane high-high") is State.UNACKNOWLEDGED
    assert site.state() is State.OUT_OF_SERVICE


def test_a_setpoint_moves_within_its_limits_and_acts_at_once() -> None:
    site = plant(alarm(may_be=(10.0, 30.0)))
    site.reads(15.0)
    set_setpoint(site.site, site.at(), 12.0, "panel", site.now)
    assert site.state() is State.UNACKNOWLEDGED
    set_setpoint(site.site, site.at(), None, "panel", site.now)
    assert (site.at().setpoint, site.state()) == (20.0, State.RETURNED)
    for wrong in (9.9, 30.1, math.nan):
        with pytest.raises(CannotAct, match="may be 10 to 30"):
            set_setpoint(site.site, site.at(), wrong, "panel", site.now)
    assert site.at().setpoint == 20.0
    site.collect()
    assert [event.facts["new"] for event in site.journal if event.event == "setpoint changed"] == [12.0, 20.0]


LADDER = (
    (Kind.LOW_LOW, 1.0),
    (Kind.LOW, 5.0),
    (Kind.HIGH, 20.0),
    (Kind.HIGH_HIGH, 40.0),
)


def ladder(bounds: tuple[float, float] = (0.0, 100.0)) -> Plant:
    return plant(*(alarm(name=f"methane {kind}", kind=kind, setpoint=at, may_be=bounds) for kind, at in LADDER))


@pytest.mark.parametrize(
    ("name", "to", "says"),
    [
        ("methane high", 40.0, "below that of methane high-high, which is 40"),
        ("methane high", 4.0, "above that of methane low, which is 5"),
        ("methane high-high", 20.0, "above that of methane high, which is 20"),
        ("methane low", 0.5, "above that of methane low-low, which is 1"),
        ("methane low-low", 50.0, "below that of methane low, which is 5"),
    ],
)
def test_limits_of_a_field_never_cross(name: str, to: float, says: str) -> None:
    """Common practice, no source: a high-high below the high would be told first, and the high tell nothing."""
    site = ladder()
    with pytest.raises(CannotAct, match=says):
        set_setpoint(site.site, site.at(name=name), to, "panel", site.now)
    assert site.at(name=name).setpoint == dict(LADDER)[site.at(name=name).alarm.kind]


def test_limits_that_are_written_together_are_held_against_each_other_as_they_will_be() -> None:
    site = ladder()
    check_setpoints(site.site, {("AT-1", "methane high"): 60.0, ("AT-1", "methane high-high"): 80.0})
    with pytest.raises(CannotAct, match="must stay"):
        check_setpoints(site.site, {("AT-1", "methane high"): 60.0, ("AT-1", "methane high-high"): 50.0})


def test_the_files_own_limit_is_refused_where_it_would_cross_one_that_was_changed() -> None:
    site = ladder()
    set_setpoint(site.site, site.at(name="methane high"), 10.0, "panel", site.now)
    set_setpoint(site.site, site.at(name="methane high-high"), 15.0, "panel", site.now)
    with pytest.raises(CannotAct, match="below that of methane high-high, which is 15"):
        set_setpoint(site.site, site.at(name="methane high"), None, "panel", site.now)


def test_limits_that_cross_by_the_new_file_are_those_of_the_file_and_that_is_told() -> None:
    site = ladder()
    set_setpoint(site.site, site.at(name="methane high"), 30.0, "panel", site.now)
    site.collect()
    lower = alarm(name="methane high-high", kind=Kind.HIGH_HIGH, setpoint=25.0)
    site.declared = Alarms((*site.declared.alarms[:3], lower))
    site.start()
    assert [live.setpoint for live in site.site.alarms.values()] == [1.0, 5.0, 20.0, 25.0]
    site.collect()
    last = [event for event in site.journal if event.event == "setpoint changed"][-1]
    assert (last.facts["old"], last.facts["new"], last.facts["why"]) == (
        30.0,
        20.0,
        "meters.yaml no longer allows the one before",
    )
    site.start()
    assert site.at(name="methane high").setpoint == 20.0
    assert site.said().count("setpoint changed") == 2


def test_a_setpoint_that_is_not_opened_is_fixed() -> None:
    site = plant(alarm())
    with pytest.raises(CannotAct, match="fixed in"):
        set_setpoint(site.site, site.at(), 12.0, "panel", site.now)


def test_the_sounder_is_asked_for_until_it_is_silenced_or_nothing_is_owed() -> None:
    site = plant(alarm(), alarm("AT-2"))
    assert not site.site.horn
    site.reads(25.0)
    assert site.site.horn
    silence(site.site, "panel", site.now)
    assert (site.site.horn, site.site.owed) == (False, 1)
    site.reads(25.0, "AT-2")
    assert site.site.horn
    site.acknowledge("AT-1")
    site.acknowledge("AT-2")
    assert (site.site.horn, site.site.owed) == (False, 0)


# Groups


def votes(needed: int = 2, *, silent_demands: bool = False) -> Plant:
    members = tuple((tag, "methane high") for tag in ("AT-1", "AT-2", "AT-3"))
    vote = Alarm("hall", "leak", Kind.VOTE, Priority.CRITICAL, setpoint=needed)
    return plant(*(alarm(tag) for tag, _ in members), vote, groups=(Group("hall", members, silent_demands),))


def test_two_of_three_detectors_make_the_vote() -> None:
    site = votes()
    for tag in ("AT-1", "AT-2", "AT-3"):
        site.reads(1.0, tag)
    site.reads(25.0, "AT-1")
    assert site.state("hall", "leak") is State.NORMAL
    site.reads(25.0, "AT-3")
    assert site.state("hall", "leak") is State.UNACKNOWLEDGED


def test_a_detector_that_was_never_heard_is_not_taken_for_quiet() -> None:
    site = votes()
    site.reads(1.0, "AT-1")
    site.reads(25.0, "AT-2")
    assert site.state("hall", "leak") is State.UNACKNOWLEDGED


def test_with_one_detector_in_test_one_fewer_is_needed() -> None:
    site = votes()
    for tag in ("AT-1", "AT-2", "AT-3"):
        site.reads(1.0, tag)
    site.site.hold_in_test("AT-2", on=True, who="technician", now=site.now)
    assert site.state("hall", "leak") is State.NORMAL
    site.reads(25.0, "AT-1")
    assert site.state("hall", "leak") is State.UNACKNOWLEDGED


def test_detectors_that_fall_silent_vote_where_that_is_declared() -> None:
    site = votes(silent_demands=True)
    for tag in ("AT-1", "AT-2", "AT-3"):
        site.reads(1.0, tag)
    site.wait(STALE_AFTER)
    assert site.state("hall", "leak") is State.UNACKNOWLEDGED


def test_a_shelved_detector_votes_on() -> None:
    site = votes()
    for tag in ("AT-1", "AT-2", "AT-3"):
        site.reads(1.0, tag)
    shelve(site.site, site.at("AT-1"), 600, "known leak", "panel", site.now)
    site.reads(25.0, "AT-1")
    site.reads(25.0, "AT-2")
    assert site.state("hall", "leak") is State.UNACKNOWLEDGED


def test_the_first_of_a_group_stays_first_until_all_are_normal() -> None:
    site = votes(3)
    site.reads(25.0, "AT-2")
    site.wait(5)
    site.reads(25.0, "AT-1")
    assert site.site.first_up["hall"] == ("AT-2", "methane high")
    site.reads(1.0, "AT-2")
    site.acknowledge("AT-2")
    assert site.site.first_up["hall"] == ("AT-2", "methane high")
    site.reads(1.0, "AT-1")
    site.acknowledge("AT-1")
    assert site.site.first_up["hall"] is None


# Suppression by design

SHUT = Alarm("AT-2", "valve shut", Kind.LOW, Priority.LOW, index=VALVE, setpoint=0.0)
OUT_OF_USE = Suppression("hall out of use", frozenset({("AT-1", "methane high")}), SHUT)
BY_HAND = Suppression("overhaul", frozenset({("AT-1", "methane high")}))


def test_an_alarm_is_suppressed_only_while_the_condition_for_it_is_proven() -> None:
    site = plant(alarm(), suppressions=(OUT_OF_USE,))
    site.reads(0.0, "AT-2", VALVE)
    assert site.state() is State.SUPPRESSED
    site.reads(25.0)
    site.wait(STALE_AFTER)
    assert site.state() is State.UNACKNOWLEDGED


def test_a_suppression_switched_by_hand_outlives_a_restart() -> None:
    site = plant(alarm(), suppressions=(BY_HAND,))
    site.site.switch("overhaul", on=True, who="panel", now=site.now)
    site.collect()
    site.start()
    assert (site.state(), site.site.suppressing["overhaul"]) == (State.SUPPRESSED, True)
    site.site.switch("overhaul", on=False, who="panel", now=site.now)
    assert site.state() is State.NORMAL


def test_an_alarm_back_from_test_is_suppressed_again_where_its_plant_is_out_of_use() -> None:
    site = plant(alarm(), suppressions=(BY_HAND,))
    site.site.switch("overhaul", on=True, who="panel", now=site.now)
    site.site.hold_in_test("AT-1", on=True, who="technician", now=site.now)
    site.site.hold_in_test("AT-1", on=False, who="technician", now=site.now)
    assert site.state() is State.SUPPRESSED


# Restart, and properties

WATCHED = (
    alarm(on=Delay(30, 2), off=Delay(600, 2), again_after=1800.0, may_be=(10.0, 30.0)),
    alarm(name="methane high-high", kind=Kind.HIGH_HIGH, setpoint=40.0, latches=True),
    alarm("AT-2", fail_safe=True),
    alarm("AT-3"),
    of_meter("AT-1", Kind.STALE),
    of_meter("AT-1", Kind.FAULT, off=Delay(60)),
    Alarm("hall", "leak", Kind.VOTE, Priority.CRITICAL, setpoint=2),
)
HALL = Group("hall", tuple((tag, "methane high") for tag in ("AT-1", "AT-2", "AT-3")))
ALL = Alarms(WATCHED, (HALL,), (BY_HAND, OUT_OF_USE))

tags = st.sampled_from(["AT-1", "AT-2", "AT-3"])
steps = st.one_of(
    st.tuples(st.just("wait"), st.integers(1, 1200).map(float)),  # whole: the order of what is due at once is exact
    st.tuples(
        st.just("read"),
        tags,
        st.sampled_from([0.0, 15.0, 19.0, 25.0, 50.0, 130.0]),
        st.sampled_from([0, Reason.OUT_OF_RANGE, Reason.SENSOR_FAULT]),
    ),
    st.tuples(st.just("acknowledge"), st.integers(0, 6)),
    st.tuples(st.just("reset"), st.integers(0, 6)),
    st.tuples(st.just("shelve"), st.integers(0, 6)),
    st.tuples(st.just("test"), tags, st.booleans()),
    st.tuples(st.just("suppress"), st.booleans()),
    st.tuples(st.just("setpoint"), st.sampled_from([12.0, 28.0, None])),
)


def carry_out(site: Plant, step: tuple[object, ...]) -> None:  # noqa: C901 - one case a kind of step
    lives = list(site.site.alarms.values())
    match step:
        case ("wait", float() as seconds):
            site.wait(seconds)
        case ("read", str() as tag, float() as value, int() as reasons):
            site.reads(None if reasons & Reason.SENSOR_FAULT else value, tag, reasons=reasons)
        case ("acknowledge", int() as which):
            acknowledge(site.site, [lives[which]], math.inf, "panel", site.now)
        case ("reset", int() as which):
            try:
                reset(site.site, lives[which], "panel", site.now)
            except CannotAct:
                assert lives[which].state is not State.LATCHED
        case ("shelve", int() as which):
            try:
                shelve(site.site, lives[which], 900, "noise", "panel", site.now)
            except CannotAct:
                assert lives[which].state.is_aside
        case ("test", str() as tag, bool() as on):
            site.site.hold_in_test(tag, on=on, who="technician", now=site.now)
        case ("suppress", bool() as on):
            site.site.switch("overhaul", on=on, who="panel", now=site.now)
        case ("setpoint", value):
            assert value is None or isinstance(value, float)
            set_setpoint(site.site, lives[0], value, "panel", site.now)
    site.collect()


def stands(site: Plant) -> dict[tuple[str, str], tuple[object, ...]]:
    return {
        key: (
            live.state,
            live.standing,
            live.condition.stands,
            live.sequence,
            live.setpoint,
            live.over_range,
            live.peak,
        )
        for key, live in site.site.alarms.items()
    }


@settings(max_examples=200)
@given(st.lists(steps, max_size=30), st.integers(0, 30))
def test_a_restart_at_any_point_changes_nothing(series: list[tuple[object, ...]], at: int) -> None:
    whole, halves = Plant(ALL), Plant(ALL)
    for number, step in enumerate(series):
        if number == at:
            halves.start()
        carry_out(whole, step)
        carry_out(halves, step)
        assert stands(whole) == stands(halves)
        assert whole.site.first_up == halves.site.first_up


@settings(max_examples=200)
@given(st.lists(steps, max_size=40))
def test_the_journal_tells_the_present_state(series: list[tuple[object, ...]]) -> None:
    site = Plant(ALL)
    for step in series:
        carry_out(site, step)
    told = {(event.tag, event.facts["alarm"]): event.facts["state"] for event in site.journal if "alarm" in event.facts}
    for key, live in site.site.alarms.items():
        assert told.get(key, "normal") == live.state.words


@settings(max_examples=200)
@given(st.lists(steps, max_size=40))
def test_an_unacknowledged_alarm_never_vanishes_unannounced(series: list[tuple[object, ...]]) -> None:
    site = Plant(ALL)
    for step in series:
        before = {key: live.state for key, live in site.site.alarms.items()}
        lines = len(site.journal)
        carry_out(site, step)
        told = {(event.tag, event.facts["alarm"]) for event in site.journal[lines:] if "alarm" in event.facts}
        for key, live in site.site.alarms.items():
            assert live.state is before[key] or key in told
            if before[key].is_owed and live.state in (State.NORMAL, State.ACKNOWLEDGED, State.LATCHED):
                assert step[0] == "acknowledge" or live.standing.condition or before[key].is_aside, (step, key)


@given(st.lists(steps, max_size=40))
def test_the_counts_are_those_of_the_alarms(series: list[tuple[object, ...]]) -> None:
    site = Plant(ALL)
    for step in series:
        carry_out(site, step)
    live = list(site.site.alarms.values())
    for state in State:
        for priority in Priority:
            expected = sum(each.state is state and each.alarm.priority is priority for each in live)
            assert site.site.counts[priority, state] == expected


def test_a_setpoint_that_the_file_no_longer_allows_is_the_files_again() -> None:
    site = plant(alarm(may_be=(10.0, 30.0)))
    set_setpoint(site.site, site.at(), 12.0, "panel", site.now)
    site.collect()
    site.declared = Alarms((alarm(may_be=(15.0, 30.0)),))
    site.start()
    assert site.at().setpoint == 20.0
