"""Before and after a restart: what was known is shown for what it is, and the story goes on where it stood."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator.core.keeping import Kept, KeptFrame, KeptReading, KeptState, KeptUplink, Remembered
from aggregator.core.pointer import Pointer
from aggregator.core.profile import Profile
from aggregator.core.reading import Grade, Now, Reason
from aggregator.core.site import Site
from aggregator.core.total import Total
from aggregator.core.uplink import Envelope

SiteOf = Callable[..., Site]
Send = Callable[..., list[str]]
Registers = Callable[..., tuple[int, ...]]
MessageOf = Callable[..., bytes]
Later = Callable[[float], Now]
Fold = Callable[[Iterable[Kept]], dict[str, Remembered]]
Restart = Callable[..., Site]
Recent = Callable[[Iterable[Kept]], list[KeptFrame]]

FLOW, VOLUME, METHANE, BATTERY = range(4)
GOOD = {"flow": 12.5, "volume": 500, "methane": 1.5, "battery": 3.6}
BOOTED = 40.0  # monotonic s at which a gateway that has just started finds itself


@pytest.fixture
def site(site_of: SiteOf, watchful: Profile) -> Site:
    return site_of(profile=watchful)


@pytest.fixture(scope="session")
def restart(site_of: SiteOf, watchful: Profile, remembered: Fold, start: Now) -> Restart:
    """A new site, `at` seconds after the start, that was given what the old one had kept; its clock may be wrong."""

    def build(kept: Iterable[Kept], at: float, *, utc: float | None = None, profile: Profile = watchful) -> Site:
        now = Now(BOOTED, start.utc + at if utc is None else utc)
        site = site_of(profile=profile, now=now)
        site.restore(remembered(kept), now)
        return site

    return build


def test_readings_come_back_as_old_as_they_are_and_marked(site: Site, send: Send, restart: Restart) -> None:
    send(site, 41, observed=None, **GOOD)
    after = restart(site.take_kept(), 300.0)
    state = after.states["FT-101"]
    assert [reading.value for reading in state.readings] == [12.5, 500, 1.5, 3.6]
    assert {reading.reasons for reading in state.readings} == {int(Reason.RESTORED)}
    assert state.age(BOOTED) == pytest.approx(300.0)
    assert (state.counter, state.radio.rssi, state.grade) == (41, -101, Grade.UNCERTAIN)


def test_what_is_restored_shows_in_registers(
    site: Site, send: Send, restart: Restart, registers: Registers, start: Now
) -> None:
    send(site, 41, **GOOD)
    after = restart(site.take_kept(), 300.0)
    shown = registers(after.images[1], 100, 24, Now(BOOTED, start.utc + 300))
    assert shown[0] == 0x0402  # bit 10 restored, grade uncertain
    assert shown[1] == 300
    assert shown[6] == 15
    assert shown[21:23] == (0, 500)


def test_restored_readings_go_stale_at_their_own_time(site: Site, send: Send, restart: Restart) -> None:
    """Methane may be 600 s old: it has 300 s left, and the others 1500 s."""
    send(site, 41, **GOOD)
    after = restart(site.take_kept(), 300.0)
    assert after.next_look() == pytest.approx(BOOTED + 300.0)
    assert [note.event for note in after.tick(Now(BOOTED + 300.1, 0.0))] == ["meter is stale"]
    assert after.states["FT-101"].readings[METHANE].reasons == Reason.RESTORED | Reason.STALE
    assert after.states["FT-101"].readings[FLOW].reasons == Reason.RESTORED
    assert after.next_look() == pytest.approx(BOOTED + 1500.0)


def test_what_was_stale_before_may_have_been_stale_by_another_limit(
    site: Site, send: Send, restart: Restart, later: Later
) -> None:
    send(site, 41, **GOOD)
    site.tick(later(1000.0))
    assert restart(site.take_kept(), 1000.0).states["FT-101"].reasons == Reason.RESTORED | Reason.STALE


@pytest.mark.parametrize("utc", [0.0, 1_000_000_000.0])
def test_a_clock_that_was_never_set_makes_nothing_fresh(
    site: Site, send: Send, restart: Restart, registers: Registers, utc: float
) -> None:
    send(site, 41, **GOOD)
    after = restart(site.take_kept(), 300.0, utc=utc)
    state = after.states["FT-101"]
    assert {reading.reasons for reading in state.readings} == {int(Reason.RESTORED | Reason.STALE)}
    assert registers(after.images[1], 100, 1, Now(BOOTED, utc)) == (0x040A,)
    after.tick(Now(BOOTED + 1e6, utc + 1e6))
    assert {reading.reasons for reading in state.readings} == {int(Reason.RESTORED | Reason.STALE)}


def test_a_clock_that_only_says_how_old_things_are_at_least_makes_nothing_fresh(
    site: Site, site_of: SiteOf, send: Send, remembered: Fold, watchful: Profile, start: Now
) -> None:
    send(site, 41, **GOOD)
    now = Now(BOOTED, start.utc + 1.0)
    after = site_of(profile=watchful, now=now)
    after.restore(remembered(site.take_kept()), now, ages_known=False)
    state = after.states["FT-101"]
    assert {reading.reasons for reading in state.readings} == {int(Reason.RESTORED | Reason.STALE)}
    assert state.totals[VOLUME].at == -math.inf, "any consumption can have been meanwhile"


def test_a_clock_a_year_ahead_makes_all_stale(site: Site, send: Send, restart: Restart, start: Now) -> None:
    send(site, 41, **GOOD)
    after = restart(site.take_kept(), 300.0, utc=start.utc + 365 * 86400.0)
    assert {reading.reasons for reading in after.states["FT-101"].readings} == {int(Reason.RESTORED | Reason.STALE)}


def test_a_field_is_restored_until_an_uplink_carries_it(
    site: Site, send: Send, restart: Restart, message: MessageOf, start: Now
) -> None:
    send(site, 41, **GOOD)
    after = restart(site.take_kept(), 300.0)
    after.receive(
        "lns/a/up", message(42, at=400.0, methane=2.0), retained=False, now=Now(BOOTED + 100, start.utc + 400)
    )
    reasons = [reading.reasons for reading in after.states["FT-101"].readings]
    assert reasons == [Reason.RESTORED, Reason.RESTORED, 0, Reason.RESTORED]


def test_a_meter_that_nothing_is_known_of_is_still_never_seen(restart: Restart) -> None:
    after = restart([], 0.0)
    after.restore({"FT-999": Remembered(counter=7)}, Now(BOOTED, 0.0))  # of a meter that is declared no more
    assert after.states["FT-101"].reasons == Reason.NEVER_SEEN
    assert after.states["FT-101"].totals == {}


def test_a_reading_kept_in_another_unit_is_not_shown_as_if_it_were_this_one(
    site: Site, send: Send, restart: Restart
) -> None:
    send(site, 41, **GOOD)
    kept = [
        each._replace(readings=tuple(reading._replace(unit="l") for reading in each.readings))
        for each in site.take_kept()
        if isinstance(each, KeptUplink)
    ]
    state = restart(kept, 300.0).states["FT-101"]
    assert state.reasons == Reason.NEVER_SEEN
    assert state.totals == {}


def test_a_test_goes_on_across_a_restart_until_it_is_ended(site: Site, restart: Restart, later: Later) -> None:
    site.hold_in_test("FT-101", on=True, who="shift", why="bump test", now=later(1))
    kept = site.take_kept()
    after = restart(kept, 10.0)
    assert after.states["FT-101"].reasons & Reason.UNDER_TEST
    assert after.states["FT-101"].held == ("shift", "bump test", later(1).utc)
    after.hold_in_test("FT-101", on=False, who="shift", now=later(20))
    assert not restart([*kept, *after.take_kept()], 30.0).states["FT-101"].reasons & Reason.UNDER_TEST


@pytest.mark.parametrize("clock_is_set", [True, False], ids=["clock set", "clock never set"])
def test_an_uplink_that_could_not_be_read_goes_on_showing_across_restarts_until_one_can_be(
    site: Site, send: Send, restart: Restart, message: MessageOf, later: Later, start: Now, clock_is_set: bool
) -> None:
    send(site, 41, **GOOD)
    send(site, 42, at=60.0, payload=b"x")
    assert site.states["FT-101"].common == Reason.DECODE_FAILED
    kept = site.take_kept()
    for _ in range(2):  # nothing is heard between two restarts
        after = restart(kept, 300.0, utc=None if clock_is_set else 0.0)
        assert after.states["FT-101"].reasons & Reason.DECODE_FAILED
        kept += after.take_kept()
    now = Now(BOOTED + 700.0, start.utc + 1000.0)
    after.receive("lns/a/up", message(43, at=900.0, **GOOD), retained=False, now=now)
    assert after.states["FT-101"].reasons == 0
    assert not restart([*kept, *after.take_kept()], 1000.0).states["FT-101"].reasons & Reason.DECODE_FAILED


def test_a_late_uplink_ends_decode_failed_after_a_restart_only_where_it_is_newer_than_the_failure(
    site: Site, site_of: SiteOf, send: Send, message: MessageOf, remembered: Fold, recent: Recent, start: Now
) -> None:
    send(site, 41, flow=1.0)
    send(site, 45, at=60.0, payload=b"x")
    kept, now = site.take_kept(), Now(BOOTED, start.utc + 90.0)
    after = site_of(now=now)
    after.restore(remembered(kept), now, recent(kept))
    for counter, at, stands in ((44, 50.0, True), (46, 70.0, False)):
        text = message(counter, at=at, volume=500 + counter)
        after.receive("lns/a/up", text, retained=False, now=Now(BOOTED + 5.0, start.utc + 95.0))
        kept += after.take_kept()
        once_more = site_of(now=now)
        once_more.restore(remembered(kept), now, recent(kept))
        for each in (after, once_more):
            assert bool(each.states["FT-101"].reasons & Reason.DECODE_FAILED) is stands


def test_the_frame_counter_goes_on_across_a_restart(
    site: Site, send: Send, restart: Restart, message: MessageOf, start: Now
) -> None:
    send(site, 41, **GOOD)
    after = restart(site.take_kept(), 300.0)
    for counter, at in ((41, 0.0), (40, 0.0), (44, 900.0)):
        text = message(counter, at=at, **GOOD)
        after.receive("lns/a/up", text, retained=False, now=Now(BOOTED + 700, start.utc + 1000))
    counts = after.figures.counts
    assert (counts.duplicate, counts.late, counts.accepted, after.figures.lost) == (1, 1, 1, 2)


def test_a_network_that_gives_no_times_goes_on_from_arrival(
    site: Site, restart: Restart, message: MessageOf, start: Now
) -> None:
    uplink = json.dumps({**json.loads(message(41, volume=500)), "received_at": None}).encode()
    site.receive("lns/a/up", uplink, retained=False, now=start)
    after = restart(site.take_kept(), 10.0)
    after.receive("lns/a/up", uplink, retained=False, now=Now(BOOTED, start.utc + 10.0))
    assert after.figures.counts.duplicate == 1


@pytest.fixture(scope="session")
def go_on(
    site_of: SiteOf,
    watchful: Profile,
    remembered: Fold,
    recent: Callable[[Iterable[Kept]], list[KeptFrame]],
    start: Now,
) -> Callable[..., Site]:
    """As `restart`, with the frames that the store would tell of: `go_on(kept, at, envelope=...)`."""

    def build(kept: list[Kept], at: float, envelope: Envelope | None = None) -> Site:
        now = Now(BOOTED, start.utc + at)
        site = site_of(profile=watchful, now=now)
        if envelope is not None:
            site = Site(replace(site.declared, envelopes=(envelope,)), now)
        site.restore(remembered(kept), now, recent(kept))
        return site

    return build


def test_a_keep_alive_doubled_across_a_restart_is_no_new_session(
    site: Site, send: Send, restart: Restart, message: MessageOf, start: Now
) -> None:
    """The data before it are hours old: only the keep-alive itself tells when the node was heard."""
    send(site, 41, **GOOD)
    send(site, 42, at=7200.0)
    after = restart(site.take_kept(), 7201.0)
    notes = after.receive("lns/a/up", message(42, at=7200.0), retained=False, now=Now(BOOTED, start.utc + 7202))
    assert list(notes) == []
    assert after.figures.counts.duplicate == 1


def test_the_loss_of_a_day_goes_on_and_what_is_lost_from_here_on_is_counted_from_none(
    site: Site, send: Send, go_on: Callable[..., Site], later: Later, message: MessageOf, start: Now
) -> None:
    for counter in (1, 2, 4, 5):
        send(site, counter, at=900.0 * counter, **GOOD)
    after = go_on(site.take_kept(), 4600.0)
    loss = after.states["FT-101"].sequence.loss
    assert loss.over_a_day() == 20.0
    assert after.figures.lost == 0
    for counter, at in ((3, 2700.0), (8, 7200.0)):
        text = message(counter, at=at, **GOOD)
        after.receive("lns/a/up", text, retained=False, now=Now(BOOTED + at, start.utc + at + 3000))
    assert loss.over_a_day() == 25.0  # 6 and 7 of eight; 3 came late
    assert after.figures.lost == 2


def test_one_that_could_not_be_read_is_not_lost_after_a_restart(
    site: Site, send: Send, go_on: Callable[..., Site], message: MessageOf, start: Now
) -> None:
    send(site, 1, **GOOD)
    send(site, 2, at=900.0, payload=b"short")
    send(site, 3, at=1800.0, **GOOD)
    after = go_on(site.take_kept(), 1900.0)
    assert after.states["FT-101"].sequence.loss.over_a_day() == 0.0
    after.replay("lns/a/up", message(2, at=900.0, **GOOD), arrived=start.utc + 900.0, now=Now(BOOTED, start.utc + 1900))
    [kept] = after.take_kept()
    assert isinstance(kept, KeptUplink)
    assert kept.late


def test_sessions_go_on_across_a_restart(
    site_of: SiteOf, watchful: Profile, go_on: Callable[..., Site], message: MessageOf, later: Later, start: Now
) -> None:
    envelope = replace(site_of().declared.envelopes[0], session=Pointer("/device/address"))
    site = Site(replace(site_of(profile=watchful).declared, envelopes=(envelope,)), start)

    def hear(site: Site, counter: int, at: float, address: str, now: Now) -> list[str]:
        document = json.loads(message(counter, at=at, **GOOD))
        document["device"]["address"] = address
        text = json.dumps(document).encode()
        return [note.event for note in site.receive("lns/a/up", text, retained=False, now=now)]

    hear(site, 500, 0.0, "a", later(0.0))
    hear(site, 0, 900.0, "b", later(900.0))
    after = go_on(site.take_kept(), 1000.0, envelope)
    now = Now(BOOTED + 1000, start.utc + 2000)
    assert hear(after, 501, 1100.0, "a", now) == ["late uplink not shown"]  # the session that has ended
    assert hear(after, 0, 1200.0, "b", now) == []  # sent once more
    assert after.figures.counts.duplicate == 1
    assert hear(after, 0, 1300.0, "c", now) == ["node joined anew"]


def test_a_keep_alive_dates_no_reading(site: Site, send: Send, restart: Restart) -> None:
    send(site, 41, **GOOD)
    send(site, 42, at=200.0)
    state = restart(site.take_kept(), 300.0).states["FT-101"]
    assert state.counter == 42
    assert state.age(BOOTED) == pytest.approx(300.0)


# Totals


def volumes(site: Site, send: Send, *shown: object) -> list[str]:
    events = []
    for at, value in enumerate(shown):
        events += send(site, at + 1, at=900.0 * at, volume=value)
    return events


def test_a_total_goes_on_from_the_last_reading(site: Site, send: Send, restart: Restart) -> None:
    volumes(site, send, 950, 990, 20)
    total = restart(site.take_kept(), 1900.0).states["FT-101"].totals[VOLUME]
    assert [total.so_far, total.last, total.at] == pytest.approx([1020.0, 20.0, BOOTED - 100.0])


@pytest.mark.parametrize("shown", [(500, 510, 3), (500, 510, 3, -99), (500, -99), (500, 510, 3, 2), (500, 3, 4)])
def test_a_total_stands_after_a_restart_as_it_stood_before(
    site_of: SiteOf, watchful: Profile, send: Send, restart: Restart, shown: tuple[float, ...]
) -> None:
    """Held values and fault words among them: -99 is the meter's `sensor missing` here."""
    profile = faulty_volume(watchful)
    site = site_of(profile=profile)
    volumes(site, send, *shown)
    at = 900.0 * (len(shown) - 1)
    before = site.states["FT-101"].totals[VOLUME]
    after = restart(site.take_kept(), at + 50.0, profile=profile).states["FT-101"].totals[VOLUME]
    assert (after.so_far, after.last, after.doubted) == (before.so_far, before.last, before.doubted)
    age = 5000.0 + at - before.at  # the site started at 5000 s
    assert BOOTED - 50.0 - after.at == pytest.approx(age)


