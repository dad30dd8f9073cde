"""Values entered by hand, over a day of a site: what is shown, what is kept, and what comes back when they end."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pytest

from aggregator.core.errors import CannotSubstitute
from aggregator.core.keeping import Kept, KeptEvent, KeptUplink, Remembered
from aggregator.core.profile import Profile
from aggregator.core.reading import Grade, Now, Reason
from aggregator.core.site import Site

SiteOf = Callable[..., Site]
Send = Callable[..., list[str]]
Registers = Callable[..., tuple[int, ...]]
Later = Callable[[float], Now]
Fold = Callable[[Iterable[Kept]], dict[str, Remembered]]

FLOW, VOLUME, METHANE = range(3)
STATUS, METHANE_AT, METHANE_STATUS, METHANE_AGE, TOTAL_AT = 100, 106, 109, 110, 121
HOUR = 3600.0
SUBSTITUTED = Reason.SUBSTITUTED


@pytest.fixture
def site(site_of: SiteOf, watchful: Profile) -> Site:
    return site_of(profile=watchful)


def substitute(site: Site, field: str, value: float, now: Now, lasts: float = HOUR, why: str = "") -> None:
    site.substitute("FT-101", field, value, lasts=lasts, who="fitter", why=why, now=now)


def test_a_substituted_value_is_shown_and_is_never_good(
    site: Site, send: Send, registers: Registers, later: Later
) -> None:
    send(site, 1, flow=12.5, volume=500, methane=1.5)
    substitute(site, "methane", 4.0, later(10))
    assert registers(site.images[1], METHANE_AT, 1, later(15)) == (40,)
    assert registers(site.images[1], METHANE_STATUS, 2, later(15)) == (SUBSTITUTED | Grade.UNCERTAIN, 5)
    assert registers(site.images[1], STATUS, 1, later(15)) == (SUBSTITUTED | Grade.UNCERTAIN,)
    assert registers(site.images[1], STATUS + 7, 1, later(15)) == (Grade.GOOD,)  # of the flow, which was read


def test_what_uplinks_bring_meanwhile_is_kept_as_read_and_shown_when_it_ends(
    site: Site, send: Send, registers: Registers, later: Later
) -> None:
    send(site, 1, methane=1.5)
    substitute(site, "methane", 4.0, later(10))
    send(site, 2, at=900.0, methane=2.5)
    assert registers(site.images[1], METHANE_AT, 1, later(900)) == (40,)
    assert "substitution ended" in [note.event for note in site.tick(later(10 + HOUR))]
    assert registers(site.images[1], METHANE_STATUS, 2, later(10 + HOUR)) == (Reason.STALE | 2, 10 + 3600 - 900)
    assert site.states["FT-101"].shown[METHANE].value == 2.5
    kept = [each for each in site.take_kept() if isinstance(each, KeptUplink)]
    rows = [(each.node is None, *(r[:3] for r in each.readings if r.field == "methane")) for each in kept]
    assert rows == [
        (False, ("methane", 1.5, 0)),
        (True, ("methane", 4.0, SUBSTITUTED)),
        (False, ("methane", 2.5, 0)),
        (True, ("methane", 4.0, SUBSTITUTED)),
    ]
    assert [each.at - kept[0].at for each in kept] == pytest.approx([0.0, 10.0, 900.0, 10.0 + HOUR])


def test_it_ends_at_its_time_without_an_uplink(site: Site, later: Later, start: Now) -> None:
    substitute(site, "methane", 4.0, later(10), lasts=60.0)
    assert site.next_look() == start.monotonic + 70.0
    assert site.tick(later(69.9)) == []
    assert site.states["FT-101"].shown[METHANE].value == 4.0
    assert [note.event for note in site.tick(later(70.0))] == ["substitution ended"]
    assert site.states["FT-101"].reasons == Reason.NEVER_SEEN


def test_it_can_be_withdrawn_before(site: Site, send: Send, registers: Registers, later: Later) -> None:
    send(site, 1, methane=1.5)
    substitute(site, "methane", 4.0, later(10))
    site.withdraw("FT-101", "methane", who="shift", now=later(20))
    assert registers(site.images[1], METHANE_AT, 1, later(30)) == (15,)
    assert registers(site.images[1], METHANE_STATUS, 2, later(30)) == (Grade.GOOD, 30)
    assert "substitution ended" not in [note.event for note in site.tick(later(20 + HOUR))]


def test_a_jump_of_the_wall_clock_neither_ends_nor_prolongs_it(site: Site, start: Now) -> None:
    substitute(site, "methane", 4.0, start, lasts=60.0)
    site.tick(Now(start.monotonic + 30, start.utc + 1e8))
    assert site.states["FT-101"].shown[METHANE].value == 4.0
    assert [note.event for note in site.tick(Now(start.monotonic + 60, 0.0))] == ["substitution ended"]


def test_the_journal_says_who_what_why_and_until_when(site: Site, later: Later) -> None:
    substitute(site, "methane", 4.0, later(0), why="hand-held meter")
    substitute(site, "methane", 5.0, later(5))
    site.withdraw("FT-101", "methane", who="shift", now=later(10))
    substitute(site, "flow", 6.0, later(20), lasts=1.0)
    site.tick(later(21))
    events = [each for each in site.take_kept() if isinstance(each, KeptEvent)]
    assert [(each.event, each.who) for each in events] == [
        ("value substituted", "fitter"),
        ("value substituted", "fitter"),
        ("substitution withdrawn", "shift"),
        ("value substituted", "fitter"),
        ("substitution ended", ""),
    ]
    first, second, third, *_ = (dict(each.facts) for each in events)
    assert first == {
        "field": "methane",
        "value": 4.0,
        "unit": "%LEL",
        "until": "2026-11-25T10:46:40Z",
        "why": "hand-held meter",
        "before": None,
    }
    assert (second["value"], second["before"]) == (5.0, 4.0)
    assert third == {"field": "methane", "value": 5.0}
    assert len(site.take_notes()) == 4  # what commands did; what ended by itself, `tick` has returned


def test_another_value_takes_the_place_of_the_first_and_the_history_has_both(site: Site, later: Later) -> None:
    substitute(site, "methane", 4.0, later(0))
    substitute(site, "methane", 5.0, later(5))
    rows = [each for each in site.take_kept() if isinstance(each, KeptUplink)]
    assert [each.readings[0].value for each in rows] == [4.0, 4.0, 5.0]
    assert site.states["FT-101"].shown[METHANE].value == 5.0


def test_no_total_is_counted_from_it(site: Site, send: Send, registers: Registers, later: Later) -> None:
    send(site, 1, volume=500)
    substitute(site, "volume", 9.0, later(10))
    send(site, 2, at=900.0, volume=520)
    assert registers(site.images[1], TOTAL_AT, 2, later(900)) == (0, 520)
    site.withdraw("FT-101", "volume", who="fitter", now=later(910))
    send(site, 3, at=1800.0, volume=530)
    assert registers(site.images[1], TOTAL_AT, 2, later(1800)) == (0, 530)


def test_silence_goes_on_being_told_while_a_value_is_entered_by_hand(
    site: Site, send: Send, registers: Registers, later: Later
) -> None:
    """The field has a value to show; that its meter has fallen silent must still be seen."""
    send(site, 1, flow=12.5, volume=500, methane=1.5)
    substitute(site, "methane", 4.0, later(10))
    assert [note.event for note in site.tick(later(600))] == ["meter is stale"]
    assert registers(site.images[1], METHANE_AT, 1, later(600)) == (40,)  # not the filler of what is stale
    assert registers(site.images[1], METHANE_STATUS, 1, later(600)) == (SUBSTITUTED | 2,)
    assert registers(site.images[1], STATUS, 2, later(600)) == (SUBSTITUTED | Reason.STALE | 2, 600)
    assert site.figures.count("meters_stale") == 1


def test_it_stands_where_the_meter_itself_has_nothing_to_show(
    site: Site, send: Send, registers: Registers, later: Later
) -> None:
    send(site, 1, flow=12.5, volume=500, methane=-99.0)  # a fault code of the profile
    assert site.states["FT-101"].grade is Grade.BAD
    substitute(site, "methane", 4.0, later(10))
    assert registers(site.images[1], METHANE_AT, 1, later(10)) == (40,)
    assert site.states["FT-101"].reasons == SUBSTITUTED
    send(site, 2, at=20.0, flow=-1.0, volume=500, methane=-99.0)
    assert site.states["FT-101"].reasons == SUBSTITUTED | Reason.OUT_OF_RANGE


def test_fields_that_nobody_has_seen_are_still_said_not_to_be(site: Site, later: Later) -> None:
    substitute(site, "methane", 4.0, later(10))
    assert site.states["FT-101"].reasons == SUBSTITUTED | Reason.NEVER_SEEN
    substitute(site, "flow", 4.0, later(10))
    substitute(site, "volume", 4.0, later(10))  # the battery is optional
    assert site.states["FT-101"].reasons == SUBSTITUTED


def test_a_test_of_the_meter_shows_beside_it(site: Site, registers: Registers, later: Later) -> None:
    substitute(site, "methane", 4.0, later(10))
    site.hold_in_test("FT-101", on=True, who="fitter", now=later(11))
    assert registers(site.images[1], METHANE_STATUS, 1, later(11)) == (SUBSTITUTED | Reason.UNDER_TEST | 2,)


@pytest.mark.parametrize(
    ("field", "value", "lasts"), [("methane", 101.0, HOUR), ("methane", 4.0, 91 * 86400.0), ("pressure", 4.0, HOUR)]
)
def test_what_is_refused_changes_nothing(site: Site, later: Later, field: str, value: float, lasts: float) -> None:
    with pytest.raises(CannotSubstitute):
        substitute(site, field, value, later(0), lasts)
    assert (site.states["FT-101"].substitutes, site.take_kept(), site.take_notes()) == ({}, [], [])


def test_a_field_that_the_meter_does_not_have_is_answered_with_those_it_has(site: Site, later: Later) -> None:
    with pytest.raises(CannotSubstitute, match="FT-101 has no field pressure; it has flow, volume, methane, battery"):
        site.withdraw("FT-101", "pressure", who="fitter", now=later(0))


def test_what_is_not_substituted_cannot_be_withdrawn(site: Site, later: Later) -> None:
    with pytest.raises(CannotSubstitute, match="FT-101 flow is not substituted"):
        site.withdraw("FT-101", "flow", who="fitter", now=later(0))


# Restart


@pytest.fixture
def restart(
    site_of: SiteOf, watchful: Profile, remembered: Fold, start: Now
) -> Callable[[Iterable[Kept], float], Site]:
    """A new site, `at` seconds after the start, that was given what the old one had kept; it finds itself at 40 s."""

    def build(kept: Iterable[Kept], at: float) -> Site:
        now = Now(40.0, start.utc + at)
        site = site_of(profile=watchful, now=now)
        site.restore(remembered(kept), now)
        return site

    return build


def test_it_goes_on_across_a_restart_as_it_stood(
    site: Site,
    send: Send,
    registers: Registers,
    later: Later,
    restart: Callable[[Iterable[Kept], float], Site],
    start: Now,
) -> None:
    send(site, 1, methane=1.5)
    substitute(site, "methane", 4.0, later(100), lasts=1000.0, why="hand-held meter")
    send(site, 2, at=200.0, methane=2.5)
    after = restart(site.take_kept(), 300.0)
    state = after.states["FT-101"]
    assert (state.shown[METHANE].value, state.shown[METHANE].reasons) == (4.0, SUBSTITUTED)
    assert state.readings[METHANE][:2] == (2.5, Reason.RESTORED)
    assert state.substitutes[METHANE][:5] == (4.0, "fitter", "hand-held meter", start.utc + 100, start.utc + 1100)
    assert registers(after.images[1], METHANE_STATUS, 2, Now(40.0, start.utc + 300)) == (SUBSTITUTED | 2, 200)
    assert after.take_kept() == []
    after.tick(Now(40.0 + 799.9, start.utc + 1099.9))
    assert METHANE in state.substitutes
    assert "substitution ended" in [note.event for note in after.tick(Now(40.0 + 800, start.utc + 1100))]
    assert state.shown[METHANE][:2] == (2.5, Reason.RESTORED | Reason.STALE)
    assert state.age(840.0, METHANE) == pytest.approx(900.0)


def test_one_whose_time_came_while_the_service_was_away_ends_before_the_first_poll(
    site: Site, send: Send, later: Later, restart: Callable[[Iterable[Kept], float], Site], start: Now
) -> None:
    send(site, 1, methane=1.5)
    substitute(site, "methane", 4.0, later(100), lasts=50.0)
    kept = site.take_kept()
    after = restart(kept, 300.0)
    assert after.states["FT-101"].shown[METHANE][:2] == (1.5, Reason.RESTORED)
    assert [note.event for note in after.take_notes()] == ["substitution ended"]
    more = after.take_kept()
    (row,) = (each for each in more if isinstance(each, KeptUplink))
    assert row.at == pytest.approx(start.utc + 150.0)  # when it ended, not when that was found out
    assert restart([*kept, *more], 400.0).take_kept() == []


def test_one_that_was_withdrawn_stays_so(
    site: Site, later: Later, restart: Callable[[Iterable[Kept], float], Site]
) -> None:
    substitute(site, "methane", 4.0, later(0))
    site.withdraw("FT-101", "methane", who="fitter", now=later(10))
    assert restart(site.take_kept(), 20.0).states["FT-101"].substitutes == {}
