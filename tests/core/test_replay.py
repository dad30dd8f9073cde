"""A message that was set aside and is taken once more: as old as it is, and over nothing newer."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.keeping import Kept, KeptAside, KeptReading, KeptState, KeptUplink, Remembered
from aggregator.core.reading import Now, Reason
from aggregator.core.site import Site
from aggregator.core.uplink import Envelope

SiteOf = Callable[..., Site]
Send = Callable[..., list[str]]
MessageOf = Callable[..., bytes]
Later = Callable[[float], Now]
Replay = Callable[..., list[Kept]]

GOOD = {"flow": 12.5, "volume": 100, "methane": 1.5}
DAY = 86400.0
STALE_AFTER = 1800.0  # of the test site's meters


@pytest.fixture
def site(site_of: SiteOf) -> Site:
    return site_of()


@pytest.fixture
def replay(later: Later, message: MessageOf) -> Replay:
    """Take an uplink that arrived at `at` once more at `now`; returns what is to be kept of it."""

    def run(site: Site, counter: int | None, *, at: float, now: float, **values: object) -> list[Kept]:
        site.take_kept()
        text = message(counter, **{"at": at, **(values or GOOD)})
        site.replay("lns/a/up", text, arrived=later(at).utc, now=later(now))
        return site.take_kept()

    return run


def uplinks(kept: list[Kept]) -> list[KeptUplink]:
    return [each for each in kept if isinstance(each, KeptUplink)]


def test_a_replayed_reading_is_as_old_as_it_is(site: Site, replay: Replay, later: Later) -> None:
    (kept,) = uplinks(replay(site, 7, at=600, now=1200))
    state = site.states["FT-101"]
    assert [reading.value for reading in state.readings] == [12.5, 100, 1.5, None]
    assert state.age(later(1200).monotonic) == 600
    assert (kept.at, kept.arrived, kept.late) == (later(600).utc, later(600).utc, False)


def test_one_that_is_older_than_it_may_be_shows_as_stale_at_once_and_raises_no_event(
    site: Site, replay: Replay
) -> None:
    kept = replay(site, 7, at=0, now=STALE_AFTER)
    assert site.states["FT-101"].reasons == Reason.STALE
    assert [type(each) for each in kept] == [KeptUplink]
    assert site.tick(Now(1e9, 1e9)) == []


def test_age_is_told_from_the_day_it_was_set_aside_even_when_no_other_time_can_be_believed(
    site: Site, later: Later, message: MessageOf
) -> None:
    """Months later the network's time is no longer believable by itself; counted from now, it would pass for fresh."""
    text = message(7, at=0, **GOOD)
    site.replay("lns/a/up", text, arrived=later(1).utc, now=later(90 * DAY))
    assert site.states["FT-101"].age(later(90 * DAY).monotonic) == pytest.approx(90 * DAY)
    assert site.states["FT-101"].reasons == Reason.STALE
    (kept,) = uplinks(site.take_kept())
    assert kept.at == later(0).utc


def test_one_that_is_older_than_what_is_shown_goes_to_the_history_only(
    site: Site, send: Send, replay: Replay, later: Later
) -> None:
    send(site, 8, at=900, **GOOD)
    (kept,) = uplinks(replay(site, 7, at=0, now=1000, **{**GOOD, "flow": 99}))
    assert kept.late
    assert kept.readings[0].value == 99
    assert site.states["FT-101"].readings[0].value == 12.5
    assert site.states["FT-101"].age(later(1000).monotonic) == 100


@pytest.mark.parametrize("counter", [500, 8, 3], ids=["of an older session", "the same", "lower"])
def test_no_counter_puts_an_old_message_before_a_newer_one(
    counter: int, site: Site, send: Send, replay: Replay
) -> None:
    send(site, 8, at=10_000, **GOOD)
    (kept,) = uplinks(replay(site, counter, at=0, now=10_001, **{**GOOD, "flow": 99}))
    assert kept.late
    assert site.states["FT-101"].readings[0].value == 12.5
    assert send(site, 9, at=10_900, **GOOD) == []


def test_without_counters_the_times_tell_which_is_newer(
    site: Site, send: Send, replay: Replay, envelope: Envelope, start: Now
) -> None:
    bare = Site(replace(site.declared, envelopes=(replace(envelope, counter=None),)), start)
    send(bare, 8, at=10_000, **GOOD)
    (kept,) = uplinks(replay(bare, 9, at=0, now=10_001, **{**GOOD, "flow": 99}))
    assert kept.late
    assert bare.states["FT-101"].readings[0].value == 12.5
    (kept,) = uplinks(replay(bare, 9, at=10_500, now=10_600, **{**GOOD, "flow": 99}))
    assert not kept.late