def faulty_volume(profile: Profile) -> Profile:
    """The profile with the fault code of its methane for the volume as well."""
    flow, volume, methane, battery = profile.decoded
    return Profile(
        profile.name,
        profile.title,
        profile.fields,
        (flow, type(volume)(VOLUME, volume.pointer, volume.scale, methane.faults), methane, battery),
    )


def test_what_was_held_is_forgotten_once_the_counter_follows(site: Site, send: Send, remembered: Fold) -> None:
    assert volumes(site, send, 500, 3) == ["counter held"]
    kept = site.take_kept()
    assert remembered(kept)["FT-101"].states["volume held"] == {"last": 500, "at": 1_795_600_000.0, "doubted": 3}
    send(site, 3, at=1800.0, volume=501)
    assert remembered([*kept, *site.take_kept()])["FT-101"].states == {}


def test_consumption_over_a_restart_counts_even_where_no_clock_tells_how_long_it_took(
    site: Site, send: Send, restart: Restart, message: MessageOf
) -> None:
    """Without a battery clock the time of a power cut is unknown; what the meter counted in it is not."""
    send(site, 1, **GOOD)
    after = restart(site.take_kept(), 40_000.0, utc=30.0)
    after.receive(
        "lns/a/up", message(2, at=40_000.0, **{**GOOD, "volume": 900}), retained=False, now=Now(BOOTED + 1, 31.0)
    )
    assert after.states["FT-101"].totals[VOLUME].so_far == 900


