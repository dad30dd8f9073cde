"""A rehearsal put together from its file: what it names is looked up among the site's meters, alarms and registers."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path

from aggregator.config import units
from aggregator.config.alarms import setpoint_in
from aggregator.config.document import Document, Steps, read
from aggregator.config.expectations import Expectations
from aggregator.config.findings import Findings, time_words
from aggregator.config.rehearsal_keys import RehearsalKeys, StepKeys
from aggregator.config.scalars import Wrong, duration, is_number
from aggregator.config.sentences import validate
from aggregator.core import response
from aggregator.core.address_map import Table
from aggregator.core.alarm import Alarm, Key
from aggregator.core.annunciator import unit_of
from aggregator.core.errors import ConfigurationError
from aggregator.core.outbox import Note
from aggregator.core.plant_software import Writes
from aggregator.core.reading import Now
from aggregator.core.rehearsal import FAULT, Act, Reads, Rehearsal, Stage, Step, whole_alarms
from aggregator.core.site import Declared, Site
from aggregator.core.slip import near

MOST_STEPS = 100_000  # repetitions counted; a file that asks for more was meant otherwise
FROM_FILE = "as in the file"
ALL = "all"
Do = Callable[[Site, Now], None]


def read_rehearsal(path: Path, declared: Declared) -> Rehearsal:
    """The rehearsal in a file, against a site. Raises ConfigurationError with every problem in it."""
    file = read(path)
    keys = validate(RehearsalKeys, file)
    findings = Findings()
    rehearsal = _Builder(declared, file, findings).build(keys)
    if findings.problems:
        raise ConfigurationError(findings.problems)
    return rehearsal


class _Builder:
    def __init__(self, declared: Declared, file: Document, findings: Findings) -> None:
        self.meters = {meter.tag: meter for meter in declared.meters}
        self.alarms: dict[Key, Alarm] = {each.key: each for each in declared.alarms.alarms}
        self.groups = {group.name: group for group in declared.alarms.groups}
        self.suppressions = {each.name for each in declared.alarms.suppressions}
        self.declared = declared
        self.file = file
        self.findings = findings
        self.spoken: set[str] = set()
        self.late: dict[str, set[float]] = defaultdict(set)
        self.expectations = Expectations(declared, file, findings, self.spoken)

    def build(self, keys: RehearsalKeys) -> Rehearsal:
        steps: list[Step] = []
        before = -math.inf
        for at, each in enumerate(keys.steps):
            if each.at < before:
                cure = "Put the steps in order; after midnight write `day 2 06:00`"
                self.findings.wrong(self.file.place("steps", at, "at"), "this step comes before the one above it", cure)
            before = each.at
            steps += self._repeated(each, at)
        steps.sort(key=lambda step: step.at)  # a stable sort: at one time, in the order of the file
        never_heard = frozenset(tag for tag in keys.never_heard if self._is_meter(tag, ("never_heard",)))
        self.spoken |= never_heard
        late = {tag: tuple(sorted(times)) for tag, times in self.late.items()}
        return Rehearsal(
            keys.rehearsal, tuple(steps), whole_alarms(self.declared.alarms, self.spoken), late, never_heard
        )

    def _repeated(self, keys: StepKeys, at: int) -> Iterator[Step]:
        steps: Steps = ("steps", at)
        acts = tuple(self._acts(keys, steps))
        checks = tuple(self.expectations.checks(keys, steps))
        says, place = _says(keys), self.file.place(*steps)
        times = 1 if keys.every is None or keys.until is None else math.floor((keys.until - keys.at) / keys.every) + 1
        if times > MOST_STEPS:
            self.findings.wrong(place, f"this step would come {times} times", f"Write {MOST_STEPS} at most")
            return
        if keys.refused and not acts:
            self.findings.wrong(place, "`refused` stands where nobody does anything", "Say what is to be refused")
        for number in range(times):
            yield Step(keys.at + number * (keys.every or 0.0), says, acts, checks, keys.refused, place)

    # What happens

    def _acts(self, keys: StepKeys, steps: Steps) -> Iterator[Act]:
        yield from self._reads(keys, steps)
        yield from self._silent(keys.silent or [], (*steps, "silent"))
        if keys.clock is not None:
            yield partial(Stage.jump, by=keys.clock)
        if keys.restart is not None:
            yield partial(Stage.restart, lasts=keys.restart)
        yield from (
            partial(_acknowledge, keys=whose, looked=keys.looked, who=keys.who) for whose in self._owed(keys, steps)
        )
        for do in self._by_hand(keys, steps):
            yield partial(Stage.act, do=do)
        for table, written in ((Table.COIL, keys.coil), (Table.HOLDING, keys.holding)):
            for name, text in (written or {}).items():
                yield from self._written(table, name, text, keys, (*steps, table.key, name))

    def _reads(self, keys: StepKeys, steps: Steps) -> Iterator[Act]:
        values: dict[str, dict[int, float]] = defaultdict(dict)
        for name, text in (keys.reads or {}).items():
            where = (*steps, "reads", name)
            found = self._field(name, where)
            if found is not None:
                tag, index = found
                try:
                    values[tag][index] = units.quantity(text, self.meters[tag].profile.fields[index].unit)
                except Wrong as wrong:
                    self.findings.take(wrong, self.file, *where)
        for name in keys.fault or []:
            found = self._field(name, (*steps, "fault"))
            if found is not None:
                values[found[0]][found[1]] = FAULT
        measured = keys.measured
        if measured is not None and not values:
            self.findings.wrong(
                self.file.place(*steps, "measured"), "`measured` stands without `reads`", "Say what was read then"
            )
        if measured is not None and measured >= keys.at:
            late = self.file.place(*steps, "measured")
            self.findings.wrong(late, "it would come before it was measured", "Write a time before `at`")
        for tag, read_ in values.items():
            if measured is not None:
                self.late[tag].add(measured)
            yield Reads(tag, read_, measured)

    def _field(self, name: str, where: Steps) -> tuple[str, int] | None:
        """The meter and the field that `AT-121 methane` names."""
        tag, _, field = name.partition(" ")
        if not self._is_meter(tag, where):
            return None
        fields = self.meters[tag].profile.fields
        index = next((at for at, each in enumerate(fields) if each.name == field.strip()), None)
        sent = [each.name for each in fields if each.computed is None]
        if index is None:
            what = f"{tag} has no field `{field}`" if field else f"`{tag}` names a meter and no field"
            self.findings.wrong(self.file.key_place(*where), what, near(field, sent, "It has"))
            return None
        if fields[index].computed is not None:
            what = f"{name} is computed, and no node sends it"
            self.findings.wrong(self.file.key_place(*where), what, f"It has {', '.join(sent)}")
            return None
        self.spoken.add(tag)
        return tag, index

    def _is_meter(self, tag: str, where: Steps) -> bool:
        if tag in self.meters:
            return True
        self.findings.wrong(
            self.file.key_place(*where), f"there is no meter `{tag}`", near(tag, self.meters, "There are")
        )
        return False

    def _silent(self, listed: list[str], where: Steps) -> Iterator[Act]:
        for text in listed:
            tag, _, lasts = text.partition(" for ")
            if self._is_meter(tag.strip(), where):
                self.spoken.add(tag.strip())
                seconds = self._seconds(lasts, where) if lasts else math.inf
                yield partial(Stage.be_silent, tag=tag.strip(), lasts=seconds)

    def _seconds(self, text: str, where: Steps) -> float:
        try:
            return duration(text.strip())
        except Wrong as wrong:
            self.findings.take(wrong, self.file, *where)
            return 0.0

    # What plant software writes

    def _written(self, table: Table, name: str, text: str, keys: StepKeys, where: Steps) -> Iterator[Act]:
        found = self.expectations.written_as(table, name)
        if found is None:
            cure = near(name, self.expectations.writable(table, name), "The map has")
            self.findings.wrong(self.file.key_place(*where), f"no {table.words} is `{name}`", cure)
            return
        self.spoken.add(name.partition(" ")[0])
        value = self._value(table, text, where)
        if value is not None:
            yield Writes(*found, value, keys.who, keys.looked)

    def _value(self, table: Table, text: str, where: Steps) -> float | Key | None:
        tag, _, alarm = text.partition(" ")
        if table is Table.HOLDING and (tag, alarm) in self.alarms:
            return tag, alarm
        if is_number(text) and (table is Table.HOLDING or text in ("0", "1")):
            return float(text)
        cure = "Write 1 or 0" if table is Table.COIL else "Write a number, or the alarm whose number it is"
        self.findings.wrong(self.file.place(*where), f"`{text}` is not what a {table.words} takes", cure)
        return None

    # What people do

    def _owed(self, keys: StepKeys, steps: Steps) -> Iterator[frozenset[Key]]:
        return (self._whose(text, (*steps, "acknowledge")) for text in keys.acknowledge or [])

    def _by_hand(self, keys: StepKeys, steps: Steps) -> Iterator[Do]:
        who = keys.who
        for key in self._keys(keys.reset, (*steps, "reset")):
            yield _on(key, partial(response.reset, who=who))
        for text in keys.shelve or []:
            name, _, lasts = text.rpartition(" for ")
            where = (*steps, "shelve")
            if not name:
                cure = "Write `AT-121 methane high for 2 h`"
                self.findings.wrong(self.file.place(*where), f"`{text}` does not say for how long", cure)
                continue
            seconds = self._seconds(lasts, where)
            for key in self._keys([name], where):
                yield _on(key, partial(response.shelve, seconds=seconds, why=keys.why or "", who=who))
        for key in self._keys(keys.unshelve, (*steps, "unshelve")):
            yield _on(key, partial(response.unshelve, who=who))
        yield from self._switched(keys, steps)
        yield from self._setpoints(keys.setpoint or {}, who, (*steps, "setpoint"))
        if keys.silence:
            yield _silence(who)

    def _switched(self, keys: StepKeys, steps: Steps) -> Iterator[Do]:
        who = keys.who
        for name, on in self._switches(keys.out_of_service, (*steps, "out_of_service")):
            for key in self._keys([name], (*steps, "out_of_service")):
                yield _on(key, partial(response.serve, on=not on, who=who))
        for tag, on in self._switches(keys.test, (*steps, "test")):
            if self._is_meter(tag, (*steps, "test")):
                self.spoken.add(tag)
                yield _hold_in_test(tag, who, on=on)
        for name, on in self._switches(keys.suppress, (*steps, "suppress")):
            if name in self.suppressions:
                yield _suppress(name, who, on=on)
            else:
                cure = near(name, self.suppressions, "There are")
                self.findings.wrong(self.file.place(*steps, "suppress"), f"there is no suppression `{name}`", cure)

    def _switches(self, listed: list[str] | None, where: Steps) -> Iterator[tuple[str, bool]]:
        for text in listed or []:
            name, _, switch = text.rpartition(" ")
            if switch in ("on", "off") and name:
                yield name, switch == "on"
            else:
                cure = f"Write `{text} on` or `{text} off`"
                self.findings.wrong(self.file.place(*where), f"`{text}` says neither on nor off", cure)

    def _setpoints(self, wanted: Mapping[str, str], who: str, where: Steps) -> Iterator[Do]:
        for name, text in wanted.items():
            for key in self._keys([name], (*where, name)):
                value: float | None = None
                if text != FROM_FILE:
                    alarm = self.alarms[key]
                    unit = unit_of(alarm, self.meters.get(key[0]))
                    try:
                        value = setpoint_in(text, alarm.kind, unit, alarm.written and alarm.written.unit)
                    except Wrong as wrong:
                        self.findings.take(wrong, self.file, *where, name)
                yield _on(key, partial(response.set_setpoint, setpoint=value, who=who))

    def _keys(self, listed: list[str] | None, where: Steps) -> Iterator[Key]:
        """The alarms that are named, each as its tag and its name."""
        for text in listed or []:
            tag, _, name = text.partition(" ")
            if (tag, name) in self.alarms:
                self.spoken.add(tag)
                yield tag, name
            else:
                has = [alarm for of, alarm in self.alarms if of == tag]
                known = near(name, has, f"{tag} has") if has else near(tag, {of for of, _ in self.alarms}, "There are")
                self.findings.wrong(self.file.key_place(*where), f"there is no alarm `{text}`", known)

    def _whose(self, text: str, where: Steps) -> frozenset[Key]:
        """The alarms of a meter or a group, one alarm, or all."""
        if text == ALL:
            return frozenset(self.alarms)
        if text in self.groups:
            self.spoken.add(text)
            return frozenset({*self.groups[text].members, *(key for key in self.alarms if key[0] == text)})
        if text in self.meters:
            self.spoken.add(text)
            return frozenset(key for key in self.alarms if key[0] == text)
        return frozenset(self._keys([text], where))


def _on(key: Key, act: Callable[..., list[Note]]) -> Do:
    """What somebody does about one alarm."""

    def do(site: Site, now: Now) -> None:
        site.respond(lambda annunciator: act(annunciator, annunciator.alarms[key], now=now))

    return do


def _acknowledge(stage: Stage, keys: Iterable[Key], looked: float | None, who: str) -> None:
    def do(site: Site, now: Now) -> None:
        seen = now.monotonic if looked is None else stage.steady(looked)
        site.respond(
            lambda all_: response.acknowledge(all_, [all_.alarms[key] for key in sorted(keys)], seen, who, now)
        )

    stage.act(do)


def _hold_in_test(tag: str, who: str, *, on: bool) -> Do:
    return lambda site, now: site.hold_in_test(tag, on=on, who=who, now=now)


def _suppress(name: str, who: str, *, on: bool) -> Do:
    return lambda site, now: site.respond(partial(response.switch, name=name, on=on, who=who, now=now))


def _silence(who: str) -> Do:
    return lambda site, now: site.respond(partial(response.silence, who=who, now=now))


def _says(keys: StepKeys) -> str:
    """A step in one line: what it is about, else what stands in it."""
    if keys.says:
        return keys.says
    parts: list[str] = [f"{name} reads {text}" for name, text in (keys.reads or {}).items()]
    for word, listed in (
        ("fault of", keys.fault),
        ("silent:", keys.silent),
        ("acknowledge", keys.acknowledge),
        ("reset", keys.reset),
        ("shelve", keys.shelve),
        ("unshelve", keys.unshelve),
        ("out of service:", keys.out_of_service),
        ("test", keys.test),
        ("suppress", keys.suppress),
    ):
        parts += [f"{word} {text}" for text in listed or []]
    parts += [f"limit of {name}: {text}" for name, text in (keys.setpoint or {}).items()]
    for table, written in ((Table.COIL, keys.coil), (Table.HOLDING, keys.holding)):
        parts += [f"{table.words} {name} is written: {text}" for name, text in (written or {}).items()]
    parts += ["silence the sounder"] * keys.silence
    if keys.restart is not None:
        parts.append(f"power is cut for {time_words(keys.restart)}" if keys.restart else "power is cut")
    if keys.clock is not None:
        parts.append(f"the clock is set {'on' if keys.clock > 0 else 'back'} by {time_words(abs(keys.clock))}")
    return "; ".join(parts) or "a look"
