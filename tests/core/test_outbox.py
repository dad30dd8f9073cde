"""What the site has to say: each thing once, in order, as it stood."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.keeping import ClockState, KeptAside, KeptEvent, KeptReading, KeptState, KeptUplink
from aggregator.core.outbox import Note, Outbox
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, Reason
from aggregator.core.site import Site

SiteOf = Callable[..., Site]
Send = Callable[..., list[str]]
NOW = Now(5000.0, 1_795_600_000.0)


def test_all_that_was_put_in_comes_out_once_and_in_order() -> None:
    outbox = Outbox()
    outbox.state("FT-101", "under test", True)
    error = DecodeError(Refusal.BAD_JSON, "detail")
    outbox.aside(error, "lns/a/up", b"{", NOW)
    note = outbox.event("meter is stale", "FT-101", NOW, {"age": 5}, warning=True)
    assert note == Note("meter is stale", True, {"tag": "FT-101", "age": 5})
    assert outbox.take() == [
        KeptState("FT-101", "under test", True),
        KeptAside(NOW.utc, "bad JSON", "detail", "lns/a/up", None, b"{"),
        KeptEvent(NOW.utc, "meter is stale", "FT-101", "", {"age": 5}, ClockState.UNTRUSTED),
    ]
    assert outbox.take() == []


def test_an_event_says_who_did_it_and_what_the_clock_was_worth() -> None:
    outbox = Outbox()
    outbox.clock = ClockState.TRUSTED
    assert outbox.event("meter taken into test", None, NOW, who="shift") == Note(
        "meter taken into test", False, {"who": "shift"}
    )
    assert outbox.take() == [KeptEvent(NOW.utc, "meter taken into test", None, "shift", {}, ClockState.TRUSTED)]


@pytest.fixture
def site(site_of: SiteOf, watchful: Profile) -> Site:
    return site_of(profile=watchful)


def uplinks(site: Site) -> list[KeptUplink]:
    return [each for each in site.take_kept() if isinstance(each, KeptUplink)]


def test_an_uplink_is_kept_with_its_times_and_the_total_it_makes(site: Site, send: Send, start: Now) -> None:
    site.set_clock_trusted(True)
    send(site, 41, at=100.0, observed=start.utc + 70.0, volume=500, methane=130)
    (kept,) = uplinks(site)
    assert (kept.tag, kept.counter, kept.clock, kept.late) == ("FT-101", 41, ClockState.TRUSTED, False)
    assert (kept.at, kept.observed, kept.received, kept.arrived) == (
        start.utc + 70.0,
        start.utc + 70.0,
        start.utc + 100.0,
        start.utc + 100.0,
    )
    assert kept.readings == (
        KeptReading("volume", 500, 0, "m3"),
        KeptReading("methane", None, int(Reason.SENSOR_FAULT), "%LEL"),
        KeptReading("volume total", 500, 0, "m3"),
    )


def test_a_late_uplink_is_kept_as_late_and_makes_no_total(site: Site, send: Send) -> None:
    send(site, 41, at=900.0, volume=500)
    assert send(site, 40, at=0.0, volume=490) == ["late uplink not shown"]
    late = uplinks(site)[1]
    assert late.late
    assert late.readings == (KeptReading("volume", 490, 0, "m3"),)
    assert next(iter(site.states["FT-101"].totals.values())).so_far == 500


def test_an_uplink_without_the_counter_makes_no_row_of_its_total(site: Site, send: Send) -> None:
    send(site, 1, volume=500)
    send(site, 2, at=900.0, methane=1)
    assert [reading.field for reading in uplinks(site)[1].readings] == ["methane"]


def test_a_fault_is_journalled_once_for_as_long_as_it_stands(site: Site, send: Send) -> None:
    events = [send(site, at, at=900.0 * at, methane=value) for at, value in enumerate((-99, -99, 1, -99))]
    assert events == [["meter reports a fault"], [], [], ["meter reports a fault"]]
    facts = [each.facts for each in site.take_kept() if isinstance(each, KeptEvent)]
    assert facts == [{"field": "methane", "fault": "sensor missing"}] * 2


@pytest.mark.parametrize(
    ("message", "node"),
    [(b"{", None), (b'{"device": {"eui": "70b3d57ed0000001"}}', "70b3d57ed0000001")],
)
def test_what_was_refused_is_set_aside_whole(site: Site, message: bytes, node: str | None, start: Now) -> None:
    site.receive("lns/a/up", message, retained=False, now=start)
    (aside,) = (each for each in site.take_kept() if isinstance(each, KeptAside))
    assert (aside.at, aside.topic, aside.node, aside.message) == (start.utc, "lns/a/up", node, message)


def test_a_retained_message_is_not_set_aside(site: Site, start: Now) -> None:
    site.receive("lns/a/up", b"{}", retained=True, now=start)
    assert site.take_kept() == []