def test_a_value_held_where_no_clock_tells_is_remembered_without_a_time(
    site: Site, send: Send, restart: Restart, message: MessageOf, remembered: Fold
) -> None:
    send(site, 1, **GOOD)
    kept = site.take_kept()
    after = restart(kept, 40_000.0, utc=30.0)
    after.receive("lns/a/up", message(2, at=40_000.0, volume=3), retained=False, now=Now(BOOTED + 1, 31.0))
    kept += after.take_kept()
    assert remembered(kept)["FT-101"].states["volume held"] == {"last": 500, "at": None, "doubted": 3}
    total = restart(kept, 41_000.0).states["FT-101"].totals[VOLUME]
    assert total == Total(500, 500, float("-inf"), doubted=3)


def test_a_total_set_by_hand_outlives_a_restart_even_before_the_meter_is_heard(
    site: Site, send: Send, restart: Restart, later: Later
) -> None:
    assert site.set_total("FT-101", "volume", 7000.0, 12.0, who="shift", now=later(0))
    assert [note.event for note in site.take_notes()] == ["total set by hand"]
    kept = site.take_kept()
    after = restart(kept, 60.0)
    total = after.states["FT-101"].totals[VOLUME]
    assert [total.so_far, total.last, total.at] == pytest.approx([7000.0, 12.0, BOOTED - 60.0])
    assert after.states["FT-101"].reasons == Reason.NEVER_SEEN
    send(site, 1, at=900.0, volume=14)
    assert restart([*kept, *site.take_kept()], 960.0).states["FT-101"].totals[VOLUME].so_far == 7002.0


