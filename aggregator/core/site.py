"""The site: every meter's present state, and the one road on which anything changes it.

    receive(topic, message)  ->  open envelope -> find meter -> place in sequence -> decode -> judge -> image
    replay(topic, message)   ->  the same for a message that was set aside, as old as it is
    tick()                   ->  what has become too old turns stale
    write(...)               ->  what a Modbus client wrote, already checked to be whole

Each call is one synchronous step. It returns notes, for the log, and lays out what is to be kept (`take_kept`):
readings for the history, events for the journal, messages set aside. The site knows no clock, file, socket or logger.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from aggregator.core.address_map import Device, Shows, fingerprint
from aggregator.core.alarm import Alarms
from aggregator.core.alarm_writing import WRITTEN, AlarmWriting
from aggregator.core.annunciator import Annunciator
from aggregator.core.audit import Audit
from aggregator.core.counting import set_total
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.figures import Figures
from aggregator.core.functions import Tables
from aggregator.core.handover import changes, hand_over
from aggregator.core.heard import HeardNodes
from aggregator.core.identity import identity_of
from aggregator.core.image import Image, Write, check_switches
from aggregator.core.intake import Intake, Notes
from aggregator.core.keeping import SITE, ClockState, Kept, KeptFrame, Remembered
from aggregator.core.linking import Linking
from aggregator.core.meter import IN_TEST, STALE, UNDER_TEST, InTest, Meter, MeterState
from aggregator.core.outbox import Note, Outbox
from aggregator.core.reading import Now, Value
from aggregator.core.refusals import Refusals
from aggregator.core.response import CannotAct
from aggregator.core.setting import OutsideLimits, Setting, Settings
from aggregator.core.silence import Silence
from aggregator.core.stand_in import StandIn
from aggregator.core.substitution import end_due, index_of, substitute, withdraw
from aggregator.core.units import served_by, who_answers
from aggregator.core.uplink import Envelope


@dataclass(frozen=True, slots=True)
class Declared:
    """A whole site as its files declare it, checked and ready to run."""

    name: str
    meters: tuple[Meter, ...]
    envelopes: tuple[Envelope, ...]
    devices: tuple[Device, ...]
    revision: str = ""  # of the map, as map.yaml says; empty where it says none
    alarms: Alarms = field(default_factory=Alarms)
    settings: tuple[Setting, ...] = ()

    def profile_count(self) -> int:
        """How many meter models the site has."""
        return len({meter.profile.name for meter in self.meters})


class Site:
    """A running site. One owner calls it, from one thread.

    `before` is the site that runs now, where its files are taken anew. This one may then be built on another thread, as
    that takes long: of `before` only what never changes is looked at. It is nothing until `take_over`.
    """

    def __init__(self, declared: Declared, now: Now, before: Site | None = None) -> None:
        self.declared = declared
        self.states = {meter.tag: MeterState(meter) for meter in declared.meters}
        self.by_node = {meter.node: self.states[meter.tag] for meter in declared.meters if meter.node}
        self.figures = Figures(now, fingerprint(declared.devices), (state.reasons for state in self.states.values()))
        self._outbox: Outbox = before._outbox if before else Outbox()  # noqa: SLF001 - one of its own kind
        self.annunciator = Annunciator(declared.alarms, self.states, self._outbox)
        self.figures.announced_within = self.annunciator.announced.within
        self._alarm_writing = AlarmWriting(self.annunciator, now.monotonic)
        self.tables = {device.name: self._tables_of(device) for device in declared.devices}
        self._images = [each for each in self.tables.values() if isinstance(each, Image)]
        # The first of several with one unit id, which are told apart by their listeners alone.
        self.images = {image.device.unit_id: image for image in reversed(self._images)}
        self._showing: dict[str, list[Image | StandIn]] = {tag: [] for tag in self.states}
        for device in declared.devices:
            for tag in device.tags():
                self._showing[tag].append(self.tables[device.name])
        self._silence = Silence()
        self._notes: list[Note] = []
        self._audit: Audit = before._audit if before else Audit(self._outbox)  # noqa: SLF001
        self.refusals: Refusals = before.refusals if before else Refusals(self._outbox)
        self._scratch: dict[str, Value | bool | None] = {}  # what clients wrote to try the line
        self._changed = set(self.states)  # meters, groups and SITE that whoever looks has yet to be told of
        self.settings = Settings(declared.settings, self._outbox)
        for name in self.settings.declared:
            self._show_setting(name)
        self._heard: HeardNodes = before._heard if before else HeardNodes()  # noqa: SLF001
        self._intake = Intake(
            declared.envelopes,
            self.by_node,
            self.figures,
            self._outbox,
            self._silence,
            self.annunciator,
            self._paint,
            self._figures_changed,
            self._heard,
        )
        self.linking = Linking(self.states, self.by_node, self._heard, self._outbox, self._paint, self._turned_stale)
        self._changes: dict[str, object] = {}
        if before is not None:
            maps = before.figures.fingerprint, self.figures.fingerprint
            self._changes = changes(before.declared.meters, declared.meters, *maps)

    def take_over(self, before: Site, who: str, now: Now) -> None:
        """Go on from where the site before stands, as `who` has had its files taken anew; it must not be used any more.

        Raises nothing, and takes as long as its meters and alarms need: all else has been built.
        """
        linked = self.linking.take_over(before.linking, who, now)
        hand_over(before.states, self.states, now)
        self.figures.go_on(before.figures, (state.reasons for state in self.states.values()))
        for tag, shows in self._showing.items():
            for each in shows:
                each.note_change(tag)
        self._notes += self.settings.restore(before.settings.memory(), now)
        for name in self.settings.declared:
            self._show_setting(name)
        self._notes += [*before.take_notes(), *linked]
        self._notes += self.annunciator.restore(before.annunciator.memory(now), now)
        self.annunciator.sequence = max(self.annunciator.sequence, before.annunciator.sequence)
        self.annunciator.announced.go_on(before.annunciator.announced)
        self.annunciator.horn = self.annunciator.horn and before.annunciator.horn
        for state in self.states.values():
            self._silence.look_at(state)
        for name, value in before._scratch.items():
            self._write_scratch(name, value)
        self.annunciator.changed |= self.annunciator.by_tag.keys()
        self._show_alarms()
        for tag in self.states.keys() & before.states.keys():  # their node or their limits are others now
            if self.states[tag].reasons & STALE and not before.states[tag].reasons & STALE:
                self._notes.append(self._stale_note(self.states[tag], now))
        self._notes.append(self._outbox.event("files taken anew", None, now, self._changes, who=who))

    def let_go(self) -> None:
        """Fall apart, once another site has taken over and nobody asks this one any more.

        Its parts refer to each other in rings, which only a walk over all objects of the process would find otherwise.
        """
        for image in self._images:
            image.let_go()
        vars(self).clear()

    def refuse_files(self, problems: int, who: str, now: Now) -> None:
        """A change of the site's files could not be taken; all goes on as it was, and says so."""
        self.figures.files_refused = True
        self._figures_changed()
        facts = {"problems": problems}
        self._notes.append(self._outbox.event("changed files refused", None, now, facts, who=who, warning=True))

    def _tables_of(self, device: Device) -> Image | StandIn:
        identity = identity_of(self.declared.name, device.unit_id, self.figures.fingerprint, self.declared.revision)
        if device.stands_in is not None:
            return StandIn(device, device.stands_in, self.states[device.stands_in.tag], identity)
        return Image(device, self.states, self.figures.figure, self.accept, identity, self.annunciator)

    def units(self, names: Sequence[str] | None = None) -> list[Tables | None]:
        """Who answers each unit id at a listener that serves the devices of these names; left out, all of them."""
        return who_answers(served_by(self.declared.devices, names), self.tables)

    def on_serial_line(self, names: Sequence[str] | None = None) -> dict[int, Tables]:
        """Who answers on a serial line where the devices of these names are served: each its own unit id only."""
        return {device.unit_id: self.tables[device.name] for device in served_by(self.declared.devices, names)}

    def set_broker_connected(self, connected: bool) -> None:
        """Show whether the broker can be heard."""
        self.figures.broker_connected = connected
        self._figures_changed()

    def set_client_contested(self, client: str, *, contested: bool, now: Now) -> None:
        """Show whether another service seems to use the client id; the journal says when that began and ended."""
        if contested != self.figures.client_contested:
            self.figures.client_contested = contested
            self._figures_changed()
            self.report(
                "client id contested" if contested else "client id no longer contested", {"client": client}, now
            )

    def set_clock_trusted(self, trusted: bool) -> None:
        """Show whether the gateway's wall clock is kept right by anything."""
        if trusted != self.figures.clock_trusted:
            self.figures.clock_trusted = trusted
            self._outbox.clock = ClockState.TRUSTED if trusted else ClockState.UNTRUSTED
            self._figures_changed()

    def clock_was_set(self, by: float, now: Now) -> None:
        """The wall clock was set, by so many seconds: no age moves, and the journal says so."""
        self.figures.clock_sets += 1
        self.report("clock set", {"by": round(by, 1)}, now)

    def report(self, event: str, facts: Mapping[str, object], now: Now) -> None:
        """Put into journal and log what befell the gateway itself."""
        self._notes.append(self._outbox.event(event, None, now, facts, warning=True))

    def set_stored(self, stored: bool) -> None:
        """Show whether the store takes what it is given."""
        if stored != self.figures.stored:
            self.figures.stored = stored
            self._figures_changed()

    def set_store_queue(self, waiting: int, dropped: int) -> None:
        """Show how many uplinks are not safe on disk yet, and how many rows were given up since the start."""
        if self.figures.queue(waiting, dropped):
            self._figures_changed()

    def history_set_aside(self, facts: Mapping[str, object], now: Now) -> None:
        """The history could not be used and was begun anew: the new one says so first, and so do the registers."""
        self.figures.history_set_aside = True
        self._figures_changed()
        self.report("history set aside", facts, now)

    def set_listeners_away(self, lines: int, *, networks: bool) -> None:
        """Show which serial lines cannot be used, bit 0 the first of site.yaml, and whether another listener cannot."""
        if (lines, networks) != (self.figures.serial_away, self.figures.listener_away):
            self.figures.serial_away, self.figures.listener_away = lines, networks
            self._figures_changed()

    def set_certificate_ends(self, ends: float | None) -> None:
        """Show when the first of the gateway's certificates ends (UTC s), None where it uses none."""
        if ends != self.figures.certificate_ends:
            self.figures.certificate_ends = ends
            self._figures_changed()

    # Uplinks

    def receive(self, topic: str, message: bytes, *, retained: bool, now: Now) -> Notes:
        """Take one message of the broker. Never raises for what it holds; a refused one changes no value."""
        notes = self._intake.receive(topic, message, retained=retained, now=now)
        if self.annunciator.changed:
            self._show_alarms()
        return notes

    def replay(self, topic: str, message: bytes, *, arrived: float, now: Now) -> Notes:
        """Take a message that was set aside, as it would have been taken when it arrived (UTC s).

        What it brings is as old as it is: it shows over nothing newer, and is stale at once where it is too old. Raises
        DecodeError where it is still refused; nothing has changed then.
        """
        notes = self._intake.replay(topic, message, arrived=arrived, now=now)
        self._show_alarms()
        return notes

    # Restart

    def restore(
        self,
        remembered: Mapping[str, Remembered],
        now: Now,
        recent: Iterable[KeptFrame] = (),
        *,
        ages_known: bool = True,
    ) -> None:
        """Show what was known before a restart, as restored and never as fresh, with its true age where that is known.

        `recent` are the frames of the last days: the broker sends again what it was not told to be safe, and that is no
        news. `ages_known` is off where `now` only says how old things are at least; what may be of any age is stale.
        Call it once, before any uplink.
        """
        links = [link for before in remembered.values() for link in before.links]
        self._notes += self.linking.restore(links, now)
        self._intake.resume(remembered, recent)
        for tag, before in remembered.items():
            state = self.states.get(tag)
            if state is None:
                continue  # no longer declared; its history stays
            shown = state.reasons
            state.restore(before, now, ages_known=ages_known)
            self.linking.recall(state, before, now)
            self._notes += end_due(state, self._outbox, now)
            # Where nobody says when a frame was heard, one that comes again seems to be heard now, however long ago the
            # restart's beginning is: its counter alone tells it.
            if before.node == state.node:
                state.sequence.resume(before.counter, now.utc if before.heard is None else before.heard)
            self._paint(state, shown)
            self._silence.look_at(state)
        if SITE in remembered:
            self._notes += self.settings.restore(remembered[SITE].states, now)
            for name in self.settings.asked:
                self._show_setting(name)
        self._notes += self.annunciator.restore({tag: before.states for tag, before in remembered.items()}, now)
        self._show_alarms()

    def recall_heard(self, messages: Iterable[tuple[float, str, bytes]]) -> None:
        """Know the nodes again that sit on no meter: when (UTC s), topic and message of what was set aside of them."""
        for at, topic, message in messages:
            self._intake.recall(topic, message, at)

    def samples_wanted(self) -> Iterator[tuple[str, list[str], float]]:
        """Of which fields of which meters the history of the last so many seconds is needed at a start."""
        for tag, state in self.states.items():
            if state.computing is not None and not any(state.computing.samples()):
                fields, windows = state.meter.profile.fields, state.computing.windows
                yield tag, [fields[index].name for index in windows], max(windows.values(), default=0.0)

    def recall_samples(self, tag: str, samples: Iterable[tuple[str, float, Value | None]], now: Now) -> None:
        """Go on computing from the history: field, when (UTC s) and value of what came before the restart."""
        self.states[tag].recall_samples(samples, now)

    # Silence

    def tick(self, now: Now) -> Notes:
        """Let what is too old by now turn stale. Call it at `next_look` or more often."""
        self.refusals.tick(now)
        notes = self._audit.tick(now)
        for tag in self._silence.due(now.monotonic):
            state = self.states[tag]
            before = state.reasons
            ended, turned = end_due(state, self._outbox, now), state.expire(now.monotonic)
            notes += ended
            if ended or turned:
                self._paint(state, before)
            if turned:
                notes += self._turned_stale(state, now)
            self._silence.look_at(state)
        notes += self.annunciator.tick(now)
        self._show_alarms()
        return notes

    def _turned_stale(self, state: MeterState, now: Now) -> list[Note]:
        """What follows from readings of a meter that are stale from now on."""
        return [self._stale_note(state, now), *self.annunciator.turned(state, now)]

    def _stale_note(self, state: MeterState, now: Now) -> Note:
        age = state.age(now.monotonic)
        facts = {"age": None if age is None else round(age)}
        return self._outbox.event("meter is stale", state.meter.tag, now, facts, warning=True)

    def next_look(self) -> float:
        """The monotonic instant of the next tick that can matter, infinite where none can."""
        return min(self._silence.next(), self.annunciator.next_look())

    # Writes

    def accept(self, writes: list[Write], now: Now) -> None:
        """Carry out what a Modbus client wrote, and put it on record, done or refused. Raises ModbusError."""
        try:
            self._carry_out(writes, now)
        except ModbusError as error:
            self._notes += self._audit.refused(writes, error, now)
            raise
        self._notes += self._audit.done(writes, now, self._alarm_writing.left)

    def _carry_out(self, writes: list[Write], now: Now) -> None:
        """Commands are levels, never toggles: a retried write changes nothing. All of the request is done, or none."""
        settings = [(write, self._wanted(write)) for write in writes]
        about_alarms = [write for write in writes if write.item.shows in WRITTEN]
        check_switches(writes)
        self._check(about_alarms, now)
        for write, wanted in settings:
            if wanted is not None:
                self.change_setting(write.item.of, wanted, who=write.who, now=now)
        for write in about_alarms:
            self._notes += self._alarm_writing.carry_out(write, now)
        if about_alarms:
            self._show_alarms()
        for item, tag, value, who, *_ in writes:
            if item.shows is Shows.SCRATCH:
                self._write_scratch(item.of, value)
            elif item.shows is Shows.UNDER_TEST and tag is not None:
                self.hold_in_test(tag, on=bool(value), who=who, now=now)

    def _wanted(self, write: Write) -> float | None:
        """What a setting is to be, None where the write is of none. Raises ModbusError (03) outside its limits."""
        if write.item.shows is not Shows.SETTING or write.item.codec is None:
            return None
        try:
            return self.settings.wanted(write.item.of, write.value, write.item.codec)
        except OutsideLimits as error:
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE, str(error)) from error

    def change_setting(self, name: str, value: float | None, *, who: str, now: Now) -> None:
        """Have a setting be `value`, in its unit, or what its file says again. Raises OutsideLimits."""
        self._notes += self.settings.change(name, value, who, now)
        self._show_setting(name)

    def _show_setting(self, name: str) -> None:
        for image in self._images:
            image.show_setting(name, self.settings.requested(name), self.settings.effective(name))

    def _write_scratch(self, name: str, value: Value | bool | None) -> None:
        self._scratch[name] = value
        for image in self._images:
            image.write_scratch(name, value)

    def _check(self, about_alarms: list[Write], now: Now) -> None:
        """Raise ModbusError (03) where something that was written about alarms cannot be carried out."""
        try:
            self._alarm_writing.check(about_alarms, now)
        except CannotAct as error:
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE, str(error)) from error

    def hold_in_test(self, tag: str, *, on: bool, who: str, why: str = "", now: Now) -> None:
        """Take a meter into test or out of it; its readings say so, and go on saying so after a restart."""
        state = self.states[tag]
        if self._mark(state, UNDER_TEST, on=on):
            state.held = InTest(who, why, now.utc) if on else None
            event = "meter taken into test" if on else "meter taken out of test"
            self._notes.append(self._outbox.event(event, tag, now, {"why": why} if why else None, who=who))
            self._outbox.state(tag, IN_TEST, state.held._asdict() if state.held else None)
            self._notes += self.annunciator.hold_in_test(tag, on=on, who=who, now=now)
            self._show_alarms()

    def set_total(self, tag: str, field: str, so_far: float, counter: float | None, *, who: str, now: Now) -> bool:
        """Set a running total by hand. Returns whether the meter has such a total."""
        state = self.states[tag]
        index = state.meter.profile.index_of(field)
        if index is None or index not in state.counts:
            return False
        self._notes.append(set_total(state, index, so_far, counter, self._outbox, who, now))
        self._paint(state, state.reasons)
        return True

    def substitute(
        self, tag: str, field: str, value: float, *, lasts: float, who: str, why: str = "", now: Now
    ) -> None:
        """Show a value entered by hand in place of a field's readings for `lasts` seconds. Raises CannotSubstitute."""
        state = self.states[tag]
        before, index = state.reasons, index_of(state, field)
        self._notes.append(substitute(state, index, value, lasts, who, why, self._outbox, now))
        if tag in self.annunciator.watched:
            self._notes += self.annunciator.look(state, index, state.shown[index], state.readings[index], now)
            self._show_alarms()
        self._paint(state, before)
        self._silence.look_at(state)

    def withdraw(self, tag: str, field: str, *, who: str, now: Now) -> None:
        """Show a field's readings again in place of what was entered by hand. Raises CannotSubstitute."""
        state = self.states[tag]
        before, index = state.reasons, index_of(state, field)
        self._notes.append(withdraw(state, index, who, self._outbox, now))
        self._paint(state, before)

    def arrange(self, act: Callable[[Linking], list[Note]]) -> None:
        """Have it carried out who puts which node on which meter (linking.py). Raises CannotLink."""
        self._notes += act(self.linking)
        self._show_alarms()

    def respond(self, act: Callable[[Annunciator], list[Note]]) -> None:
        """Have an operator's response to alarms carried out (response.py), and shown."""
        self._notes += act(self.annunciator)
        self._show_alarms()

    def take_notes(self) -> list[Note]:
        """What writes have put on record since the last call."""
        notes, self._notes = self._notes, []
        return notes

    def take_changed(self) -> set[str]:
        """The tags of meters, the names of groups, and SITE, of which something else is shown since the last call."""
        changed, self._changed = self._changed, set()
        return changed

    def record(self, event: str, who: str, now: Now, facts: Mapping[str, object] | None = None) -> None:
        """Put into the journal what somebody did that changes nothing of the site, such as signing in."""
        self._notes.append(self._outbox.event(event, None, now, facts, who=who))

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
        self._changed.add(state.meter.tag)
        for tables in self._showing[state.meter.tag]:
            tables.note_change(state.meter.tag)
        self._figures_changed()

    def _show_alarms(self) -> None:
        """Have what has changed among the alarms painted where it is shown."""
        changed = self.annunciator.take_changed()
        if not changed:
            return
        self._changed |= changed
        self._changed.add(SITE)
        self.figures.meters_in_alarm = self.annunciator.meters_in_alarm
        self.figures.alarms_unacknowledged = self.annunciator.owed
        for image in self._images:
            image.note_alarms({*changed, SITE})
        self._figures_changed()

    def _figures_changed(self) -> None:
        for image in self._images:
            image.gateway_changed()
