"""The site: every meter's present state, and the one road on which anything changes it.

    receive(topic, message)  ->  open envelope -> find meter -> place in sequence -> decode -> judge -> image
    tick()                   ->  what has become too old turns stale
    write(...)               ->  what a Modbus client wrote, already checked to be whole

Each call is one synchronous step and returns notes: what the shell around the core should put on record. The site
knows no clock, file, socket or logger.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from aggregator import __version__
from aggregator.core.address_map import Device, Shows, fingerprint
from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.gateway import whole_seconds
from aggregator.core.image import Image, Write
from aggregator.core.judge import SENSOR_FAULT, judge, time_of
from aggregator.core.meter import DECODE_FAILED, UNDER_TEST, Meter, MeterState
from aggregator.core.modbus import Tables
from aggregator.core.profile import Pairs
from aggregator.core.reading import Grade, Now, Reason, Value, grade_of
from aggregator.core.sequence import Arrival, Sequence
from aggregator.core.topic import matches
from aggregator.core.uplink import Envelope, Uplink

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


@dataclass(frozen=True, slots=True)
class Note:
    """Something to put on record. `event` is a fixed phrase; `facts` are its particulars."""

    event: str
    warning: bool = False
    facts: Mapping[str, object] = field(default_factory=dict)


Notes = Iterable[Note]
NOTHING: tuple[Note, ...] = ()


@dataclass(slots=True)
class Counts:
    """What has come in since the start."""

    accepted: int = 0
    duplicate: int = 0
    late: int = 0
    rejected: Counter[Refusal] = field(default_factory=Counter)


class Site:
    """A running site. One owner calls it, from one thread."""

    def __init__(self, declared: Declared, now: Now) -> None:
        self.declared = declared
        self.started = now
        self.states = {meter.tag: MeterState(meter) for meter in declared.meters}
        self.by_node = {meter.node: self.states[meter.tag] for meter in declared.meters if meter.node}
        self.sequences = {node: Sequence() for node in self.by_node}
        self.counts = Counts()
        self.broker_connected = False
        self.clock_trusted = False
        self.last_accepted: float | None = None  # monotonic
        self.fingerprint = fingerprint(declared.devices)
        self.images = {
            device.unit_id: Image(device, self.states, self.figure, self.accept) for device in declared.devices
        }
        self._envelopes: dict[str, Envelope | None] = {}
        self._by_reasons = Counter(state.reasons for state in self.states.values())
        self._lost = 0
        # When to look whether a meter has gone stale. An uplink only ever brings a look forward; one that comes too
        # early is put off, so the cost is about one look a meter and interval, however many uplinks there are.
        self._looks: list[tuple[float, str]] = []
        self._looking: dict[str, float] = {}  # by tag, the look that holds; an entry of another instant is passed over
        self._notes: list[Note] = []

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
        self.broker_connected = connected
        self._figures_changed()

    def set_clock_trusted(self, trusted: bool) -> None:
        """Show whether the gateway's wall clock is kept right by anything."""
        if trusted != self.clock_trusted:
            self.clock_trusted = trusted
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
            return self._refuse(error, topic)

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

    def _take(self, uplink: Uplink, now: Now) -> Notes:
        state = self.by_node.get(uplink.node)
        if state is None:
            raise DecodeError(Refusal.UNKNOWN_NODE, f"{uplink.node} is on no meter")
        sequence = self.sequences[uplink.node]
        lost_before = sequence.lost
        arrival = sequence.place(uplink.counter, now.utc if uplink.received is None else uplink.received)
        self._lost += sequence.lost - lost_before
        if arrival is Arrival.DUPLICATE:
            self.counts.duplicate += 1
            self._figures_changed()
            return NOTHING
        if arrival is Arrival.LATE:
            self.counts.late += 1
            self._figures_changed()
            return (Note("late uplink not shown", facts={"tag": state.meter.tag, "counter": uplink.counter}),)
        try:
            pairs = decode(state, uplink)
        except DecodeError as error:
            if error.refusal is not Refusal.NO_DATA:
                error.node = uplink.node
                raise
            self._hear_only(state, uplink)
        else:
            self._show(state, pairs, uplink, now)
        self.counts.accepted += 1
        self.last_accepted = now.monotonic
        if arrival is Arrival.RESTARTED:
            facts = {"tag": state.meter.tag, "node": uplink.node, "counter": uplink.counter}
            return (Note("frame counter began anew", facts=facts),)
        return NOTHING

    def _show(self, state: MeterState, pairs: Pairs, uplink: Uplink, now: Now) -> None:
        times, reasons = time_of(uplink.observed, uplink.received, now)
        fields = state.meter.profile.fields
        readings = [(index, judge(fields[index], value, times, reasons)) for index, value in pairs]
        before = state.reasons
        state.take(readings, times, uplink.radio, uplink.counter)
        state.expire(now.monotonic)
        self._paint(state, before)
        self._look_later(state)

    def _hear_only(self, state: MeterState, uplink: Uplink) -> None:
        """An uplink without data (a radio's keep-alive) says that the node lives, and nothing of the meter."""
        state.radio = uplink.radio
        state.counter = uplink.counter
        self._paint(state, state.reasons)

    def _refuse(self, error: DecodeError, topic: str) -> Notes:
        """Count what could not be taken; where its meter is known, the meter's status says so and its values stay."""
        facts = {"topic": topic}
        state = None if error.node is None else self.by_node.get(error.node)
        if state is not None and error.node is not None:
            facts |= {"tag": state.meter.tag, "node": error.node}
            # A meter that answers its node with an exception says that it cannot measure: that is its own fault word.
            self._mark(state, SENSOR_FAULT if error.refusal is Refusal.METER_EXCEPTION else DECODE_FAILED, on=True)
        self.counts.rejected[error.refusal] += 1
        self._figures_changed()
        return (Note("uplink refused", True, {"reason": str(error.refusal), "detail": error.detail, **facts}),)

    # Silence

    def tick(self, now: Now) -> Notes:
        """Let what is too old by now turn stale. Call it at `next_look` or more often."""
        notes = []
        while self._looks and self._looks[0][0] <= now.monotonic:
            due, tag = heapq.heappop(self._looks)
            if self._looking.get(tag) != due:
                continue  # an earlier look was put in its place
            del self._looking[tag]
            state = self.states[tag]
            before = state.reasons
            if state.expire(now.monotonic):
                self._paint(state, before)
                age = state.age(now.monotonic)
                notes.append(Note("meter is stale", True, {"tag": tag, "age": None if age is None else round(age)}))
            self._look_later(state)
        return notes

    def next_look(self) -> float:
        """The monotonic instant of the next tick that can matter, infinite where none can."""
        return self._looks[0][0] if self._looks else math.inf

    def _look_later(self, state: MeterState) -> None:
        tag, due = state.meter.tag, state.next_expiry()
        if due < self._looking.get(tag, math.inf):
            self._looking[tag] = due
            heapq.heappush(self._looks, (due, tag))

    # Writes

    def accept(self, writes: list[Write], _now: Now) -> None:
        """Carry out what a Modbus client wrote. Commands are levels, never toggles: a retried write changes nothing."""
        for item, tag, value, who in writes:
            if item.shows is Shows.SCRATCH:
                for image in self.images.values():
                    image.write_scratch(item.of, value)
            elif item.shows is Shows.UNDER_TEST and tag is not None:
                self.hold_in_test(tag, on=bool(value), who=who)

    def hold_in_test(self, tag: str, *, on: bool, who: str) -> None:
        """Take a meter into test or out of it; its readings say so."""
        if self._mark(self.states[tag], UNDER_TEST, on=on):
            event = "meter taken into test" if on else "meter taken out of test"
            self._notes.append(Note(event, facts={"tag": tag, "who": who}))

    def take_notes(self) -> list[Note]:
        """What writes have put on record since the last call."""
        notes, self._notes = self._notes, []
        return notes

    # The gateway's own figures

    def figure(self, name: str, now: Now) -> Value | None:
        """A figure of the gateway block by its name (core/gateway.py lists them)."""
        uptime = now.monotonic - self.started.monotonic
        match name:
            case "heartbeat":
                return whole_seconds(uptime, 1)
            case "state":
                return self.broker_connected | self.clock_trusted << 1
            case "map_fingerprint":
                return self.fingerprint
            case "uptime":
                return whole_seconds(uptime, 2)
            case "last_uplink_age":
                return None if self.last_accepted is None else int(now.monotonic - self.last_accepted)
            case "clock":
                return int(now.utc)
            case "version":
                return __version__
            case _:
                return self.count(name)

    def count(self, name: str) -> int:
        """A figure of the gateway block that counts meters or uplinks."""
        match name:
            case "meters_total":
                return len(self.states)
            case "meters_good" | "meters_uncertain" | "meters_bad":
                grade = Grade[name.removeprefix("meters_").upper()]
                return sum(count for reasons, count in self._by_reasons.items() if grade_of(reasons) is grade)
            case "meters_stale" | "meters_never_seen" | "meters_under_test":
                reason = Reason[name.removeprefix("meters_").upper()]
                return sum(count for reasons, count in self._by_reasons.items() if reasons & reason)
            case "uplinks_accepted":
                return self.counts.accepted
            case "uplinks_duplicate":
                return self.counts.duplicate
            case "uplinks_late":
                return self.counts.late
            case "uplinks_rejected":
                return self.counts.rejected.total()
            case "uplinks_lost":
                return self._lost
        raise KeyError(name)

    def _mark(self, state: MeterState, reason: int, *, on: bool) -> bool:
        before = state.reasons
        changed = state.mark(reason, on)
        self._paint(state, before)
        return changed

    def _paint(self, state: MeterState, before: int) -> None:
        if state.reasons != before:
            self._by_reasons[before] -= 1
            self._by_reasons[state.reasons] += 1
        for image in self.images.values():
            image.paint(state.meter.tag)
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