@pytest.mark.parametrize("field", ["flow", "tea"])
def test_a_field_that_does_not_count_has_no_total_to_set(site: Site, later: Later, field: str) -> None:
    assert not site.set_total("FT-101", field, 7000.0, None, who="shift", now=later(0))
    assert site.take_kept() == []


def test_a_total_of_a_text_or_of_nothing_is_none(restart: Restart, site_of: SiteOf, watchful: Profile) -> None:
    site = site_of(profile=watchful, now=Now(BOOTED, 100.0))
    known = Remembered(
        {"volume": KeptReading("volume", None, 0, "m3"), "volume total": KeptReading("volume total", 5.0, 0, "m3")},
        {"volume": 50.0, "volume total": 50.0},
    )
    site.restore({"FT-101": known}, Now(BOOTED, 100.0))
    assert site.states["FT-101"].totals == {}


# A day with a restart anywhere in it


class Report(NamedTuple):
    """One uplink of the day: seconds since the one before, what it shows, and how it gets here."""

    wait: int
    grown: int
    odd: float | None
    methane: float
    doubled: bool
    keep_alive: bool


REPORTS = st.lists(
    st.builds(
        Report,
        st.integers(600, 1000),
        st.integers(0, 50),
        st.sampled_from([None, None, None, 0.0, 0.5, -99.0]),
        st.sampled_from([1.5, 1.5, 130.0, -99.0, 80.0]),
        st.booleans(),
        st.sampled_from([False, False, False, True]),
    ),
    min_size=1,
    max_size=12,
)


