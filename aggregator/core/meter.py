"""A meter as it is declared, and as it now stands.

Silence is an event: each meter knows when its next reading goes stale, and `expire` makes it so without an uplink.
Ages run on the monotonic clock alone, so that a jump of the gateway's clock neither ages nor freshens anything.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from aggregator.core.computed import Computing, Sample
from aggregator.core.errors import Place
from aggregator.core.heard import NEWEST, HeardUplink
from aggregator.core.judge import judge
from aggregator.core.keeping import CANNOT_SAY, KeptReading, Remembered, held_name, substitute_name, total_name
from aggregator.core.profile import Profile
from aggregator.core.reading import BAD, NEVER, Grade, Now, Reading, Reason, Times, Value, grade_of
from aggregator.core.records import Pairs
from aggregator.core.sequence import SAME_FRAME, Sequence
from aggregator.core.substitute import SUBSTITUTED, Substitute, lay_over, restored
from aggregator.core.total import Total
from aggregator.core.uplink import NO_RADIO, Radio
from aggregator.core.wired import Wired

STALE = int(Reason.STALE)
NEVER_SEEN = int(Reason.NEVER_SEEN)
DECODE_FAILED = int(Reason.DECODE_FAILED)
RESTORED = int(Reason.RESTORED)
UNDER_TEST = int(Reason.UNDER_TEST)
IN_TEST = "under test"  # the name under which it is kept that a meter is held in test
UNTIL_THE_NEXT = int(Reason.DECODE_FAILED | Reason.SENSOR_FAULT)  # what an uplink that decodes takes back


@dataclass(frozen=True, slots=True)
class Meter:
    """A gas meter or detector, known by its tag. Times in seconds; `node` is a DevEUI where the file links one.

    `calibration_due` is UTC s, None where nobody has declared it.
    """

    tag: str
    name: str
    area: str
    profile: Profile
    reports_every: float
    stale_after: float
    node: str | None = None
    calibration_due: float | None = None
    place: Place = field(default=Place(""), compare=False)

    def limit(self, index: int) -> float:
        """How old the reading of a field may be, in seconds."""
        own = self.profile.fields[index].stale_after
        return self.stale_after if own is None else own


class InTest(NamedTuple):
    """Who holds a meter in test, why (empty where nobody said), and since when (UTC s)."""

    who: str
    why: str
    since: float


class MeterState:
    """What is known of one meter at this moment: a reading a field, and how it was last heard."""

    __slots__ = (
        "common",
        "computing",
        "counted",
        "counter",
        "counts",
        "failed_since",
        "heard",
        "heard_as",
        "heard_before",
        "held",
        "last_observed",
        "meter",
        "newest",
        "node",
        "radio",
        "readings",
        "reasons",
        "sequence",
        "set_apart",
        "shortest_limit",
        "shown",
        "sits_since",
        "still_since",
        "substitutes",
        "totals",
        "wired",
    )

    def __init__(self, meter: Meter) -> None:
        self.meter = meter
        self.readings: list[Reading] = [NEVER] * len(meter.profile.fields)
        self.substitutes: dict[int, Substitute] = {}  # by field, what a technician has entered in place of its readings
        self.shown: list[Reading] = self.readings  # the same list unless something is substituted
        self.still_since: list[float | None] = [None] * len(self.readings)  # by field, monotonic: its value is as old
        fields = meter.profile.fields
        self.counts = {index: each.counting for index, each in enumerate(fields) if each.counting is not None}
        self.shortest_limit = min((meter.limit(index) for index in range(len(fields))), default=math.inf)
        self.set_apart: set[int] = set()  # fields whose total is not what the history alone would give after a restart
        self.totals: dict[int, Total] = {}  # by field, of those that count and have been seen
        self.common = 0  # reasons that hold for every reading: under test, decode failed, the meter's own exception
        self.held: InTest | None = None  # who holds it in test, None for nobody
        self.failed_since = -math.inf  # as of when an uplink that could not be read set one of those, monotonic
        self.reasons = NEVER_SEEN  # of the whole meter: those of its readings and the common ones together
        self.heard: Times | None = None  # times of the last uplink that was taken, None before the first
        self.heard_as: int | None = None  # the counter of that one
        self.heard_before: Times | None = None  # that of the node or the meter that were there before, if there were
        self.last_observed: float | None = None  # the newest time of the node's own clock that was believed, UTC
        self.radio: Radio = NO_RADIO  # of that uplink
        self.counter: int | None = None  # of that uplink
        self.counted = -math.inf  # as of when those two are, monotonic; an uplink without data sets them too
        self.node = meter.node  # which sits on it, by the file or by a link made on the spot
        self.newest: deque[HeardUplink] = deque(maxlen=NEWEST)  # the last that it sent, to be looked at
        self.sits_since = -math.inf  # UTC s; what that node sent before was not of this meter
        self.sequence = Sequence(meter.reports_every)  # of the frames of the node that sits on it
        computed = {index: each.computed for index, each in enumerate(fields) if each.computed is not None}
        limits = [meter.limit(index) for index in range(len(fields))]
        self.computing = Computing(computed, limits) if computed else None
        self.wired: Wired | None = None  # what the meter itself answered, where a stand-in shows it

    @property
    def grade(self) -> Grade:
        return grade_of(self.reasons)

    @property
    def speaks(self) -> bool:
        """Whether all has come once that comes with every report: a field with a time of its own comes more rarely."""
        fields = zip(self.meter.profile.fields, self.readings, strict=True)
        return self.heard is not None and all(
            reading.times is not None or each.optional or each.computed is not None or each.stale_after is not None
            for each, reading in fields
        )

    def judge(self, pairs: Pairs, times: Times, reasons: int) -> list[tuple[int, Reading]]:
        """The readings that an uplink's values make, held against those that are shown."""
        fields = self.meter.profile.fields
        return [
            (index, judge(fields[index], value, times, reasons, self.readings[index], self.still_since[index]))
            for index, value in pairs
        ]

    def take(self, readings: list[tuple[int, Reading]], times: Times, radio: Radio, counter: int | None) -> None:
        """Show new readings; fields that the uplink did not carry keep theirs."""
        for index, reading in readings:
            if self.still_since[index] is None or reading.value != self.readings[index].value:
                self.still_since[index] = times.since
            self.readings[index] = reading
        self.common &= ~UNTIL_THE_NEXT
        self.heard = times
        self.heard_as = counter
        self.radio = radio
        self.counter = counter
        self.counted = times.since
        self.sum_up()

    def is_older(self, index: int, times: Times, counter: int | None, within: float = 0.0) -> bool:
        """Whether a field's reading is older than that of a frame that came late, or there is none.

        Of two frames that overtook each other the counter tells, whatever their times do. Times that
        are `within` so many seconds are the same.
        """
        shown = self.readings[index].times
        if shown is None:
            return True
        if shown is self.heard and times.since - shown.since < SAME_FRAME and (counter or 0) < (self.heard_as or 0):
            return False
        return shown.since + within < times.since

    def fill_in(self, readings: list[tuple[int, Reading]], times: Times, counter: int | None) -> None:
        """Show readings of an uplink that came late, of fields that no newer one carried."""
        for index, reading in readings:
            if self.still_since[index] is None or reading.value != self.readings[index].value:
                self.still_since[index] = times.since
            self.readings[index] = reading
        if self.failed_since < times.since:
            self.common &= ~UNTIL_THE_NEXT
        if self.heard is None or self.heard.since < times.since:
            self.heard, self.heard_as = times, counter
        self.sum_up()

    def hear(self, times: Times, radio: Radio, counter: int | None) -> None:
        """Show how a frame that came late was heard, with or without data, where no newer one was heard."""
        overtook = times.since - self.counted < SAME_FRAME and (counter or 0) < (self.counter or 0)
        if self.counted < times.since and not overtook:
            self.radio, self.counter, self.counted = radio, counter, times.since

    def seat(self, node: str | None, since: float, sequence: Sequence | None = None) -> bool:
        """Have another node sit on the meter from `since` (UTC s) on, or none; values and totals stay as they are.

        `sequence` is that of the node's frames where it was heard on a meter before. Returns whether anything turned
        stale.
        """
        self.node = node
        self.sits_since = since
        turned = self.part_from_before()
        self.sequence = sequence or Sequence(self.meter.reports_every)
        self.sequence.interval = self.meter.reports_every
        self.radio, self.counter, self.counted = NO_RADIO, None, -math.inf
        self.heard_as = self.last_observed = None
        self.failed_since = -math.inf
        return turned

    def part_from_before(self) -> bool:
        """Have what was heard up to now say nothing of the node and the meter that are there from now on.

        Its readings are stale at once: nobody measures them any more. Returns whether any turned.
        """
        self.heard_before = self.heard
        return self._turn_stale(range(len(self.readings)))

    def part_from(self, since: float) -> None:
        """As `part_from_before`, of what is no newer than `since` (monotonic): a restart lies between."""
        self.heard_before = Times(None, None, 0.0, since)
        self._turn_stale(index for index in range(len(self.readings)) if not self.is_of_now(index))

    def is_of_now(self, index: int) -> bool:
        """Whether a field's reading is one of the node and the meter that are there now."""
        times = self.readings[index].times
        return times is not None and (self.heard_before is None or times.since > self.heard_before.since)

    @property
    def heard_here(self) -> Times | None:
        """Times of the last uplink of the node and the meter that are there now, None before the first."""
        return None if self.heard is self.heard_before else self.heard

    def mark(self, reason: int, on: bool) -> bool:
        """Set or clear a reason that holds for the whole meter. Returns whether that changed anything."""
        before = self.common
        self.common = before | reason if on else before & ~reason
        self.sum_up()
        return self.common != before

    def recall_samples(self, samples: Iterable[tuple[str, float, Value | None]], now: Now) -> None:
        """Go on computing from the history: field, when (UTC s) and value of what came before the restart."""
        assert self.computing is not None
        index_of = {each.name: index for index, each in enumerate(self.meter.profile.fields)}
        self.computing.add(
            Sample(index_of[field], now.monotonic - (now.utc - at), value if isinstance(value, int | float) else None)
            for field, at, value in samples
        )

    def restore(self, before: Remembered, now: Now, *, ages_known: bool = True) -> None:
        """Show the readings from before a restart as restored, as old as they are; stale where no clock can tell."""
        for index, field_ in enumerate(self.meter.profile.fields):
            kept, read = before.readings.get(field_.name), -math.inf
            if held_name(field_.name) in before.states:
                self.set_apart.add(index)
            if kept is not None and kept.unit != field_.unit:
                continue
            if kept is not None:
                read = self._restore_reading(index, kept, before, now, ages_known=ages_known)
            if index in self.counts:
                self._restore_total(index, before, read, now, ages_known=ages_known)
        if before.node == self.node:
            self._restore_frame(before, now)
        self._restore_test(before.states.get(IN_TEST))
        self._restore_failure(before.states.get(CANNOT_SAY), now)
        for index, field_ in enumerate(self.meter.profile.fields):
            substitute = restored(before.states.get(substitute_name(field_.name)), field_.unit, now)
            if substitute is not None:
                self.substitutes[index] = substitute
        self.expire(now.monotonic)
        self.sum_up()

    def _restore_test(self, kept: object) -> None:
        """Go on being held in test, by whom and why."""
        match kept:
            case {"who": str(who), "why": str(why), "since": int() | float() as since}:
                self.held = InTest(who, why, since)
                self.common |= UNDER_TEST

    def _restore_frame(self, before: Remembered, now: Now) -> None:
        """Show how the node was heard last; another one that sits there since was not heard like that."""
        self.radio, self.counter = before.radio, before.counter
        if before.heard is not None and before.heard <= now.utc:
            self.counted = now.monotonic - (now.utc - before.heard)

    def _restore_reading(
        self, index: int, kept: KeptReading, before: Remembered, now: Now, *, ages_known: bool
    ) -> float:
        """Show one reading as restored. Returns the monotonic instant it is of, minus infinity where no clock tells."""
        age = now.utc - before.at[kept.field]
        known = ages_known and age >= 0
        reasons = (kept.reasons | RESTORED) & ~STALE if known else kept.reasons | RESTORED | STALE
        times = Times(before.observed, before.received, before.arrived or 0.0, now.monotonic - max(0.0, age))
        self.readings[index] = Reading(kept.value, reasons, times)
        self.still_since[index] = times.since
        if self.heard is None or times.since > self.heard.since:
            self.heard = times
        return times.since if known else -math.inf

    def _restore_failure(self, kept: object, now: Now) -> None:
        """Go on saying that the newest uplink could not be read, or that the meter could not measure."""
        match kept:
            case {"reasons": int() as reasons, "at": int() | float() as at}:
                self.common |= reasons & UNTIL_THE_NEXT
                self.failed_since = now.monotonic - max(0.0, now.utc - at)

    def _restore_total(self, index: int, before: Remembered, read: float, now: Now, *, ages_known: bool) -> None:
        """Carry a total on from before a restart: as it was set apart then, else from the reading, of `read`."""
        name = self.meter.profile.fields[index].name
        kept, total = before.readings.get(name), before.readings.get(total_name(name))
        so_far = before.states.get(total_name(name), total.value if total else None)
        if not isinstance(so_far, int | float):
            return
        match before.states.get(held_name(name)):
            case {"last": int() | float() as last, "at": at, "doubted": int() | float() | None as doubted}:
                known = ages_known and isinstance(at, int | float) and at <= now.utc
                since = now.monotonic - (now.utc - at) if known else -math.inf
                self.totals[index] = Total(so_far, last, since, doubted)
            case _:
                if kept is not None and isinstance(kept.value, int | float):
                    self.totals[index] = Total(so_far, kept.value, read)

    def expire(self, monotonic: float) -> bool:
        """Turn stale what is too old by now. Returns whether anything turned."""
        return self._turn_stale(
            index
            for index, reading in enumerate(self.readings)
            if reading.times is not None
            and reading.times.since + self.meter.limit(index) <= monotonic  # the same sum as in `next_expiry`
        )

    def _turn_stale(self, fields: Iterable[int]) -> bool:
        """Turn the readings of some fields stale. Returns whether anything turned."""
        turned = False
        for index in fields:
            reading = self.readings[index]
            if reading.times is not None and not reading.reasons & STALE:
                self.readings[index] = reading._replace(reasons=reading.reasons | STALE)
                turned = True
        if turned:
            self.sum_up()
        return turned

    def next_expiry(self) -> float:
        """The monotonic instant at which the next reading turns stale or substitute ends, infinite where none will."""
        expiries = (
            reading.times.since + self.meter.limit(index)
            for index, reading in enumerate(self.readings)
            if reading.times is not None and not reading.reasons & STALE
        )
        return min((*expiries, *(each.ends for each in self.substitutes.values())), default=math.inf)

    def age(self, monotonic: float, index: int | None = None) -> float | None:
        """Seconds since the meter, or one field of it, was last observed; None where it never was."""
        times = self.heard if index is None else self.shown[index].times
        return None if times is None else max(0.0, monotonic - times.since)

    def sum_up(self) -> None:
        """Work out the meter's reasons from its readings'. An optional field that never came says nothing."""
        reasons = self.common if self.heard else self.common | NEVER_SEEN
        for field_, reading in zip(self.meter.profile.fields, self.readings, strict=True):
            if not reading.reasons or field_.computed is not None or (reading.times is None and field_.optional):
                continue  # what is computed has a status of its own, and says nothing of what the meter measures
            reasons |= reading.reasons
        self.shown, self.reasons = self.readings, reasons
        if self.substitutes:
            self._sum_up_substituted()

    def _sum_up_substituted(self) -> None:
        """As `sum_up`, where values entered by hand stand over readings.

        The meter's word goes on saying what is the matter beneath, silence above all, but not that there is no value.
        """
        self.shown = lay_over(self.readings, self.substitutes, self.common)
        self.reasons = SUBSTITUTED
        for index, field_ in enumerate(self.meter.profile.fields):
            reading = self.readings[index]
            if index in self.substitutes:
                self.reasons |= (reading.reasons | self.common) & ~BAD
            elif field_.computed is None and (reading.times is not None or not field_.optional):
                self.reasons |= reading.reasons | self.common
