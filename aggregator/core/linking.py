"""Linking on the spot: who puts which node on which meter, takes it off, exchanges either, and proves it right.

    link         a node that sits nowhere onto a meter that has none
    verify       what the meter's display shows against what the node reads
    swap_node    another node onto the same meter
    swap_meter   another meter onto the same node; its totals carry on
    unlink       the node off the meter

None of it moves a register. meters.yaml goes before all of it: what it links, nothing here links otherwise, and where
it comes to say something else a link that was made here ends. A link of a meter that the file has no longer rests until
the meter is back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime

from aggregator.core.counting import Exchanged, exchange_counters
from aggregator.core.decoding import read
from aggregator.core.device_code import DeviceCode
from aggregator.core.errors import CannotLink, DecodeError
from aggregator.core.heard import HeardNodes
from aggregator.core.keeping import KeptLink, Remembered
from aggregator.core.link import End, Link, Seen
from aggregator.core.links import Links
from aggregator.core.meter import MeterState
from aggregator.core.outbox import Note, Outbox
from aggregator.core.reading import Now
from aggregator.core.sequence import Sequence
from aggregator.core.slip import no_meter
from aggregator.core.verification import MILLISECOND, compare_all, index_of

MOST_FRAMES = 1000  # nodes taken off their meters of which it is known which frames were heard
NODE_EXCHANGED, METER_EXCHANGED = "node exchanged", "meter exchanged"
NOTHING: Mapping[str, str] = {}
NO_FIELDS: Mapping[str, float] = {}


class Linking:
    """The links of a site. `by_node` is kept as they are; `paint` shows a meter whose reasons were as given before.

    `turned` tells journal and alarms that a meter's readings are stale. They are from the moment on that its node is
    taken off or anything is exchanged: fresh is only what the node that sits there now has read of the meter that
    stands there now.
    """

    def __init__(
        self,
        states: Mapping[str, MeterState],
        by_node: dict[str, MeterState],
        heard: HeardNodes,
        outbox: Outbox,
        paint: Callable[[MeterState, int], None],
        turned: Callable[[MeterState, Now], list[Note]],
    ) -> None:
        self.heard = heard
        self.links = Links(outbox)
        self._states = states
        self._by_node = by_node
        self._outbox = outbox
        self._paint = paint
        self._turned = turned
        self._frames: dict[str, Sequence] = {}  # of nodes that were taken off a meter in this run

    # The acts

    def link(
        self,
        tag: str,
        code: DeviceCode,
        who: str,
        now: Now,
        *,
        since: float | None = None,
        notes: Mapping[str, str] = NOTHING,
        shows: Mapping[str, float] = NO_FIELDS,
    ) -> list[Note]:
        """Put a node on a meter, `since` a UTC second or now. `shows` is what the meter's display shows, by field.

        Raises CannotLink; nothing has changed then.
        """
        state = self._state(tag)
        self._must_be_free(state, code.node)
        if tag in self.links.open:
            link = self.links.open[tag]
            what = f"{tag} has node {link.node} since {_text(link.since)}. Exchange the node if another one sits there"
            raise CannotLink(f"{what}, or unlink it first.")
        return self._put(self._new(state, code, who, now, since).noted(notes), shows, now)

    def swap_node(
        self,
        tag: str,
        code: DeviceCode,
        who: str,
        now: Now,
        *,
        since: float | None = None,
        notes: Mapping[str, str] = NOTHING,
        shows: Mapping[str, float] = NO_FIELDS,
    ) -> list[Note]:
        """Put another node on a meter in place of the one that sits there. Raises CannotLink."""
        state = self._state(tag)
        self._must_be_free(state, code.node)
        if tag not in self.links.open:
            raise CannotLink(f"{tag} has no node to exchange. Link it.")
        old = self.links.open[tag]
        stays = {"place": old.place, "antenna": old.antenna}
        return self._put(self._new(state, code, who, now, since).noted({**stays, **notes}), shows, now, instead_of=old)

    def swap_meter(
        self, tag: str, counters: Mapping[str, Exchanged], who: str, now: Now, *, notes: Mapping[str, str] = NOTHING
    ) -> list[Note]:
        """Another meter of the same model stands in the place of the old one, on the same node.

        `counters` is what both show, by field, of each that counts: from there its total carries on. What was verified
        of the old meter proves nothing of the new one. Raises CannotLink; nothing has changed then.
        """
        state = self._state(tag)
        shown = {index_of(state, field): each for field, each in counters.items()}
        new = None
        if tag in self.links.open or state.node is not None:
            old = self._on_record(state, now)
            new = self._renewed(old, who, now).noted(notes)
        totals = exchange_counters(state, shown, self._outbox, who, now)
        before, turned = state.reasons, state.part_from_before()
        self._paint(state, before)
        facts = {field: each._asdict() for field, each in counters.items()}
        swapped = self._outbox.event("meter exchanged", tag, now, {"node": state.node, **facts}, who=who)
        if new is not None:
            self.links.keep(replace(old, end=End(now.utc, who, METER_EXCHANGED)))
            self.links.keep(new)
            state.sits_since = new.since if not new.by_file else state.sits_since
        return [*totals, swapped, *(self._turned(state, now) if turned else [])]

    def verify(
        self, tag: str, shows: Mapping[str, float], who: str, now: Now, *, notes: Mapping[str, str] = NOTHING
    ) -> list[Note]:
        """Compare what a meter's display shows, by field, with what its node reads. Raises CannotLink."""
        state = self._state(tag)
        link = self._on_record(state, now).noted(notes)
        if not shows:
            raise CannotLink("say what the meter's display shows of at least one field.")
        link = link.checked(compare_all(state, link, shows, who, now))
        self.links.keep(link)
        facts = {"node": link.node, **notes, **_told(link, shows)}
        event = "link verified" if link.verified else "reading and display do not agree"
        return [self._outbox.event(event, tag, now, facts, who=who, warning=not link.verified)]

    def note(self, tag: str, notes: Mapping[str, str], who: str, now: Now) -> list[Note]:
        """Put notes on record: place, antenna, note, photo. Raises CannotLink."""
        link = self._on_record(self._state(tag), now).noted(notes)
        self.links.keep(link)
        return [self._outbox.event("link noted", tag, now, {"node": link.node, **notes}, who=who)]

    def sits(self, tag: str, now: Now) -> Link | None:
        """A meter's open link; one that the file makes also before anything of it is on record. Raises CannotLink."""
        state = self._state(tag)
        return self.links.open.get(tag) or (self._of_file(state, 0, now) if state.meter.node else None)

    def unlink(self, tag: str, who: str, now: Now, why: str = "") -> list[Note]:
        """Take the node off a meter; its values stay, and are stale from now on. Raises CannotLink."""
        if tag not in self.links.open:
            self._must_not_be_of_file(self._state(tag))
            raise CannotLink(f"no node sits on {tag}.")
        link = self.links.open[tag]
        if link.by_file:
            self._must_not_be_of_file(self._state(tag))
        return self._end(link, End(now.utc, who, why), now)

    # Restart, and files taken anew

    def restore(self, kept: Iterable[KeptLink], now: Now) -> list[Note]:
        """Go on with the links from before a restart."""
        self.links.restore(kept)
        return self._settle("", now)

    def recall(self, state: MeterState, before: Remembered, now: Now) -> None:
        """Tell what of that which was restored of a meter came of the node and the meter that are there now."""
        link = self.links.open.get(state.meter.tag)
        ended = max((each.end.at for each in self.links.past.get(state.meter.tag, ()) if each.end), default=-math.inf)
        at = -math.inf if before.arrived is None else before.arrived
        if before.node != state.node or at < ended or (link is not None and at < link.since):
            state.part_from_before()
        elif ended > -math.inf:  # of fields that the newest uplink did not carry
            newest = max(before.at.values(), default=ended)
            state.part_from(now.monotonic - (now.utc - min(ended, newest)) - MILLISECOND)

    def take_over(self, before: Linking, who: str, now: Now) -> list[Note]:
        """Go on with the links of the site before, as `who` has had its files taken anew."""
        self.links, self._frames = before.links, before._frames
        return self._settle(who, now)

    def _settle(self, who: str, now: Now) -> list[Note]:
        """Let meters.yaml have its way, and every other link hold."""
        by_file = {state.meter.node: tag for tag, state in self._states.items() if state.meter.node}
        notes: list[Note] = []
        for tag, link in list(self.links.open.items()):
            state = self._states.get(tag)
            why = _overruled(link, state, by_file.get(link.node))
            if why is not None:
                notes += self._end(link, End(now.utc, who, why), now)
            elif state is not None and state.meter.node is None:
                self._seat(link)
            elif state is not None and not link.by_file:
                self.links.keep(replace(link, by_file=True))
                facts = {"node": link.node, "by": link.who}
                notes.append(self._outbox.event("link taken over by meters.yaml", tag, now, facts, who=who))
        for node in self._by_node:
            self.heard.forget(node)
        return notes

    # What stands in the way

    def _state(self, tag: str) -> MeterState:
        state = self._states.get(tag)
        if state is None:
            raise CannotLink(no_meter(tag, self._states))
        return state

    @staticmethod
    def _must_not_be_of_file(state: MeterState) -> None:
        if state.meter.node is not None:
            tag, node, place = state.meter.tag, state.meter.node, state.meter.place.short
            raise CannotLink(
                f"{tag} is linked to node {node} by its file ({place}), and nothing else may link it. Change `node` "
                "there, or take it out to link the meter on the spot."
            )

    def _must_be_free(self, state: MeterState, node: str) -> None:
        """Raise CannotLink where the file links the meter, or the node sits on one."""
        self._must_not_be_of_file(state)
        there = self._by_node.get(node)
        if there is None:
            return
        tag = there.meter.tag
        if there.meter.node is not None:
            raise CannotLink(f"node {node} is on {tag}, by its file ({there.meter.place.short}). Check the labels.")
        link = self.links.open[tag]
        since = f"since {_text(link.since)}, linked by {link.who}"
        cure = "It sits there already." if there is state else f"Check the labels, or unlink {tag} first."
        raise CannotLink(f"node {node} is on {tag} {since}. {cure}")

    def _make_room(self, node: str, who: str, now: Now) -> list[Note]:
        """End a link of the node that rests because its meter is no longer declared."""
        rests = [link for tag, link in self.links.open.items() if link.node == node and tag not in self._states]
        why = "its meter is gone from meters.yaml, and the node was put elsewhere"
        return [note for link in rests for note in self._end(link, End(now.utc, who, why), now)]

    # The record

    def _new(self, state: MeterState, code: DeviceCode, who: str, now: Now, since: float | None) -> Link:
        """A link as it begins. Raises CannotLink where it begins in the future, or before another one has ended."""
        tag, node = state.meter.tag, code.node
        begin = now.utc if since is None else since
        if begin > now.utc:
            raise CannotLink(f"{_text(begin)} has not come yet. Say since when the node sits on {tag}.")
        for link in self.links.ended_of(tag, node):
            if (link.tag, link.node) == (tag, node):
                continue  # it sat there already: since when can be put right
            if since is not None and link.end is not None and link.end.at > begin:
                raise CannotLink(f"node {link.node} sat on {link.tag} until {_text(link.end.at)}. Say a later time.")
        old = self.links.open.get(tag)
        if since is not None and old is not None and old.since > begin:
            raise CannotLink(f"node {old.node} was put on {tag} at {_text(old.since)}. Say a later time.")
        label = {key: getattr(code, key) for key in ("join", "profile", "owner", "serial", "proprietary")}
        return Link(
            self.links.new_number(),
            tag,
            node,
            begin,
            now.utc,
            who,
            self._outbox.clock,
            label={key: value for key, value in label.items() if value is not None},
            seen=self._seen(state, node),
        )

    def _seen(self, state: MeterState, node: str) -> Seen | None:
        """What the node sent last, by the meter's profile; None where it was not heard or cannot be read."""
        heard = self.heard.get(node)
        for each in reversed(heard.newest if heard is not None else ()):
            try:
                return Seen(each.at, each.uplink.radio, read(state.meter.profile, each.uplink))
            except DecodeError:
                continue
        return None

    def _renewed(self, old: Link, who: str, now: Now) -> Link:
        """The same node in the same place, of which nothing is verified yet."""
        number, clock = self.links.new_number(), self._outbox.clock
        renewed = replace(old, number=number, since=now.utc, entered=now.utc, who=who, clock=clock)
        return replace(renewed, note="", photo=None, seen=None, checks=())

    def _on_record(self, state: MeterState, now: Now) -> Link:
        """The meter's open link; one that the file makes is begun on record with its last uplink. Raises CannotLink."""
        tag = state.meter.tag
        if tag in self.links.open:
            return self.links.open[tag]
        if state.meter.node is None:
            raise CannotLink(f"no node sits on {tag}. Link one first.")
        return self._of_file(state, self.links.new_number(), now)

    def _of_file(self, state: MeterState, number: int, now: Now) -> Link:
        """What the file says of a meter, as a link of that number."""
        assert state.meter.node is not None
        since, clock = now.utc - (state.age(now.monotonic) or 0.0), self._outbox.clock
        return Link(number, state.meter.tag, state.meter.node, since, now.utc, "meters.yaml", clock, by_file=True)

    # Carried out

    def _put(self, link: Link, shows: Mapping[str, float], now: Now, instead_of: Link | None = None) -> list[Note]:
        """Begin a link, compared with what the display shows, where nothing or another node sat. Raises CannotLink."""
        link = link.checked(compare_all(self._states[link.tag], link, shows, link.who, now))
        ended = self._end(instead_of, End(link.since, link.who, NODE_EXCHANGED), now) if instead_of else []
        return [*self._make_room(link.node, link.who, now), *ended, *self._begin(link, now)]

    def _begin(self, link: Link, now: Now) -> list[Note]:
        self.links.keep(link)
        self._seat(link)
        self.heard.forget(link.node)
        facts: dict[str, object] = {"node": link.node, "since": _text(link.since), **link.label}
        facts |= {name: text for name in ("place", "antenna", "note") if (text := getattr(link, name))}
        facts |= _told(link, link.latest_checks())
        warning = link.verified is False
        return [self._outbox.event("node linked", link.tag, now, facts, who=link.who, warning=warning)]

    def _end(self, link: Link, end: End, now: Now) -> list[Note]:
        self.links.keep(replace(link, end=end))
        state, turned = self._by_node.get(link.node), False
        if state is not None and state.meter.tag == link.tag and state.meter.node is None:
            del self._by_node[link.node]
            self._frames[link.node] = state.sequence
            if len(self._frames) > MOST_FRAMES:
                del self._frames[next(iter(self._frames))]
            before, turned = state.reasons, state.seat(None, now.utc)
            self._paint(state, before)
        facts = {"node": link.node, **({"why": end.why} if end.why else {})}
        unlinked = self._outbox.event("node unlinked", link.tag, now, facts, who=end.who)
        return [unlinked, *(self._turned(state, now) if state is not None and turned else [])]

    def _seat(self, link: Link) -> None:
        state = self._states[link.tag]
        self._by_node[link.node] = state
        state.seat(link.node, link.since, self._frames.pop(link.node, None))  # what was there before is stale already
        self._paint(state, state.reasons)


def _overruled(link: Link, state: MeterState | None, holder: str | None) -> str | None:
    """Why meters.yaml, which puts the node on `holder`, leaves a link no room; None where it does."""
    if state is None and link.by_file:
        return "its meter is gone from meters.yaml"
    if holder is not None and holder != link.tag:
        return f"meters.yaml puts {link.node} on {holder}"
    if state is not None and state.meter.node not in (None, link.node):
        return f"meters.yaml puts {state.meter.node} on {link.tag}"
    if state is not None and state.meter.node is None and link.by_file:
        return "meters.yaml links its meter no longer"
    return None


def _told(link: Link, fields: Iterable[str]) -> dict[str, object]:
    """The last comparisons of some fields in words, for the journal."""
    latest = link.latest_checks()
    return {field: str(latest[field]).partition(": ")[2] for field in fields if field in latest}


def _text(moment: float) -> str:
    return datetime.fromtimestamp(moment, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
