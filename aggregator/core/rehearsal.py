"""A rehearsal: a day that somebody made up, run through a site's own meters and alarms on a clock of its own.

    step    10:00  AT-121 methane reads 25 %LEL     acts    -> Stage -> Site
                   expect AT-121 methane high: ...  checks  <- Stage <- Site

Nodes are played: each goes on reporting what its meter last read, every `reports_every`, until it is silent; at first
that is something ordinary. Their uplinks take the whole road of real ones, but carry each field as it is shown. All
times are seconds since the first midnight; the process's own steady clock begins anew at every restart, as it does
after a power cut.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import NamedTuple

from aggregator.core.alarm import Alarm, Alarms, Proof, proof
from aggregator.core.encoding import Scale
from aggregator.core.errors import AggregatorError, Place
from aggregator.core.keeping import Kept, KeptEvent, KeptFrame, Remembered
from aggregator.core.meter import Meter
from aggregator.core.pointer import Pointer
from aggregator.core.profile import DecodedField, Field
from aggregator.core.reading import Now, Value
from aggregator.core.site import Declared, Site
from aggregator.core.uplink import Envelope

TOPIC = "rehearsal"
FIRST_MIDNIGHT = 1_800_057_600.0  # 2027-01-16T00:00:00Z, a day like any other
FAULT = -1e25  # what a played node sends in place of a value
FAULT_WORDS = "sensor fault"
ROUNDING = 1e-6  # s
UPTIME = 60.0  # s that the machine has been up when the service begins
ENVELOPE = Envelope(TOPIC, Pointer("/node"), Pointer("/counter"), received=Pointer("/heard"), fields=Pointer("/fields"))

Act = Callable[["Stage"], None]
Values = Mapping[int, float]
"""Fields of a meter by index, each in its own unit; FAULT stands for a fault."""


class Recalled(NamedTuple):
    """What a store gives back after a restart: `samples` are those of a meter's fields since a time (UTC s)."""

    remembered: Mapping[str, Remembered]
    frames: Iterable[KeptFrame]
    samples: Callable[[str, Sequence[str], float], Iterable[tuple[str, float, Value | None]]]


Memory = Callable[[Sequence[Kept]], Recalled]
"""Takes all that was to be kept and gives back what a restart gets."""


@dataclass(frozen=True, slots=True)
class Check:
    """Something expected: what about, what is wanted, and how to look at what is so, in the same words."""

    about: str
    wanted: str
    look: Callable[[Stage], str]
    place: Place = field(default=Place(""), compare=False)


@dataclass(frozen=True, slots=True)
class Step:
    """What happens at one time, and what is expected then. `refused` is part of the refusal that an act must meet."""

    at: float
    says: str
    acts: tuple[Act, ...] = ()
    checks: tuple[Check, ...] = ()
    refused: str | None = None
    place: Place = field(default=Place(""), compare=False)


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """A whole rehearsal. `tags` are the meters and groups it speaks of; `late` tells when what comes late was measured.

    The first step begins the day; each meter reports for the first time then, but for those `never_heard`: they do so
    once they read something.
    """

    title: str
    steps: tuple[Step, ...]
    tags: frozenset[str] = frozenset()
    late: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    never_heard: frozenset[str] = frozenset()


class Line(NamedTuple):
    """One line of what a rehearsal tells: when, what, and whether it is not as expected.

    It is a step, something expected, or what came of a step.
    """

    at: float
    text: str
    differs: bool = False
    is_step: bool = False
    is_expected: bool = False
    place: Place = Place("")


class CannotPlay(AggregatorError):
    """Something cannot be done on the stage just now; the message says why."""


def rehearsable(declared: Declared) -> Declared:
    """The same site, with a node on each meter that sends every field by its index."""
    meters = tuple(_played(meter, number) for number, meter in enumerate(declared.meters))
    return replace(declared, meters=meters, envelopes=(ENVELOPE,))


def _played(meter: Meter, number: int) -> Meter:
    decoded = tuple(
        DecodedField(index, Pointer(f"/{index}"), Scale(), {FAULT: FAULT_WORDS})
        for index, each in enumerate(meter.profile.fields)
        if each.computed is None
    )
    profile = replace(meter.profile, decoded=decoded, payloads={})
    return replace(meter, profile=profile, node=meter.node or f"{number:016x}")


def ordinary(field_: Field, alarms: Iterable[Alarm]) -> float:
    """Something that a field can read without any alarm, for those that a rehearsal does not speak of.

    A counter stands at zero; else it is a point of the range or between two limits, or zero where there is none.
    """
    if field_.counting is not None:
        return 0.0
    low, high = field_.low, field_.high
    finite = math.isfinite(low) and math.isfinite(high)
    points = [low + part * (high - low) for part in (0.5, 0.75, 0.25, 0.0, 1.0)] if finite else []
    levels = [each for each in alarms if not each.kind.is_a_rate and each.against is None]
    limits = sorted({each.setpoint for each in levels})
    points += [(one + other) / 2 for one, other in pairwise(limits)]
    for point in (*points, 0.0):
        charged = field_.low_below is None or point >= field_.low_below
        if charged and all(proof(each, each.setpoint, point, 0) is Proof.BACK for each in levels):
            return point
    return 0.0


