"""Linking on the spot: nodes put on meters, taken off, exchanged and proved right, and what the file says to it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import pytest

from aggregator.core.agreement import Bounds
from aggregator.core.counting import Exchanged
from aggregator.core.device_code import DeviceCode, read_code
from aggregator.core.errors import CannotLink, DecodeError
from aggregator.core.image import Image
from aggregator.core.keeping import Kept, KeptAside, KeptEvent, KeptLink, KeptState, KeptUplink, Remembered
from aggregator.core.link import MOST_CHECKS
from aggregator.core.link_progress import Stage, counted, progress_of
from aggregator.core.linking import Linking
from aggregator.core.outbox import Note
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, Reason
from aggregator.core.site import Declared, Site
from aggregator.core.trouble import quality_sentence
from aggregator.core.verification import Comparable, comparables

FIRST, SECOND, THIRD, OTHER = (f"70b3d57ed000{number:04d}" for number in (1, 2, 3, 9))
QR = "LW:D0:1122334455667788:70B3D57ED0000009:AABB1122:SYYWWNNNNNN"  # after TR005's example, without a checksum
WHO = "fitter"

Send = Callable[..., list[str]]
Later = Callable[[float], Now]
SiteOf = Callable[..., Site]
RememberedOf = Callable[[Iterable[Kept]], dict[str, Remembered]]


def declare(site: Site, *nodes: str | None) -> Declared:
    """The same site with other nodes in its file."""
    pairs = zip(site.declared.meters, nodes, strict=True)
    return replace(site.declared, meters=tuple(replace(meter, node=node) for meter, node in pairs))


def unlinked(site: Site) -> Declared:
    return declare(site, *[None] * len(site.declared.meters))


@pytest.fixture
def site(site_of: SiteOf, start: Now) -> Site:
    """Two meters, of which the file links none."""
    return Site(unlinked(site_of(2)), start)


@pytest.fixture
def counting_site(site_of: SiteOf, watchful: Profile, start: Now) -> Site:
    """One meter with a counter, which the file does not link."""
    return Site(unlinked(site_of(1, profile=watchful)), start)


def do(site: Site, act: Callable[[Linking], list[Note]]) -> list[Note]:
    site.arrange(act)
    return site.take_notes()


def link(site: Site, tag: str, node: str, now: Now, **more: Any) -> list[Note]:
    return do(site, lambda linking: linking.link(tag, read_code(node), WHO, now, **more))


def refused(site: Site, act: Callable[[Linking], list[Note]]) -> str:
    """The sentence that refuses an act, which must have left no trace."""
    before = (dict(site.linking.links.open), {tag: list(past) for tag, past in site.linking.links.past.items()})
    site.take_kept()
    with pytest.raises(CannotLink) as error:
        site.arrange(act)
    assert (site.linking.links.open, site.linking.links.past) == before
    assert (site.take_notes(), site.take_kept()) == ([], [])
    return str(error.value)


def events(kept: Iterable[Kept]) -> list[tuple[str, str | None, str]]:
    return [(each.event, each.tag, each.who) for each in kept if isinstance(each, KeptEvent)]


def remembers(fold: RememberedOf, kept: Iterable[Kept]) -> dict[str, Remembered]:
    """What a store gives back, its links with it, each through JSON."""
    kept = list(kept)
    found = fold([each for each in kept if not isinstance(each, KeptLink)])
    newest = {each.number: each for each in kept if isinstance(each, KeptLink)}
    for each in newest.values():
        record = json.loads(json.dumps(each.record, allow_nan=False))
        found.setdefault(each.tag, Remembered()).links.append(each._replace(record=record))
    return found


# Nodes that are heard


def test_a_node_on_no_meter_is_known_by_when_how_often_and_how_well_it_was_heard(
    site: Site, send: Send, start: Now
) -> None:
    send(site, 1, node=9, flow=12.5, rssi=-110)
    send(site, 2, node=9, at=900.0, flow=13.0, rssi=-95)
    (node,) = site.linking.heard
    assert (node.node, node.first, node.last, node.count) == (OTHER, start.utc, start.utc + 900.0, 2)
    assert node.radio.rssi == -95
    assert [each.uplink.counter for each in node.newest] == [1, 2]


def test_what_such_a_node_sends_is_set_aside_under_its_name(site: Site, send: Send) -> None:
    assert send(site, 1, node=9, flow=12.5) == ["uplink refused"]
    (aside,) = (each for each in site.take_kept() if isinstance(each, KeptAside))
    assert (aside.reason, aside.node, aside.counter) == ("unknown node", OTHER, None)


def test_after_a_restart_the_nodes_are_known_by_what_was_set_aside(site: Site, send: Send, later: Later) -> None:
    send(site, 1, node=9, flow=12.5)
    kept = [each for each in site.take_kept() if isinstance(each, KeptAside)]
    anew = Site(site.declared, later(3600.0))
    anew.recall_heard((each.at, each.topic, each.message) for each in kept)
    anew.recall_heard([(0.0, "elsewhere", b"{}"), (0.0, "lns/a/up", b"no JSON")])  # says nothing of a node
    assert [(node.node, node.count) for node in anew.linking.heard] == [(OTHER, 1)]


# Linking


def test_a_linked_nodes_next_uplink_shows_in_its_meters_registers(
    site: Site, send: Send, later: Later, registers: Callable[..., tuple[int, ...]]
) -> None:
    send(site, 1, node=9, flow=12.5)
    link(site, "FT-102", QR, later(60.0))
    assert send(site, 2, node=9, at=900.0, flow=13.5, volume=7, methane=1.0) == []
    assert site.states["FT-102"].readings[0].value == 13.5
    image = site.images[1]
    assert isinstance(image, Image)
    assert registers(image, 124, 1, later(901.0))[0] & 3 == 1  # good
    assert len(site.linking.heard) == 0


def test_a_link_keeps_who_when_the_label_and_what_the_node_had_sent(site: Site, send: Send, later: Later) -> None:
    send(site, 1, node=9, flow=12.5, rssi=-99)
    link(site, "FT-101", QR, later(60.0), notes={"place": "north wall", "antenna": "on the roof", "note": "label worn"})
    made = site.linking.links.open["FT-101"]
    assert (made.node, made.who, made.since, made.entered) == (OTHER, WHO, later(60.0).utc, later(60.0).utc)
    assert (made.place, made.antenna, made.note) == ("north wall", "on the roof", "label worn")
    assert made.label == {"join": "1122334455667788", "profile": "AABB1122", "serial": "YYWWNNNNNN"}
    assert made.seen is not None
    assert (made.seen.at, made.seen.radio.rssi) == (later(0.0).utc, -99)
    assert [(each.field, each.value, each.unit) for each in made.seen.read] == [("flow", 12.5, "m3/h")]
    assert made.verified is None


def test_a_link_is_journalled_and_kept(site: Site, start: Now) -> None:
    link(site, "FT-101", OTHER, start)
    kept = site.take_kept()
    assert events(kept) == [("node linked", "FT-101", WHO)]
    (stored,) = (each for each in kept if isinstance(each, KeptLink))
    assert (stored.number, stored.tag, stored.node, stored.since, stored.until) == (1, "FT-101", OTHER, start.utc, None)


def test_a_node_that_was_never_heard_can_be_linked(site: Site, start: Now) -> None:
    link(site, "FT-101", OTHER, start)
    made = site.linking.links.open["FT-101"]
    assert made.seen is None


def test_a_meter_that_the_file_links_is_linked_by_nothing_else(site_of: SiteOf, start: Now) -> None:
    site = site_of(2)
    said = refused(site, lambda linking: linking.link("FT-101", DeviceCode(OTHER), WHO, start))
    assert said.startswith(f"FT-101 is linked to node {FIRST} by its file")
    for act in (
        lambda linking: linking.unlink("FT-101", WHO, start),
        lambda linking: linking.swap_node("FT-101", DeviceCode(OTHER), WHO, start),
    ):
        assert "by its file" in refused(site, act)


def test_a_node_on_another_meter_is_refused_by_that_meters_tag(site: Site, site_of: SiteOf, later: Later) -> None:
    link(site, "FT-102", OTHER, later(0.0))
    said = refused(site, lambda linking: linking.link("FT-101", DeviceCode(OTHER), WHO, later(60.0)))
    assert f"node {OTHER} is on FT-102 since " in said
    assert "linked by fitter. Check the labels, or unlink FT-102 first." in said
    half = Site(declare(site_of(2), FIRST, None), later(0.0))
    said = refused(half, lambda linking: linking.link("FT-102", DeviceCode(FIRST), WHO, later(60.0)))
    assert f"node {FIRST} is on FT-101, by its file" in said


def test_a_meter_that_has_a_node_is_refused_another(site: Site, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    said = refused(site, lambda linking: linking.link("FT-101", DeviceCode(THIRD), WHO, later(60.0)))
    assert f"FT-101 has node {OTHER} since " in said
    assert "Exchange the node" in said
    again = refused(site, lambda linking: linking.link("FT-101", DeviceCode(OTHER), WHO, later(60.0)))
    assert again.endswith("It sits there already.")


def test_an_unknown_tag_is_refused_with_the_near_one(site: Site, start: Now) -> None:
    said = refused(site, lambda linking: linking.link("ft-110", DeviceCode(OTHER), WHO, start))
    assert re.fullmatch("there is no meter ft-110. Write `FT-10[12]`, if that is what was meant.", said)
    said = refused(site, lambda linking: linking.unlink("boiler", WHO, start))
    assert said == "there is no meter boiler. There are FT-101, FT-102."


def test_notes_are_lines_of_bounded_length(site: Site, start: Now) -> None:
    link(site, "FT-101", OTHER, start)
    for notes in ({"note": "x" * 501}, {"place": "two\nlines"}):
        said = refused(site, lambda linking, notes=notes: linking.note("FT-101", notes, WHO, start))  # type: ignore[misc]
        assert "one line of up to" in said
    do(site, lambda linking: linking.note("FT-101", {"place": "south wall"}, WHO, start))
    assert site.linking.links.open["FT-101"].place == "south wall"


# Verified by the meter's own display


def test_a_display_that_agrees_verifies_the_link(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    notes = do(site, lambda linking: linking.verify("FT-101", {"flow": 13.0}, WHO, later(960.0)))
    assert [(note.event, note.warning) for note in notes] == [("link verified", False)]
    made = site.linking.links.open["FT-101"]
    (check,) = made.checks
    assert (check.shows, check.read, check.unit, check.who, check.age) == (13.0, 12.5, "m3/h", WHO, 60.0)
    assert made.verified is True


def test_a_display_that_does_not_agree_says_by_how_much_it_is_off(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    (note,) = do(site, lambda linking: linking.verify("FT-101", {"flow": 48.0}, WHO, later(960.0)))
    assert (note.event, note.warning) == ("reading and display do not agree", True)
    assert note.facts["flow"] == (
        "the display shows 48 m3/h, the node reads 12.5 m3/h; off by 35.5 m3/h, "
        "and up to 5 m3/h above the reading would agree"
    )
    assert site.linking.links.open["FT-101"].verified is False


def test_of_each_field_the_last_comparison_counts(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5, methane=1.0)
    for shows in ({"flow": 48.0}, {"methane": 1.2}):
        do(site, lambda linking, shows=shows: linking.verify("FT-101", shows, WHO, later(960.0)))  # type: ignore[misc]
    assert site.linking.links.open["FT-101"].verified is False
    do(site, lambda linking: linking.verify("FT-101", {"flow": 12.4}, WHO, later(970.0)))
    assert site.linking.links.open["FT-101"].verified is True


def test_a_link_may_be_verified_as_it_is_made_by_what_the_node_sent_last(site: Site, send: Send, later: Later) -> None:
    send(site, 1, node=9, flow=12.5)
    link(site, "FT-101", OTHER, later(60.0), shows={"flow": 12.6})
    assert site.linking.links.open["FT-101"].verified is True


def test_what_proves_nothing_is_no_verification(site: Site, send: Send, later: Later) -> None:
    def verify(at: float, **shows: float) -> str:
        return refused(site, lambda linking: linking.verify("FT-101", shows, WHO, later(at)))

    never = refused(site, lambda linking: linking.link("FT-101", DeviceCode(OTHER), WHO, later(0.0), shows={"flow": 1}))
    assert never == (
        f"node {OTHER} has sent no flow for FT-101 yet. Link it without, and verify it once it has reported."
    )
    assert verify(0.0, flow=1.0) == "no node sits on FT-101. Link one first."
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    assert "has no field pressure; it has flow, volume, methane, battery" in verify(960.0, pressure=1.0)
    assert "at least one field" in verify(960.0)
    assert verify(960.0, flow=float("nan")).startswith("nan is nothing that a display shows as flow")
    site.tick(later(900.0 + 1800.0))
    assert verify(2760.0, flow=12.5) == "the reading of FT-101 flow is 31 min old. Wait for the next uplink."


def test_a_reading_of_the_node_before_proves_nothing_of_the_new_one(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    do(site, lambda linking: linking.swap_node("FT-101", DeviceCode(THIRD), WHO, later(1000.0)))
    said = refused(site, lambda linking: linking.verify("FT-101", {"flow": 12.5}, WHO, later(1010.0)))
    assert f"node {THIRD} has sent no flow for FT-101 yet" in said


def test_a_value_entered_by_hand_is_not_what_the_display_is_held_against(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    site.substitute("FT-101", "flow", 300.0, lasts=3600.0, who=WHO, now=later(910.0))
    do(site, lambda linking: linking.verify("FT-101", {"flow": 12.5}, WHO, later(960.0)))
    assert site.linking.links.open["FT-101"].verified is True


def test_a_link_of_the_file_can_be_verified_too(site_of: SiteOf, send: Send, later: Later) -> None:
    site = site_of()
    send(site, 1, at=0.0, flow=12.5)
    do(site, lambda linking: linking.verify("FT-101", {"flow": 12.5}, WHO, later(60.0)))
    made = site.linking.links.open["FT-101"]
    assert (made.by_file, made.node, made.verified) == (True, FIRST, True)
    send(site, 2, at=900.0, flow=14.0)  # the file goes on linking it
    assert site.states["FT-101"].readings[0].value == 14.0


def test_what_a_display_would_be_compared_with_is_told_before_anything_is_entered(
    site: Site, send: Send, later: Later
) -> None:
    def flow(at: float) -> Comparable:
        link = site.linking.sits("FT-101", later(at))
        return comparables(site.states["FT-101"], link, later(at))[0]

    assert site.linking.sits("FT-101", later(0.0)) is None
    assert flow(0.0) == Comparable("flow", "flow", "m3/h", None, 0, None, None)
    send(site, 1, node=9, at=0.0, flow=12.5)
    link(site, "FT-101", OTHER, later(60.0))
    assert flow(90.0)[3:] == (12.5, 0, 90.0, Bounds(5.0, 5.0))  # what the node had sent before; 1 % of 0 .. 500 m3/h
    send(site, 2, node=9, at=900.0, flow=13.5)
    assert flow(960.0)[3:] == (13.5, 0, 60.0, Bounds(5.0, 5.0))
    do(site, lambda linking: linking.swap_node("FT-101", DeviceCode(THIRD), WHO, later(1000.0)))
    assert flow(1010.0)[3:] == (None, 0, None, None)


def test_a_nodes_battery_is_read_and_no_display_is_held_against_it(
    counting_site: Site, send: Send, later: Later
) -> None:
    link(counting_site, "FT-101", OTHER, later(0.0))
    send(counting_site, 1, node=9, at=900.0, flow=12.5, battery=3.6)
    sits = counting_site.linking.sits("FT-101", later(960.0))
    told = {each.field: each for each in comparables(counting_site.states["FT-101"], sits, later(960.0))}
    assert (told["battery"].value, told["battery"].bounds) == (3.6, None)
    assert told["flow"].bounds is not None


def test_a_link_of_the_file_is_told_before_anything_is_on_record(site_of: SiteOf, send: Send, later: Later) -> None:
    site = site_of()
    send(site, 1, at=0.0, flow=12.5)
    for at in (60.0, 70.0):
        sits = site.linking.sits("FT-101", later(at))
        assert sits is not None
        assert (sits.by_file, sits.node, sits.since) == (True, FIRST, later(0.0).utc)
    assert site.linking.links.open == {}
    do(site, lambda linking: linking.verify("FT-101", {"flow": 12.5}, WHO, later(80.0)))
    assert site.linking.links.open["FT-101"].number == 1


def test_a_link_keeps_its_last_comparisons_only(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    for _ in range(MOST_CHECKS + 1):
        do(site, lambda linking: linking.verify("FT-101", {"flow": 12.5}, WHO, later(960.0)))
    assert len(site.linking.links.open["FT-101"].checks) == MOST_CHECKS


# Off again, and exchanged


def test_a_meter_whose_node_is_taken_off_keeps_its_reading_and_is_stale_at_once(
    site: Site, send: Send, later: Later, registers: Callable[..., tuple[int, ...]]
) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5, volume=7, methane=1.0)
    image = site.images[1]
    assert isinstance(image, Image)
    assert registers(image, 100, 1, later(901.0)) == (1,)  # good
    assert site.figures.figure("meters_stale", later(901.0)) == 0
    do(site, lambda linking: linking.unlink("FT-101", WHO, later(1000.0), "meter taken out"))
    assert send(site, 2, node=9, at=1800.0, flow=99.0) == ["uplink refused"]
    state = site.states["FT-101"]
    assert (state.node, state.readings[0].value, state.reasons) == (None, 12.5, Reason.STALE)
    assert registers(image, 100, 1, later(1001.0)) == (Reason.STALE | 2,)
    assert site.figures.figure("meters_stale", later(1001.0)) == 1
    happened = [event for event, *_ in events(site.take_kept())]
    assert happened[-2:] == ["node unlinked", "meter is stale"]
    assert quality_sentence(state, later(1020.0)) == "uncertain: no node sits on it, last heard 2 min ago"
    assert list(site.tick(later(2700.0))) == []  # it is no news at its time
    assert [node.node for node in site.linking.heard] == [OTHER]
    (past,) = site.linking.links.past["FT-101"]
    assert past.end == (later(1000.0).utc, WHO, "meter taken out")


def test_what_is_not_linked_cannot_be_unlinked(site: Site, start: Now) -> None:
    assert refused(site, lambda linking: linking.unlink("FT-101", WHO, start)) == "no node sits on FT-101."


def test_a_frame_that_came_before_is_no_news_after_its_node_was_moved(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 5, node=9, at=900.0, flow=12.5)
    do(site, lambda linking: linking.unlink("FT-101", WHO, later(910.0)))
    link(site, "FT-102", OTHER, later(920.0))
    assert send(site, 5, node=9, at=900.0, flow=12.5) == []
    assert site.states["FT-102"].readings[0].value is None
    assert site.figures.counts.duplicate == 1


def test_an_exchange_of_the_node_moves_no_reading_and_its_total_carries_on(
    counting_site: Site, send: Send, later: Later
) -> None:
    site = counting_site
    link(site, "FT-101", OTHER, later(0.0), notes={"place": "pit 3"})
    send(site, 1, node=9, at=900.0, volume=100)
    send(site, 2, node=9, at=1800.0, volume=110)
    do(site, lambda linking: linking.swap_node("FT-101", DeviceCode(THIRD), WHO, later(1900.0)))
    state = site.states["FT-101"]
    assert (state.readings[1].value, state.counter, state.radio.rssi) == (110, None, None)
    assert state.reasons & Reason.STALE  # until the new node is heard
    send(site, 1, node=3, at=2700.0, volume=115)  # a lower counter, and yet news: it is another node
    assert (state.readings[1].value, state.totals[1].so_far) == (115, 115)
    assert send(site, 3, node=9, at=2700.0, volume=400) == ["uplink refused"]
    new, (old,) = site.linking.links.open["FT-101"], site.linking.links.past["FT-101"]
    assert (old.node, new.node, new.place, old.end and old.end.why) == (OTHER, THIRD, "pit 3", "node exchanged")
    assert ("node unlinked", "FT-101", WHO) in (found := events(site.take_kept()))
    assert found[-1] == ("node linked", "FT-101", WHO)


def test_only_a_node_that_is_there_can_be_exchanged(site: Site, start: Now) -> None:
    said = refused(site, lambda linking: linking.swap_node("FT-101", DeviceCode(OTHER), WHO, start))
    assert said == "FT-101 has no node to exchange. Link it."


def test_an_exchange_of_the_meter_carries_the_total_over_by_what_both_counters_show(
    counting_site: Site, send: Send, later: Later
) -> None:
    site = counting_site
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, volume=100)
    do(site, lambda linking: linking.verify("FT-101", {"volume": 100.0}, WHO, later(900.0)))
    act = {"volume": Exchanged(130.0, 4.0)}
    do(site, lambda linking: linking.swap_meter("FT-101", act, WHO, later(1800.0)))
    state = site.states["FT-101"]
    assert (state.totals[1].so_far, state.reasons & Reason.STALE) == (130, Reason.STALE)
    since = "nothing since the node or the meter was exchanged, expected every 15 min"
    assert since in quality_sentence(state, later(1800.0))
    send(site, 2, node=9, at=2700.0, volume=10)
    assert (state.totals[1].so_far, state.readings[1].reasons) == (136, 0)
    new, (old,) = site.linking.links.open["FT-101"], site.linking.links.past["FT-101"]
    assert (old.verified, new.verified, new.node, old.end and old.end.why) == (True, None, OTHER, "meter exchanged")
    assert [event for event, *_ in events(site.take_kept())][-3:-1] == ["total set by hand", "meter exchanged"]


def test_where_the_old_counter_cannot_be_read_the_total_stands_as_it_is(
    counting_site: Site, send: Send, later: Later
) -> None:
    site = counting_site
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, volume=100)
    do(site, lambda linking: linking.swap_meter("FT-101", {"volume": Exchanged(None, 0.0)}, WHO, later(1800.0)))
    assert site.states["FT-101"].totals[1].so_far == 100


@pytest.mark.parametrize(
    ("counters", "says"),
    [
        ({}, "say what the counters of the old and the new meter show of volume"),
        ({"volume": Exchanged(99.0, 0.0)}, "the old counter cannot have gone from 100 to 99"),
        ({"volume": Exchanged(500.0, 0.0)}, "the old counter cannot have gone from 100 to 500"),  # 0.1 m3/s at most
        ({"volume": Exchanged(110.0, -1.0)}, "-1 is nothing that the counter of volume shows"),
        ({"volume": Exchanged(110.0, 0.0), "flow": Exchanged(1.0, 1.0)}, "FT-101 flow does not count"),
        ({"gas": Exchanged(110.0, 0.0)}, "FT-101 has no field gas"),
    ],
)
def test_counters_that_cannot_be_are_refused(
    counting_site: Site, send: Send, later: Later, counters: dict[str, Exchanged], says: str
) -> None:
    link(counting_site, "FT-101", OTHER, later(0.0))
    send(counting_site, 1, node=9, at=900.0, volume=100)
    total = counting_site.states["FT-101"].totals[1]
    assert says in refused(counting_site, lambda linking: linking.swap_meter("FT-101", counters, WHO, later(1800.0)))
    assert counting_site.states["FT-101"].totals[1] == total


def test_a_meter_that_the_file_links_can_be_exchanged(
    site_of: SiteOf, watchful: Profile, send: Send, later: Later
) -> None:
    site = site_of(profile=watchful)
    send(site, 1, volume=100)
    do(site, lambda linking: linking.swap_meter("FT-101", {"volume": Exchanged(101.0, 0.0)}, WHO, later(600.0)))
    assert site.states["FT-101"].totals[1].so_far == 101
    assert [past.node for past in site.linking.links.past["FT-101"]] == [FIRST]


# What was set aside before


def test_what_was_set_aside_before_the_node_sat_there_is_not_of_the_meter(
    site: Site, message: Callable[..., bytes], later: Later
) -> None:
    link(site, "FT-101", OTHER, later(1000.0), since=later(500.0).utc)
    early, since = (message(counter, node=9, at=at, flow=at / 100) for counter, at in ((1, 400.0), (2, 600.0)))
    with pytest.raises(DecodeError, match=f"{OTHER} was not on FT-101 yet when it came"):
        site.replay("lns/a/up", early, arrived=later(400.0).utc, now=later(1100.0))
    site.replay("lns/a/up", since, arrived=later(600.0).utc, now=later(1100.0))
    assert site.states["FT-101"].readings[0].value == 6.0
    assert site.states["FT-101"].age(later(1100.0).monotonic) == 500.0


@pytest.mark.parametrize("at", [1001.0, 300.0])
def test_a_node_sits_there_since_a_time_that_can_be(site: Site, later: Later, at: float) -> None:
    link(site, "FT-101", THIRD, later(0.0))
    do(site, lambda linking: linking.unlink("FT-101", WHO, later(400.0)))
    said = refused(
        site, lambda linking: linking.link("FT-101", DeviceCode(OTHER), WHO, later(1000.0), since=later(at).utc)
    )
    assert ("has not come yet" if at > 1000 else f"node {THIRD} sat on FT-101 until ") in said


# Restart, and files taken anew


def test_links_outlive_a_restart_with_all_that_is_on_record(
    site: Site, send: Send, later: Later, remembered: RememberedOf
) -> None:
    link(site, "FT-101", THIRD, later(0.0))
    do(site, lambda linking: linking.swap_node("FT-101", read_code(QR), WHO, later(10.0)))
    send(site, 1, node=9, at=900.0, flow=12.5)
    do(site, lambda linking: linking.verify("FT-101", {"flow": 12.5}, WHO, later(960.0)))
    anew = Site(site.declared, later(2000.0))
    anew.restore(remembers(remembered, site.take_kept()), later(2000.0))
    assert anew.linking.links.open == site.linking.links.open
    assert anew.linking.links.past == site.linking.links.past
    assert anew.states["FT-101"].reasons & Reason.RESTORED
    assert anew.states["FT-101"].counter == 1
    send(anew, 2, node=9, at=2100.0, flow=13.0, volume=7, methane=1.0)
    assert anew.states["FT-101"].reasons == 0
    link(anew, "FT-102", THIRD, later(2200.0))
    assert anew.linking.links.open["FT-102"].number == 3


def test_after_an_exchange_and_a_restart_the_old_nodes_radio_is_not_shown(
    site: Site, send: Send, later: Later, remembered: RememberedOf
) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 7, node=9, at=900.0, flow=12.5)
    do(site, lambda linking: linking.swap_node("FT-101", DeviceCode(THIRD), WHO, later(1000.0)))
    anew = Site(site.declared, later(2000.0))
    anew.restore(remembers(remembered, site.take_kept()), later(2000.0))
    state = anew.states["FT-101"]
    assert (state.node, state.counter, state.radio.rssi, state.readings[0].value) == (THIRD, None, None, 12.5)
    assert state.reasons & Reason.STALE


def test_a_meter_whose_node_was_taken_off_is_stale_after_a_restart_too(
    site: Site, send: Send, later: Later, remembered: RememberedOf
) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 7, node=9, at=900.0, flow=12.5, volume=7, methane=1.0)
    do(site, lambda linking: linking.unlink("FT-101", WHO, later(950.0)))
    anew = Site(site.declared, later(1000.0))
    anew.restore(remembers(remembered, site.take_kept()), later(1000.0))
    assert anew.states["FT-101"].reasons == Reason.STALE | Reason.RESTORED


def test_what_the_new_meter_has_not_sent_yet_is_stale_after_a_restart_too(
    site: Site, send: Send, later: Later, remembered: RememberedOf
) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 7, node=9, at=900.0, flow=12.5, volume=7, methane=1.0)
    do(site, lambda linking: linking.swap_meter("FT-101", {}, WHO, later(950.0)))
    assert {each.reasons for each in site.states["FT-101"].readings[:3]} == {Reason.STALE}
    send(site, 8, node=9, at=1000.0, flow=13.5)
    anew = Site(site.declared, later(1010.0))
    anew.restore(remembers(remembered, site.take_kept()), later(1010.0))
    state = anew.states["FT-101"]
    flow, volume, methane, _ = state.readings
    assert (flow.reasons, volume.reasons, methane.reasons) == (
        Reason.RESTORED,
        Reason.STALE | Reason.RESTORED,
        Reason.STALE | Reason.RESTORED,
    )
    assert "no volume, methane since the node or the meter was exchanged" in quality_sentence(state, later(1010.0))


def test_what_is_of_another_node_by_the_file_is_stale_at_once(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    site.take_kept()
    anew = taken_anew(site, declare(site, FIRST, None), later(1000.0))
    state = anew.states["FT-101"]
    assert (state.readings[0].value, state.readings[0].reasons) == (12.5, Reason.STALE)
    assert ("meter is stale", "FT-101", "") in events(anew.take_kept())


def taken_anew(site: Site, declared: Declared, now: Now) -> Site:
    anew = Site(declared, now, site)
    anew.take_over(site, "technician", now)
    return anew


def test_links_go_on_when_the_files_are_taken_anew(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    anew = taken_anew(site, site.declared, later(1000.0))
    state = anew.states["FT-101"]
    assert (state.node, state.counter, state.readings[0].value) == (OTHER, 1, 12.5)
    assert send(anew, 1, node=9, at=900.0, flow=12.5) == []
    assert anew.figures.counts.duplicate == 1
    send(anew, 2, node=9, at=1800.0, flow=14.0)
    assert state.readings[0].value == 14.0


def test_where_the_file_comes_to_name_another_node_the_file_wins(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    anew = taken_anew(site, declare(site, FIRST, None), later(1000.0))
    assert ("node unlinked", "FT-101", "technician") in events(anew.take_kept())
    assert send(anew, 1, node=9, at=1100.0, flow=12.5) == ["uplink refused"]
    assert send(anew, 1, node=1, at=1100.0, flow=13.5) == []
    (past,) = anew.linking.links.past["FT-101"]
    assert past.end == (later(1000.0).utc, "technician", f"meters.yaml puts {FIRST} on FT-101")


def test_where_the_file_comes_to_name_the_same_node_the_link_goes_over_to_it(
    site: Site, send: Send, later: Later
) -> None:
    link(site, "FT-101", OTHER, later(0.0), notes={"place": "pit 3"})
    send(site, 1, node=9, at=900.0, flow=12.5)
    anew = taken_anew(site, declare(site, OTHER, None), later(1000.0))
    made = anew.linking.links.open["FT-101"]
    assert (made.by_file, made.place, anew.states["FT-101"].counter) == (True, "pit 3", 1)
    assert ("link taken over by meters.yaml", "FT-101", "technician") in events(anew.take_kept())
    again = taken_anew(anew, declare(site, None, None), later(2000.0))
    assert again.states["FT-101"].node is None
    (past,) = again.linking.links.past["FT-101"]
    assert past.end is not None
    assert past.end.why == "meters.yaml links its meter no longer"


def test_where_the_file_puts_the_node_on_another_meter_the_file_wins(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    anew = taken_anew(site, declare(site, None, OTHER), later(1000.0))
    assert send(anew, 1, node=9, at=900.0, flow=12.5) == []  # heard before its node was moved
    assert send(anew, 2, node=9, at=1800.0, flow=14.0) == []
    assert (anew.states["FT-101"].node, anew.states["FT-102"].readings[0].value) == (None, 14.0)
    assert anew.linking.links.open == {}


def test_the_file_wins_after_a_restart_too(site: Site, later: Later, remembered: RememberedOf) -> None:
    link(site, "FT-101", OTHER, later(0.0))
    anew = Site(declare(site, FIRST, None), later(100.0))
    anew.restore(remembers(remembered, site.take_kept()), later(100.0))
    assert (anew.states["FT-101"].node, anew.linking.links.open) == (FIRST, {})
    assert events(anew.take_kept()) == [("node unlinked", "FT-101", "")]


def test_a_link_rests_while_its_meter_is_gone_from_the_file(site: Site, send: Send, later: Later) -> None:
    link(site, "FT-102", OTHER, later(0.0))
    without = replace(site.declared, meters=site.declared.meters[:1], devices=())
    gone = taken_anew(site, without, later(100.0))
    assert send(gone, 1, node=9, at=200.0, flow=12.5) == ["uplink refused"]
    back = taken_anew(gone, site.declared, later(300.0))
    assert send(back, 2, node=9, at=400.0, flow=13.5) == []
    assert back.states["FT-102"].readings[0].value == 13.5


def test_a_resting_link_makes_room_for_another_of_its_node(site: Site, later: Later) -> None:
    link(site, "FT-102", OTHER, later(0.0))
    without = replace(site.declared, meters=site.declared.meters[:1], devices=())
    gone = taken_anew(site, without, later(100.0))
    link(gone, "FT-101", OTHER, later(200.0))
    back = taken_anew(gone, site.declared, later(300.0))
    assert (back.states["FT-101"].node, back.states["FT-102"].node) == (OTHER, None)
    (past,) = back.linking.links.past["FT-102"]
    assert past.end is not None
    assert past.end.why.startswith("its meter is gone from meters.yaml")


# How far the site is


def test_the_site_says_how_far_it_is(site_of: SiteOf, send: Send, later: Later) -> None:
    site = Site(declare(site_of(5), FIRST, SECOND, None, None, None), later(0.0))
    link(site, "FT-103", OTHER, later(0.0))
    send(site, 1, node=9, at=600.0, flow=12.5)
    do(site, lambda linking: linking.verify("FT-103", {"flow": 12.5}, WHO, later(660.0)))
    link(site, "FT-104", THIRD, later(0.0))
    send(site, 1, node=3, at=600.0, flow=12.5)
    do(site, lambda linking: linking.verify("FT-104", {"flow": 99.0}, WHO, later(660.0)))
    send(site, 1, node=2, at=600.0, flow=12.5)
    rows = [progress_of(state, site.linking, later(700.0)) for state in site.states.values()]
    assert [row.stage for row in rows] == [
        Stage.LINKED,
        Stage.HEARD,
        Stage.VERIFIED,
        Stage.DISAGREES,
        Stage.NOT_YET,
    ]
    assert counted(rows) == {"meters": 5, "linked": 4, "heard": 3, "verified": 1, "disagree": 1, "not_yet": 1}
    assert (rows[2].node, rows[2].by_file, rows[2].who, rows[2].age) == (OTHER, False, WHO, 100.0)
    do(site, lambda linking: linking.swap_node("FT-103", DeviceCode("70b3d57ed0000008"), WHO, later(800.0)))
    assert progress_of(site.states["FT-103"], site.linking, later(900.0)).stage is Stage.LINKED


def test_links_are_no_readings_and_no_states(site: Site, start: Now) -> None:
    link(site, "FT-101", OTHER, start)
    assert not [each for each in site.take_kept() if isinstance(each, KeptUplink | KeptState)]