def day_of(reports: list[Report], message: MessageOf) -> list[tuple[float, bytes]]:
    """When each message arrives, and the message."""
    day, at, volume = [], 0.0, 700
    for counter, report in enumerate(reports):
        at += report.wait
        volume = (volume + report.grown) % 1000
        shown = volume if report.odd is None else report.odd if report.odd < 0 else volume * report.odd
        values = {} if report.keep_alive else {"flow": 1, "volume": shown, "methane": report.methane}
        text = message(counter, at=at, **values)
        day += [(at, text)] * (2 if report.doubled else 1)
    return day


def standing(site: Site, now: Now) -> object:
    """What must not depend on a restart: values, totals, test, how the node was heard."""
    state = site.states["FT-101"]
    values = [reading.value for reading in state.readings]
    totals = [
        (total.so_far, total.last, total.doubted, round(now.utc - (now.monotonic - total.at), 3))
        for total in state.totals.values()
    ]
    ages = [
        None if reading.times is None else round(now.monotonic - reading.times.since, 3) for reading in state.readings
    ]
    return values, totals, ages, state.counter, state.radio, state.common & int(Reason.UNDER_TEST)


@given(REPORTS, st.integers(0, 24), st.booleans())
@settings(max_examples=50)
def test_a_restart_anywhere_in_a_day_changes_nothing_in_the_end(
    site_of: SiteOf,
    watchful: Profile,
    restart: Restart,
    message: MessageOf,
    start: Now,
    reports: list[Report],
    cut: int,
    test: bool,
) -> None:
    profile = faulty_volume(watchful)
    day = day_of(reports, message)
    cut %= len(day) + 1
    whole, first = site_of(profile=profile), site_of(profile=profile)
    for site in (whole, first):
        site.hold_in_test("FT-101", on=test, who="shift", now=start)
    for at, text in day[:cut]:
        for site in (whole, first):
            site.receive("lns/a/up", text, retained=False, now=Now(5000.0 + at, start.utc + at))
    down = day[cut - 1][0] + 5.0 if cut else 5.0
    second = restart(first.take_kept(), down, profile=profile)
    assert second.states["FT-101"].grade is not Grade.GOOD
    assert standing(second, Now(BOOTED, start.utc + down)) == standing(whole, Now(5000.0 + down, start.utc + down))
    accepted = whole.figures.counts.accepted
    for at, text in day[cut:]:
        whole.receive("lns/a/up", text, retained=False, now=Now(5000.0 + at, start.utc + at))
        second.receive("lns/a/up", text, retained=False, now=Now(BOOTED + at - down, start.utc + at))
    end = day[-1][0] + 60.0
    assert standing(second, Now(BOOTED + end - down, start.utc + end)) == standing(
        whole, Now(5000.0 + end, start.utc + end)
    )
    assert second.figures.counts.accepted == whole.figures.counts.accepted - accepted