class Stage:
    """Where a rehearsal is played: the site, its nodes, the clocks.

    `at` is the present second of the rehearsal, `kept` all that was to be kept since it began.
    """

    def __init__(self, declared: Declared, rehearsal: Rehearsal, memory: Memory) -> None:
        self.declared = rehearsable(declared)
        self.rehearsal = rehearsal
        self.at = rehearsal.steps[0].at if rehearsal.steps else 0.0
        self.lines: list[Line] = []
        self.down_until: float | None = None  # the service is not running
        self.ahead = 0.0  # how far (s) the gateway's wall clock has jumped
        self._memory = memory
        self.kept: list[Kept] = []
        self._meters = {meter.tag: meter for meter in self.declared.meters}
        self._values = {tag: self._ordinary(meter) for tag, meter in self._meters.items()}
        self._next = dict.fromkeys(self._meters, self.at)  # by tag, when its node reports again
        self._silent_until = dict.fromkeys(rehearsal.never_heard, math.inf)
        self._counters: dict[str, int] = defaultdict(int)
        self._sent: dict[str, float] = {}  # by tag, when its node last sent
        self._numbered: dict[tuple[str, float], int] = {}  # counters of what was measured and has not arrived
        self._waiting: list[bytes] = []  # what the broker holds while the service is down
        self._booted = self.at
        self.site = self._boot(None)

    # The clocks

    def now(self) -> Now:
        """The present, as the service sees it."""
        return Now(self.steady(self.at), FIRST_MIDNIGHT + self.at + self.ahead)

    def steady(self, at: float) -> float:
        """A second of the rehearsal on the steady clock of the process that runs."""
        return at - self._booted + UPTIME

    def pass_time(self, until: float, reading: frozenset[str] = frozenset()) -> None:
        """Let time pass: ticks and reports come when they are due. `reading` are meters that are about to report."""
        while True:
            due = self.down_until if self.down_until is not None else self._booted - UPTIME + self.site.next_look()
            self.at = max(self.at, min(until, due, *self._next.values()))
            if self.down_until is not None and self.down_until <= self.at:
                self._come_back()
            if self.down_until is None:
                self._tick()
            self._report(reading if self.at >= until else frozenset())
            if self.at >= until:
                return

    def _tick(self) -> None:
        now, due = self.now(), self.site.next_look()
        # What is due now is due, whatever sums of seconds round to.
        self.site.tick(now._replace(monotonic=due) if 0 < due - now.monotonic < ROUNDING else now)
        self._collect()

    def _report(self, reading: frozenset[str]) -> None:
        for tag, at in self._next.items():
            if at <= self.at:
                self._next[tag] = at + self._meters[tag].reports_every
                if self._silent_until.get(tag, -math.inf) <= self.at and tag not in reading:
                    self._send(tag, self._values[tag], self.at)

    # Nodes

    def read(self, tag: str, values: Values) -> None:
        """A meter reads something else, and its node reports it at once, and again whenever it is due."""
        self._values[tag].update(values)
        self._silent_until.pop(tag, None)
        self._next[tag] = self.at + self._meters[tag].reports_every
        self._send(tag, self._values[tag], self.at)

    def arrive_late(self, tag: str, values: Values, measured: float) -> None:
        """What a node measured earlier comes only now; what it last read it goes on reporting."""
        self._send(tag, {**self._values[tag], **values}, measured)

    def be_silent(self, tag: str, lasts: float) -> None:
        """A node sends nothing for so long (s)."""
        self._silent_until[tag] = self.at + lasts

    def _ordinary(self, meter: Meter) -> dict[int, float]:
        declared = self.declared.alarms
        watches = [each.watch for each in declared.suppressions if each.watch is not None]
        alarms = [each for each in (*declared.alarms, *watches) if each.tag == meter.tag]
        return {
            index: ordinary(each, [alarm for alarm in alarms if alarm.index == index])
            for index, each in enumerate(meter.profile.fields)
            if each.computed is None and not each.optional
        }

    def _send(self, tag: str, values: Values, measured: float) -> None:
        message = {
            "node": self._meters[tag].node,
            "counter": self._counter(tag, measured),
            "heard": FIRST_MIDNIGHT + measured,
            "fields": {str(index): value for index, value in values.items()},
        }
        body = json.dumps(message).encode()
        if self.down_until is not None:
            self._waiting.append(body)
        else:
            self._deliver(body)

    def _counter(self, tag: str, measured: float) -> int:
        """The frame counter of what was measured then: a node counts what it sends, arrived or not."""
        if (tag, measured) in self._numbered:
            return self._numbered.pop((tag, measured))
        for late in self.rehearsal.late.get(tag, ()):
            if self._sent.get(tag, -math.inf) < late < measured:
                self._counters[tag] += 1
                self._numbered[tag, late] = self._counters[tag]
        self._sent[tag] = measured
        self._counters[tag] += 1
        return self._counters[tag]

    def _deliver(self, body: bytes) -> None:
        self.site.receive(TOPIC, body, retained=False, now=self.now())
        self._collect()

    # The service

    def act(self, do: Callable[[Site, Now], None]) -> None:
        """Have somebody do something at the running service. Raises CannotPlay where none runs."""
        if self.down_until is not None:
            raise CannotPlay("the service is not running")
        do(self.site, self.now())
        self._collect()

    def restart(self, lasts: float) -> None:
        """The service ends as in a power cut, and is back after so long (s). The broker holds what comes meanwhile."""
        self.down_until = self.at + lasts
        if not lasts:
            self._come_back()

    def jump(self, by: float) -> None:
        """Somebody sets the gateway's wall clock."""
        self.ahead += by

    def _come_back(self) -> None:
        self.down_until = None
        self._booted = self.at
        self.site = self._boot(self._memory(self.kept))
        for body in self._waiting:
            self._deliver(body)
        self._waiting.clear()

    def _boot(self, recalled: Recalled | None) -> Site:
        site = Site(self.declared, self.now())
        self.site = site
        site.restore(recalled.remembered if recalled else {}, self.now(), recalled.frames if recalled else ())
        for tag, fields, window in site.samples_wanted():
            if recalled:
                site.recall_samples(tag, recalled.samples(tag, fields, self.now().utc - 2 * window), self.now())
        self._collect()
        return site

    def _collect(self) -> None:
        kept = self.site.take_kept()
        self.kept += kept
        self.lines += [
            Line(self.at, _told(each))
            for each in kept
            if isinstance(each, KeptEvent) and (each.tag is None or each.tag in self.rehearsal.tags)
        ]


