"""The site: every meter's present state, and the one road on which anything changes it.

    receive(topic, message)  ->  open envelope -> find meter -> place in sequence -> decode -> judge -> image
    replay(topic, message)   ->  the same for a message that was set aside, as old as it is
    tick()                   ->  what has become too old turns stale
    write(...)               ->  what a Modbus client wrote, already checked to be whole

Each call is one synchronous step. It returns notes, for the log, and lays out what is to be kept (`take_kept`):
readings for the history, events for the journal, messages set aside. The site knows no clock, file, socket or logger.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from aggregator.core.address_map import Device, Shows, fingerprint
from aggregator.core.counting import carry_totals_on, set_total
from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.figures import Figures
from aggregator.core.image import Image, Write
from aggregator.core.judge import NODE_CLOCK_OFF, SENSOR_FAULT, judge, time_of
from aggregator.core.keeping import ClockState, Kept, Remembered
from aggregator.core.meter import DECODE_FAILED, UNDER_TEST, Meter, MeterState
from aggregator.core.modbus import Tables
from aggregator.core.outbox import Note, Outbox, Readings
from aggregator.core.profile import Pairs
from aggregator.core.reading import Fault, Now, Times
from aggregator.core.sequence import Arrival, Sequence
from aggregator.core.silence import Silence
from aggregator.core.topic import matches
from aggregator.core.uplink import LONGEST_MESSAGE, Envelope, Uplink

ALL_UNITS = 256
FIRST_DEVICE_UNITS = (0, 255)  # how a device that is spoken to directly is called (TCP/IP guide 4.4.1.3, from memory)
MOST_TOPICS = 10_000  # topics whose envelope is remembered; a site has one a node


@dataclass(frozen=True, slots=True)
class Declared:
    """A whole site as its files declare it, checked and ready to run."""

    name: str
    meters: tuple[Meter, ...]
    envelopes: tuple[Envelope, ...]
    devices: tuple[Device, ...]

    def profile_count(self) -> int:
        """How many meter models the site has."""
        return len({meter.profile.name for meter in self.meters})


Notes = Iterable[Note]
NOTHING: tuple[Note, ...] = ()


class Site:
    """A running site. One owner calls it, from one thread."""

    def __init__(self, declared: Declared, now: Now) -> None:
        self.declared = declared
        self.states = {meter.tag: MeterState(meter) for meter in declared.meters}
        self.by_node = {meter.node: self.states[meter.tag] for meter in declared.meters if meter.node}
        self.sequences = {node: Sequence() for node in self.by_node}
        self.figures = Figures(now, fingerprint(declared.devices), (state.reasons for state in self.states.values()))
        self.images = {
            device.unit_id: Image(device, self.states, self.figures.figure, self.accept) for device in declared.devices
        }
        self._envelopes: dict[str, Envelope | None] = {}
        self._silence = Silence()
        self._notes: list[Note] = []
        self._outbox = Outbox()

    def units(self) -> list[Tables | None]:
        """Who answers each unit id on TCP: the declared ones, and the first device also as 0 and 255."""
        units: list[Tables | None] = [None] * ALL_UNITS
        first = self.images[self.declared.devices[0].unit_id]
        if self.declared.devices[0].answers_all_units:
            units = [first] * ALL_UNITS
        for unit in FIRST_DEVICE_UNITS:
            units[unit] = first
        for unit, image in self.images.items():
            units[unit] = image
        return units

    def set_broker_connected(self, connected: bool) -> None:
        """Show whether the broker can be heard."""
        self.figures.broker_connected = connected
        self._figures_changed()

    def set_clock_trusted(self, trusted: bool) -> None:
        """Show whether the gateway's wall clock is kept right by anything."""
        if trusted != self.figures.clock_trusted:
            self.figures.clock_trusted = trusted
            self._outbox.clock = ClockState.TRUSTED if trusted else ClockState.UNTRUSTED
            self._figures_changed()

    def set_stored(self, stored: bool) -> None:
        """Show whether the store takes what it is given."""
        if stored != self.figures.stored:
            self.figures.stored = stored
            self._figures_changed()

    # Uplinks

    def receive(self, topic: str, message: bytes, *, retained: bool, now: Now) -> Notes:
        """Take one message of the broker. Never raises for what it holds; a refused one changes no value."""
        try:
            if retained:  # what the broker kept may be of any age, and comes again at every subscribe
                raise DecodeError(Refusal.RETAINED, "only live messages are taken")
            envelope = self._envelope_of(topic)
            uplink = envelope.open(message)
            return self._take(uplink, now)
        except DecodeError as error:
            return self._refuse(error, topic, message, now)

    def replay(self, topic: str, message: bytes, *, arrived: float, now: Now) -> Notes:
        """Take a message that was set aside, as it would have been taken when it arrived (UTC s).

        What it brings is as old as it is: it shows over nothing newer, and is stale at once where it is too old. Raises
        DecodeError where it is still refused; nothing has changed then.
        """
        age = max(0.0, now.utc - arrived)
        uplink = self._envelope_of(topic).open(message)
        return self._take(uplink, Now(now.monotonic - age, now.utc - age), replayed=now)

    def _envelope_of(self, topic: str) -> Envelope:
        if topic not in self._envelopes:
            if len(self._envelopes) >= MOST_TOPICS:
                self._envelopes.clear()
            found = (each for each in self.declared.envelopes if matches(each.topic, topic))
            self._envelopes[topic] = next(found, None)
        envelope = self._envelopes[topic]
        if envelope is None:
            raise DecodeError(Refusal.NO_ENVELOPE, "no topic filter of site.yaml matches")
        return envelope

    def _take(self, uplink: Uplink, now: Now, *, replayed: Now | None = None) -> Notes:
        """Take an uplink that arrived `now`; one that was set aside then is `replayed` at the present moment."""
        state = self.by_node.get(uplink.node)
        if state is None:
            raise DecodeError(Refusal.UNKNOWN_NODE, f"{uplink.node} is on no meter")
        sequence = self.sequences[uplink.node]
        lost_before = sequence.lost
        place = sequence.place_again if replayed else sequence.place
        arrival = place(uplink.counter, now.utc if uplink.received is None else uplink.received)
        self.figures.lost += sequence.lost - lost_before
        if arrival is Arrival.DUPLICATE:
            self.figures.counts.duplicate += 1
            self._figures_changed()
            return NOTHING
        try:
            pairs = decode(state, uplink)
        except DecodeError as error:
            if error.refusal is not Refusal.NO_DATA:
                error.node = uplink.node
                sequence.forget(uplink.counter)
                raise
            pairs = []
        late = arrival is Arrival.LATE
        last_observed = None if late or replayed else state.last_observed
        times, reasons = time_of(uplink.observed, uplink.received, now, last_observed)
        if late or (replayed and state.heard is not None and times.since < state.heard.since):
            return self._keep_late(state, pairs, uplink, times, reasons, now)
        if uplink.observed is not None and not reasons & NODE_CLOCK_OFF:
            state.last_observed = uplink.observed
        notes = self._faults(state, pairs, now)
        readings = state.judge(pairs, times, reasons)
        if state.counts:
            notes += carry_totals_on(state, readings, times, self._outbox, now)
        self.figures.counts.accepted += 1
        self.figures.last_accepted = max(now.monotonic, self.figures.last_accepted or -math.inf)
        self._outbox.uplink(state, uplink, readings, times, now, late=False)
        self._show(state, readings, times, uplink, replayed or now)
        if arrival is Arrival.RESTARTED:
            facts = {"node": uplink.node, "counter": uplink.counter}
            notes.append(self._outbox.event("frame counter began anew", state.meter.tag, now, facts))
        return notes or NOTHING

    def _keep_late(
        self, state: MeterState, pairs: Pairs, uplink: Uplink, times: Times, reasons: int, now: Now
    ) -> Notes:
        """An uplink older than what is shown goes into the history, and changes nothing that is shown."""
        fields = state.meter.profile.fields
        readings = [(index, judge(fields[index], value, times, reasons)) for index, value in pairs]
        self._outbox.uplink(state, uplink, readings, times, now, late=True)
        self.figures.counts.late += 1
        self._figures_changed()
        return (Note("late uplink not shown", facts={"tag": state.meter.tag, "counter": uplink.counter}),)

    def _faults(self, state: MeterState, pairs: Pairs, now: Now) -> list[Note]:
        """Journal what the meter itself reports in place of a value, once for as long as it stands."""
        fields = state.meter.profile.fields
        return [
            self._outbox.event(
                "meter reports a fault",
                state.meter.tag,
                now,
                {"field": fields[index].name, "fault": value.words},
                warning=True,
            )
            for index, value in pairs
            if isinstance(value, Fault) and not state.readings[index].reasons & SENSOR_FAULT
        ]

    def _show(self, state: MeterState, readings: Readings, times: Times, uplink: Uplink, now: Now) -> None:
        """Show what an uplink brought; one without data (a radio's keep-alive) says only that the node lives."""
        before = state.reasons
        if readings:
            state.take(readings, times, uplink.radio, uplink.counter)
            if now.monotonic - times.since >= state.shortest_limit:  # old on arrival
                state.expire(now.monotonic)
            self._silence.heard(state, times.since)
        else:
            state.radio = uplink.radio
            state.counter = uplink.counter
        self._paint(state, before)

    def _refuse(self, error: DecodeError, topic: str, message: bytes, now: Now) -> Notes:
        """Count what could not be taken, and set it aside whole for after the fix.

        Where its meter is known, the meter's status says so and its values stay.
        """
        facts = {"topic": topic}
        state = None if error.node is None else self.by_node.get(error.node)
        if state is not None and error.node is not None:
            facts |= {"tag": state.meter.tag, "node": error.node}
            # A meter that answers its node with an exception says that it cannot measure: that is its own fault word.
            self._mark(state, SENSOR_FAULT if error.refusal is Refusal.METER_EXCEPTION else DECODE_FAILED, on=True)
        self.figures.counts.rejected[error.refusal] += 1
        self._figures_changed()
        if error.refusal is not Refusal.RETAINED and len(message) <= LONGEST_MESSAGE:
            self._outbox.aside(str(error.refusal), error.detail, topic, error.node, message, now)
        return (Note("uplink refused", True, {"reason": str(error.refusal), "detail": error.detail, **facts}),)

    # Restart

    def restore(
        self, remembered: Mapping[str, Remembered], now: Now, recent: Iterable[tuple[str, int, float]] = ()
    ) -> None:
        """Show what was known before a restart, as restored and never as fresh, with its true age where that is known.

        `recent` is node, counter and when heard (UTC s) of what came last: the broker sends again what it was not told
        to be safe, and that is no news. Call it once, before any uplink.
        """
        for node, counter, heard in recent:
            if node in self.sequences:
                self.sequences[node].resume(counter, heard)
        for tag, before in remembered.items():
            state = self.states.get(tag)
            if state is None:
                continue  # no longer declared; its history stays
            shown = state.reasons
            state.restore(before, now)
            # Where nobody says when a frame was heard, one that comes again seems to be heard now, however long ago the
            # restart's beginning is: its counter alone tells it.
            moment = before.received if before.received is not None else now.utc
            if before.node in self.sequences:
                sequence = self.sequences[before.node]
                sequence.resume(before.counter, max(moment, sequence.heard))
            self._paint(state, shown)
            self._silence.look_at(state)

    # Silence

    def tick(self, now: Now) -> Notes:
        """Let what is too old by now turn stale. Call it at `next_look` or more often."""
        notes = []
        for tag in self._silence.due(now.monotonic):
            state = self.states[tag]
            before = state.reasons
            if state.expire(now.monotonic):
                self._paint(state, before)
                age = state.age(now.monotonic)
                facts = {"age": None if age is None else round(age)}
                notes.append(self._outbox.event("meter is stale", tag, now, facts, warning=True))
            self._silence.look_at(state)
        return notes

    def next_look(self) -> float:
        """The monotonic instant of the next tick that can matter, infinite where none can."""
        return self._silence.next()

    # Writes

    def accept(self, writes: list[Write], now: Now) -> None:
        """Carry out what a Modbus client wrote. Commands are levels, never toggles: a retried write changes nothing."""
        for item, tag, value, who in writes:
            if item.shows is Shows.SCRATCH:
                for image in self.images.values():
                    image.write_scratch(item.of, value)
            elif item.shows is Shows.UNDER_TEST and tag is not None:
                self.hold_in_test(tag, on=bool(value), who=who, now=now)

    def hold_in_test(self, tag: str, *, on: bool, who: str, now: Now) -> None:
        """Take a meter into test or out of it; its readings say so, and go on saying so after a restart."""
        if self._mark(self.states[tag], UNDER_TEST, on=on):
            event = "meter taken into test" if on else "meter taken out of test"
            self._notes.append(self._outbox.event(event, tag, now, who=who))
            self._outbox.state(tag, "under test", True if on else None)

    def set_total(self, tag: str, field: str, so_far: float, counter: float | None, *, who: str, now: Now) -> bool:
        """Set a running total by hand. Returns whether the meter has such a total."""
        state = self.states[tag]
        index = state.meter.profile.index_of(field)
        if index is None or index not in state.counts:
            return False
        self._notes.append(set_total(state, index, so_far, counter, self._outbox, who, now))
        self._paint(state, state.reasons)
        return True

    def take_notes(self) -> list[Note]:
        """What writes have put on record since the last call."""
        notes, self._notes = self._notes, []
        return notes

    # What is to be kept

    def take_kept(self) -> list[Kept]:
        """What the calls since the last one want kept, in order."""
        return self._outbox.take()

    def _mark(self, state: MeterState, reason: int, *, on: bool) -> bool:
        before = state.reasons
        changed = state.mark(reason, on)
        self._paint(state, before)
        return changed

    def _paint(self, state: MeterState, before: int) -> None:
        self.figures.move(before, state.reasons)
        for image in self.images.values():
            image.note_change(state.meter.tag)
            image.gateway_changed()

    def _figures_changed(self) -> None:
        for image in self.images.values():
            image.gateway_changed()


def decode(state: MeterState, uplink: Uplink) -> Pairs:
    """The values in an uplink, from its decoded fields where it has them, else from its raw payload.

    Raises DecodeError; NO_DATA where the uplink carries nothing to decode, as a node's keep-alive on port 0 does.
    """
    profile = state.meter.profile
    if isinstance(uplink.decoded, dict) and uplink.decoded and profile.decoded:
        return profile.decode_fields(uplink.decoded)
    if uplink.payload:
        if uplink.port == 0:
            raise DecodeError(Refusal.NO_DATA, "port 0 carries radio commands only")
        return profile.decode_payload(uplink.port, uplink.payload)
    if uplink.decoded is not None and not isinstance(uplink.decoded, dict):
        raise DecodeError(Refusal.WRONG_TYPE, "the decoded fields are no JSON object")
    raise DecodeError(Refusal.NO_DATA, "neither decoded fields nor a payload")