@given(REPORTS, st.integers(0, 2**32))
@settings(max_examples=30)
def test_a_late_uplink_never_changes_what_the_newest_carried(
    site_of: SiteOf, message: MessageOf, registers: Registers, start: Now, reports: list[Report], seed: int
) -> None:
    site = site_of()
    day = day_of([*reports[:-1], reports[-1]._replace(keep_alive=False)], message)
    evening = day[-1][0] + 60.0
    now = Now(5000.0 + evening, start.utc + evening)
    site.receive("lns/a/up", day[-1][1], retained=False, now=now)
    before = registers(site.images[1], 100, 24, now)
    late = day[:-1]
    random.Random(seed).shuffle(late)
    for _, text in late:
        site.receive("lns/a/up", text, retained=False, now=now)
    assert registers(site.images[1], 100, 24, now) == before
    assert site.figures.counts.accepted == 1
    assert all(each.late for each in site.take_kept()[1:] if isinstance(each, KeptUplink))


def test_states_are_kept_as_plain_values(site: Site, later: Later) -> None:
    site.hold_in_test("FT-101", on=True, who="shift", why="bump test", now=later(1))
    site.hold_in_test("FT-101", on=False, who="shift", now=later(2))
    states = [each for each in site.take_kept() if isinstance(each, KeptState)]
    held = {"who": "shift", "why": "bump test", "since": later(1).utc}
    assert states == [KeptState("FT-101", "under test", held), KeptState("FT-101", "under test", None)]
