"""The road of an uplink: out of its message, to its meter, and into what is shown and kept.

    open envelope -> find meter -> place in sequence -> decode -> judge -> show, keep

What cannot be read on the way is counted, noted and set aside whole.

`Site` owns one of these and tells its story; here stands what happens to a single message.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping

from aggregator.core.annunciator import Annunciator
from aggregator.core.dating import NODE_CLOCK_OFF, NodeClock, heard_at, time_of
from aggregator.core.decoding import decode
from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.figures import Figures
from aggregator.core.heard import LARGEST, HeardNodes, HeardUplink
from aggregator.core.judge import SENSOR_FAULT
from aggregator.core.keeping import CANNOT_SAY, SESSIONS, KeptFrame, Remembered
from aggregator.core.meter import DECODE_FAILED, UNTIL_THE_NEXT, MeterState
from aggregator.core.outbox import Note, Outbox
from aggregator.core.reading import Now
from aggregator.core.records import Batch, Pairs, dated
from aggregator.core.sequence import SAME_FRAME, Arrival
from aggregator.core.silence import Silence
from aggregator.core.taking import Taking
from aggregator.core.topic import matches
from aggregator.core.uplink import LONGEST_MESSAGE, Envelope, Uplink

COUNTER_ON_AIR = 16  # bits
HEAD = 4096  # bytes that are kept of a message that is too long to be an uplink
MOST_TOPICS = 10_000  # topics whose envelope is remembered; a site has one a node

_new = tuple.__new__  # as in judge: one is made at every uplink

Notes = Iterable[Note]
NOTHING: tuple[Note, ...] = ()


class Intake:
    """Takes messages, one after the other. `paint` shows a meter whose reasons were as given before it changed."""

    def __init__(
        self,
        envelopes: tuple[Envelope, ...],
        by_node: Mapping[str, MeterState],
        figures: Figures,
        outbox: Outbox,
        silence: Silence,
        annunciator: Annunciator,
        paint: Callable[[MeterState, int], None],
        figures_changed: Callable[[], None],
        heard: HeardNodes,
    ) -> None:
        self.by_node = by_node
        self._heard = heard
        self._envelopes = envelopes
        self._envelope_by_topic: dict[str, Envelope | None] = {}
        self._figures = figures
        self._outbox = outbox
        self._annunciator = annunciator
        self._taking = Taking(outbox, silence, annunciator, paint)
        self._paint = paint
        self._figures_changed = figures_changed

    def receive(self, topic: str, message: bytes, *, retained: bool, now: Now) -> Notes:
        """Take one message of the broker. Never raises for what it holds; a refused one changes no value."""
        uplink = None
        try:
            if retained:  # what the broker kept may be of any age, and comes again at every subscribe
                raise DecodeError(Refusal.RETAINED, "only live messages are taken")
            envelope = self._envelope_of(topic)
            uplink = envelope.open(message)
            state = self.by_node.get(uplink.node)
            if state is not None and len(message) <= LARGEST:
                state.newest.append(_new(HeardUplink, (now.utc, topic, uplink)))
            return self._take(envelope, uplink, now)
        except DecodeError as error:
            if uplink is not None and error.refusal is Refusal.UNKNOWN_NODE:
                self._heard.note(topic, uplink, len(message), now.utc)
            return self._refuse(error, topic, message, now)

    def replay(self, topic: str, message: bytes, *, arrived: float, now: Now) -> Notes:
        """Take a message that was set aside, as of when it arrived (UTC s). Raises DecodeError, changing nothing."""
        age = max(0.0, now.utc - arrived)
        envelope = self._envelope_of(topic)
        uplink = envelope.open(message)
        state = self.by_node.get(uplink.node)
        if state is not None and arrived < state.sits_since:
            raise DecodeError(Refusal.UNKNOWN_NODE, f"{uplink.node} was not on {state.meter.tag} yet when it came")
        return self._take(envelope, uplink, Now(now.monotonic - age, now.utc - age), replayed=now)

    def recall(self, topic: str, message: bytes, at: float) -> None:
        """Know again a node that sits on no meter, by a message of it that was set aside at `at` (UTC s)."""
        try:
            uplink = self._envelope_of(topic).open(message)
        except DecodeError:  # the files say otherwise now how messages read
            return
        if uplink.node not in self.by_node:
            self._heard.note(topic, uplink, len(message), at)

    def resume(self, remembered: Mapping[str, Remembered], recent: Iterable[KeptFrame]) -> None:
        """Go on with the nodes' frames from before a restart, `recent` ones in the order in which they came."""
        sessions = dict(each for before in remembered.values() if (each := _sessions_in(before.states.get(SESSIONS))))
        for frame in recent:
            state = self.by_node.get(frame.node)
            if state is not None:
                began = [name for name, since in sessions.get(frame.node, ()) if since <= frame.heard]
                session = began[-1] if began else None
                arrival = state.sequence.place(frame.counter, frame.heard, session, timed=frame.timed)
                if not frame.read and arrival is not Arrival.DUPLICATE:
                    state.sequence.forget(frame.counter, frame.heard, session, timed=frame.timed)
        for node, state in self.by_node.items():
            state.sequence.resume_sessions(sessions.get(node, []))

    def _envelope_of(self, topic: str) -> Envelope:
        if topic not in self._envelope_by_topic:
            if len(self._envelope_by_topic) >= MOST_TOPICS:
                self._envelope_by_topic.clear()
            found = (each for each in self._envelopes if matches(each.topic, topic))
            self._envelope_by_topic[topic] = next(found, None)
        envelope = self._envelope_by_topic[topic]
        if envelope is None:
            raise DecodeError(Refusal.NO_ENVELOPE, "no topic filter of site.yaml matches")
        return envelope

    def _take(self, envelope: Envelope, uplink: Uplink, now: Now, *, replayed: Now | None = None) -> Notes:
        """Take an uplink that arrived `now`; one that was set aside then is `replayed` at the present moment."""
        state = self.by_node.get(uplink.node)
        if state is None:
            error = DecodeError(Refusal.UNKNOWN_NODE, f"{uplink.node} is on no meter")
            error.node = uplink.node
            raise error
        arrival, uplink = self._place(state, envelope, uplink, now, replayed)
        if arrival is Arrival.DUPLICATE:
            return self._hear_again(state, uplink, now)
        late = arrival is Arrival.LATE
        try:
            batch = None
            if state.meter.profile.sends_batches:
                batch = state.meter.profile.decode_batch(uplink.port, uplink.payload, uplink.decoded)
            if batch is not None:
                notes = self._take_batch(state, batch, uplink, envelope.node_clock, now, replayed or now, late=late)
                return [*notes, self._began_anew(state, uplink, now)] if arrival is Arrival.RESTARTED else notes
            pairs = decode(state.meter.profile, uplink)
        except DecodeError as error:
            pairs = self._without_values(error, state, uplink, now, late=late)
        last_observed = None if late or replayed else state.last_observed
        times, reasons = time_of(uplink.observed, uplink.received, now, last_observed, envelope.node_clock)
        if late or (replayed and state.heard is not None and times.since < state.heard.since):
            notes, filled_in = self._taking.late(state, pairs, uplink, times, reasons, now, replayed or now)
            return [*notes, self._came_late(state, uplink, filled_in=filled_in)]
        if uplink.observed is not None and not reasons & NODE_CLOCK_OFF:
            state.last_observed = uplink.observed
        self._count(now)
        notes = self._taking.new(state, pairs, uplink, times, reasons, now, replayed or now)
        if arrival is Arrival.RESTARTED:
            notes.append(self._began_anew(state, uplink, now))
        return notes or NOTHING

    def _take_batch(
        self,
        state: MeterState,
        batch: Batch,
        uplink: Uplink,
        node_clock: NodeClock,
        now: Now,
        present: Now,
        *,
        late: bool,
    ) -> list[Note]:
        """Take each of several readings in its turn, oldest first. Raises DecodeError before anything has changed."""
        records, reasons = dated(batch, uplink.received, now, node_clock)
        notes: list[Note] = []
        shown = False
        for times, pairs in records:
            taken = state, pairs, uplink, times, reasons, now, present, batch.within
            if late or (state.heard is not None and times.since < state.heard.since + batch.within):
                found, _ = self._taking.late(*taken)
                notes += found
            else:
                notes += self._taking.new(*taken)
                shown = True
        if shown and not reasons:
            state.last_observed = records[-1][0].observed
        if not shown and not late:
            state.radio, state.counter = uplink.radio, uplink.counter
            self._paint(state, state.reasons)
        if shown or not late:
            self._count(now)
        else:
            notes.append(self._came_late(state, uplink, filled_in=False))
        return notes

    def _count(self, now: Now) -> None:
        self._figures.counts.accepted += 1
        self._figures.last_accepted = max(now.monotonic, self._figures.last_accepted or -math.inf)

    def _came_late(self, state: MeterState, uplink: Uplink, *, filled_in: bool) -> Note:
        self._figures.counts.late += 1
        self._figures_changed()
        facts = {"tag": state.meter.tag, "counter": uplink.counter}
        return Note("late uplink filled in" if filled_in else "late uplink not shown", facts=facts)

    def _place(
        self, state: MeterState, envelope: Envelope, uplink: Uplink, now: Now, replayed: Now | None
    ) -> tuple[Arrival, Uplink]:
        """Where an uplink stands among those of its node; with it the uplink, its counter in full."""
        sequence, heard = state.sequence, heard_at(uplink.received, now)
        timed = heard == uplink.received or replayed is not None
        if envelope.counter_bits == COUNTER_ON_AIR and uplink.counter is not None:
            uplink = uplink._replace(counter=sequence.full(uplink.counter, heard, uplink.session))
        lost, sessions = sequence.lost, sequence.sessions
        arrival = sequence.place(uplink.counter, heard, uplink.session, timed=timed, now=(replayed or now).utc)
        if sequence.lost != lost:
            self._figures.lost += sequence.lost - lost
        if sequence.sessions is not sessions:
            self._outbox.state(state.meter.tag, SESSIONS, {"node": uplink.node, "sessions": sequence.sessions})
        return arrival, uplink

    def _hear_again(self, state: MeterState, uplink: Uplink, now: Now) -> Notes:
        """Another radio heard the same frame; while that is the one shown, how the node is heard is what the best did.

        The history keeps what was first heard: to write each row twice would wear the flash for little.
        """
        self._figures.counts.duplicate += 1
        heard = heard_at(uplink.received, now)
        since = now.monotonic - (now.utc - heard)
        apart = min(abs(heard - state.sequence.heard), abs(since - state.counted))
        if uplink.counter == state.counter and apart < SAME_FRAME and uplink.radio.is_better_than(state.radio):
            state.radio = uplink.radio
            self._paint(state, state.reasons)
        else:
            self._figures_changed()
        return NOTHING

    @staticmethod
    def _without_values(error: DecodeError, state: MeterState, uplink: Uplink, now: Now, *, late: bool) -> Pairs:
        """None, in a keep-alive. Else raises the error, with what is known of its frame."""
        if error.refusal is Refusal.NO_DATA:
            return []
        error.node, error.counter, error.heard, error.late = uplink.node, uplink.counter, uplink.received, late
        heard = heard_at(uplink.received, now)
        state.sequence.forget(uplink.counter, heard, uplink.session, timed=heard == uplink.received)
        raise error

    def _began_anew(self, state: MeterState, uplink: Uplink, now: Now) -> Note:
        facts: dict[str, object] = {"node": uplink.node, "counter": uplink.counter}
        if uplink.session is None:
            return self._outbox.event("frame counter began anew", state.meter.tag, now, facts)
        return self._outbox.event("node joined anew", state.meter.tag, now, {**facts, "session": uplink.session})

    def _refuse(self, error: DecodeError, topic: str, message: bytes, now: Now) -> Notes:
        """Count what could not be taken, and set it aside whole for after the fix.

        Where its meter is known, the meter's status says so and its values stay, unless newer ones have come since.
        Of a message too long to be an uplink the beginning is kept, which tells who sent it.
        """
        facts = {"topic": topic}
        notes: list[Note] = []
        state = None if error.node is None else self.by_node.get(error.node)
        if state is not None and error.node is not None:
            facts |= {"tag": state.meter.tag, "node": error.node}
            # A meter that answers its node with an exception says that it cannot measure: that is its own fault word.
            before, since = state.reasons, now.monotonic - (now.utc - heard_at(error.heard, now))
            if not error.late or state.heard is None or state.heard.since < since:
                state.failed_since = max(state.failed_since, since)
                state.mark(SENSOR_FAULT if error.refusal is Refusal.METER_EXCEPTION else DECODE_FAILED, on=True)
                failed_at = now.utc - (now.monotonic - state.failed_since)
                why = {"reasons": state.common & UNTIL_THE_NEXT, "at": failed_at}
                self._outbox.state(state.meter.tag, CANNOT_SAY, why)
                notes += self._annunciator.turned(state, now)
            self._paint(state, before)
        self._figures.counts.rejected[error.refusal] += 1
        self._figures_changed()
        if error.refusal is not Refusal.RETAINED:
            kept = message if len(message) <= LONGEST_MESSAGE else message[:HEAD]
            self._outbox.aside(error, topic, kept, now)
        return [Note("uplink refused", True, {"reason": str(error.refusal), "detail": error.detail, **facts}), *notes]


def _sessions_in(state: object) -> tuple[str, list[tuple[str, float]]] | None:
    """A node and its last sessions, out of the state that was kept of them."""
    match state:
        case {"node": str() as node, "sessions": list() as listed}:
            return node, [(str(name), float(since)) for name, since in listed]
    return None