def _told(event: KeptEvent) -> str:
    """A line of the journal, for people."""
    facts = dict(event.facts)
    alarm, state = facts.pop("alarm", None), facts.pop("state", None)
    if alarm is None or event.event == "setpoint changed":
        state = None
    about = " ".join(str(each) for each in (event.tag, alarm) if each)
    value, setpoint = facts.get("value"), facts.get("setpoint")
    measured = f" at {value:g}, limit {setpoint:g}" if isinstance(value, float) and isinstance(setpoint, float) else ""
    who = f" by {event.who}" if event.who else ""
    head = f"{about}: " if about else ""
    return f"{head}{event.event}{measured}{who}" + (f" -> {state}" if state else "")


def play(declared: Declared, rehearsal: Rehearsal, memory: Memory) -> Iterator[Line]:
    """Play a rehearsal, and tell each step, what became of it, and what was not as expected."""
    stage = Stage(declared, rehearsal, memory)
    for number, step in enumerate(rehearsal.steps):
        together = rehearsal.steps[number + 1 :]
        stage.pass_time(step.at, _reading(step, together))
        yield from _lines_of(stage)
        yield Line(step.at, step.says, is_step=True, place=step.place)
        yield from _acted(stage, step)
        for check in step.checks:
            found = "the service is not running" if stage.down_until is not None else check.look(stage)
            said = f"{check.about}: {check.wanted}"
            differs = found != check.wanted
            yield Line(
                step.at, f"{said}, but is {found}" if differs else said, differs, is_expected=True, place=check.place
            )


def _reading(step: Step, later: Sequence[Step]) -> frozenset[str]:
    """The meters that report at a step's time anyway."""
    now = [step, *(each for each in later if each.at == step.at)]
    return frozenset(act.tag for each in now for act in each.acts if isinstance(act, Reads))


def _acted(stage: Stage, step: Step) -> Iterator[Line]:
    refusal = None
    for act in step.acts:
        try:
            act(stage)
        except AggregatorError as error:
            refusal = str(error)
    yield from _lines_of(stage)
    if refusal is not None:
        as_wanted = step.refused is not None and step.refused in refusal
        yield Line(step.at, f"refused: {refusal}", not as_wanted, place=step.place)
    elif step.refused is not None:
        yield Line(step.at, f"should have been refused: {step.refused}", differs=True, place=step.place)


def _lines_of(stage: Stage) -> Iterator[Line]:
    lines, stage.lines = stage.lines, []
    yield from lines


@dataclass(frozen=True, slots=True)
class Reads:
    """A meter reads something; with `measured` it comes late, measured then."""

    tag: str
    values: Values
    measured: float | None = None

    def __call__(self, stage: Stage) -> None:
        """Have it happen."""
        if self.measured is None:
            stage.read(self.tag, self.values)
        else:
            stage.arrive_late(self.tag, self.values, self.measured)


def whole_alarms(alarms: Alarms, tags: Iterable[str]) -> frozenset[str]:
    """The meters and groups that a rehearsal speaks of, and the groups and suppressions that these belong to."""
    spoken = set(tags)
    for group in alarms.groups:
        if spoken & {tag for tag, _ in group.members}:
            spoken.add(group.name)
    return frozenset(spoken)