def test_nothing_is_shown_over_a_reading_from_before_a_restart_that_is_newer(
    site: Site, replay: Replay, later: Later
) -> None:
    shown = KeptReading("flow", 12.5, 0, "m3/h")
    before = Remembered({"flow": shown}, {"flow": later(0).utc}, None, later(0).utc, later(0).utc, None, 8)
    site.restore({"FT-101": before}, later(60))
    (kept,) = uplinks(replay(site, 3, at=-600, now=70, flow=99))
    assert kept.late
    assert site.states["FT-101"].readings[0].value == 12.5


def test_what_no_newer_uplink_carried_is_shown_from_an_older_one(
    site: Site, replay: Replay, send: Send, later: Later
) -> None:
    send(site, 8, at=900, methane=1.5)
    (kept,) = uplinks(replay(site, 7, at=300, now=1000, flow=99, methane=3))
    state = site.states["FT-101"]
    assert (kept.late, kept.filled_in) == (False, True)
    assert [reading.value for reading in state.readings] == [99, None, 1.5, None]
    assert [state.age(later(1000).monotonic, index) for index in (0, 2)] == [700, 100]
    assert (state.counter, state.age(later(1000).monotonic)) == (8, 100)


def test_one_that_was_taken_meanwhile_changes_nothing(site: Site, send: Send, replay: Replay) -> None:
    send(site, 7, at=0, **GOOD)
    assert replay(site, 7, at=0, now=10) == []
    assert site.figures.counts.duplicate == 1


def test_one_that_is_still_refused_changes_nothing(site: Site, send: Send, later: Later, message: MessageOf) -> None:
    send(site, 7, at=0, **GOOD)
    site.take_kept()
    counts = site.figures.counts.rejected.copy()
    for text, topic in ((message(8, at=1, payload=b"short"), "lns/a/up"), (b"{", "lns/a/up"), (b"{}", "other/topic")):
        with pytest.raises(DecodeError):
            site.replay(topic, text, arrived=later(1).utc, now=later(100))
    assert site.states["FT-101"].reasons == 0
    assert site.figures.counts.rejected == counts
    assert site.take_kept() == []
    assert site.figures.lost == 0


def test_what_was_set_aside_is_taken_after_the_fix_and_no_frame_counts_as_lost(
    site_of: SiteOf, send: Send, later: Later, message: MessageOf
) -> None:
    broken = site_of()
    broken.by_node.clear()  # a site that does not know the node yet
    for counter in range(5):
        send(broken, counter, at=900.0 * counter, **GOOD)
    aside = [each for each in broken.take_kept() if isinstance(each, KeptAside)]
    assert [each.reason for each in aside] == [Refusal.UNKNOWN_NODE] * 5
    mended = site_of()
    for each in aside:
        mended.replay(each.topic, each.message, arrived=each.at, now=later(4000))
    assert [each.counter for each in uplinks(mended.take_kept())] == list(range(5))
    assert mended.states["FT-101"].age(later(4000).monotonic) == 400
    assert mended.figures.lost == 0
    assert send(mended, 5, at=4500, **GOOD) == []


def test_a_frame_that_could_not_be_read_at_first_never_brings_the_lost_below_none(
    site: Site, send: Send, replay: Replay
) -> None:
    send(site, 1, at=0, **GOOD)
    send(site, 2, at=10, payload=b"short")
    assert site.figures.lost == 0
    replay(site, 2, at=10, now=20)
    assert site.figures.lost == 0
    assert site.figures.counts.accepted == 2


def test_replaying_the_past_does_not_make_the_last_uplink_older(
    site_of: SiteOf, send: Send, replay: Replay, later: Later
) -> None:
    site = site_of(2)
    send(site, 1, node=2, at=1000, **GOOD)
    replay(site, 7, at=0, now=1010)
    assert site.figures.figure("last_uplink_age", later(1010)) == 10


def test_a_shuffled_replay_ends_with_the_newest_shown_and_all_of_them_kept(site: Site, replay: Replay) -> None:
    order = list(range(40))
    random.Random(3).shuffle(order)
    kept = [
        each
        for counter in order
        for each in uplinks(replay(site, counter, at=900.0 * counter, now=40_000, **{**GOOD, "flow": counter}))
    ]
    assert sorted(each.counter or 0 for each in kept) == sorted(order)
    assert site.states["FT-101"].readings[0].value == 39
    assert not any(isinstance(each, KeptState) for each in kept)
