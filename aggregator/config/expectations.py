"""What a rehearsal expects: states, readings, counts and registers, each looked up before anything is played.

AT-121 methane high: unacknowledged     an alarm's state
AT-121: stale                           a meter's grade or one of its reasons
AT-121 methane: 25 %LEL                 a field's value, its grade or one of its reasons
sounder: silent                         and `unacknowledged`, `meters in alarm`, `first up in GROUP`
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from aggregator.config import units
from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.rehearsal_keys import StepKeys
from aggregator.config.scalars import Wrong, is_number
from aggregator.core.address_map import COMMANDS, Entry, Item, Shows, Table
from aggregator.core.alarm_state import State
from aggregator.core.image import Image
from aggregator.core.meter import MeterState
from aggregator.core.reading import Grade, Reason, grade_of, quality_words, reason_word, reasons_in
from aggregator.core.rehearsal import Check, Stage
from aggregator.core.site import Declared
from aggregator.core.slip import near

STATES = {state.words.replace(",", ""): state.words for state in State}
QUALITIES = {*(grade.name.lower() for grade in Grade), *(reason_word(each) for each in Reason if each)}
FIRST_UP = "first up in "
NOTHING = "nothing"
NAMED_BY_WHAT_THEY_SHOW = (Shows.VALUE, Shows.GATEWAY, Shows.FLAG, Shows.SETTING, Shows.SUMMARY)
GATEWAY = "gateway"
WHOLE = "site"


def _sounder(stage: Stage) -> str:
    return "asked for" if stage.site.annunciator.horn else "silent"


def _unacknowledged(stage: Stage) -> str:
    return str(stage.site.annunciator.owed)


def _in_alarm(stage: Stage) -> str:
    return str(stage.site.annunciator.meters_in_alarm)


WHOLE_SITE: dict[str, Callable[[Stage], str]] = {
    "sounder": _sounder,
    "unacknowledged": _unacknowledged,
    "meters in alarm": _in_alarm,
}


def item_name(entry: Entry) -> str:
    """How a rehearsal names an item of the register list: `AT-121 methane`, `AT-121 age methane`, `gateway state`."""
    item = entry.item
    what = item.of if item.shows in NAMED_BY_WHAT_THEY_SHOW else f"{item.shows} {item.of}".strip()
    return f"{entry.tag or _whose(item)} {what}".strip()


def _whose(item: Item) -> str:
    """Whom an item of no meter is of: the gateway, or in a block of alarms a group or the whole site."""
    if item.shows is Shows.GATEWAY:
        return GATEWAY
    return item.about or WHOLE if item.shows is Shows.SUMMARY or item.shows in COMMANDS else ""


class Expectations:
    """Builds the checks of a rehearsal's steps. `spoken` collects the meters and groups they speak of."""

    def __init__(self, declared: Declared, file: Document, findings: Findings, spoken: set[str]) -> None:
        self.meters = {meter.tag: meter for meter in declared.meters}
        self.alarms = {each.key for each in declared.alarms.alarms}
        self.groups = {group.name for group in declared.alarms.groups}
        self.file = file
        self.findings = findings
        self.spoken = spoken
        self.items: dict[str, tuple[str, Entry]] = {}
        self._written: dict[tuple[Table, str], tuple[str, Entry]] = {}
        for device in declared.devices:
            if device.stands_in is None:
                # Of a bit and a register of one name the register says more.
                for entry in sorted(device.entries(), key=lambda entry: entry.table.is_bits):
                    name = item_name(entry)
                    self.items.setdefault(name, (device.name, entry))
                    if entry.table.is_writable:
                        self._written.setdefault((entry.table, name), (device.name, entry))

    def written_as(self, table: Table, name: str) -> tuple[str, Entry] | None:
        """The device and the item that plant software writes under a name."""
        return self._written.get((table, name))

    def writable(self, table: Table, name: str) -> list[str]:
        """What can be written of whom a name begins with, or else all there is."""
        known = [each for of, each in self._written if of is table]
        return [each for each in known if each.partition(" ")[0] == name.partition(" ")[0]] or known

    def checks(self, keys: StepKeys, steps: Steps) -> Iterator[Check]:
        """What one step expects."""
        for kind, listed, find in (
            ("expect", keys.expect, self._state),
            ("registers", keys.registers, self._register),
        ):
            for name, wanted in listed.items():
                where = (*steps, kind, name)
                yield from (replace(each, place=self.file.key_place(*where)) for each in find(name, wanted, where))

    def _state(self, name: str, wanted: str, where: Steps) -> Iterator[Check]:
        tag, _, rest = name.partition(" ")
        if name in WHOLE_SITE:
            yield Check(name, wanted, WHOLE_SITE[name])
        elif name.startswith(FIRST_UP):
            yield from self._first_up(name.removeprefix(FIRST_UP), wanted, where)
        elif (tag, rest) in self.alarms:
            yield from self._alarm(tag, rest, wanted, where)
        elif tag in self.meters:
            yield from self._reading(tag, rest, wanted, where)
        else:
            known = [*self.meters, *self.groups, *WHOLE_SITE]
            self._wrong(where, f"there is no meter or group `{tag}`", near(tag, known, "There are"), key=True)

    def _first_up(self, group: str, wanted: str, where: Steps) -> Iterator[Check]:
        if group not in self.groups:
            self._wrong(where, f"there is no group `{group}`", near(group, self.groups, "There are"), key=True)
            return
        self.spoken.add(group)

        def look(stage: Stage) -> str:
            first = stage.site.annunciator.first_up[group]
            return NOTHING if first is None else " ".join(first)

        yield Check(f"{FIRST_UP}{group}", wanted, look)

    def _alarm(self, tag: str, name: str, wanted: str, where: Steps) -> Iterator[Check]:
        state = STATES.get(wanted.replace(",", ""))
        if state is None:
            self._wrong(where, f"`{wanted}` is no state of an alarm", near(wanted, STATES, "Possible are"))
            return
        self.spoken.add(tag)
        yield Check(f"{tag} {name}", state, lambda stage: stage.site.annunciator.alarms[tag, name].state.words)

    def _reading(self, tag: str, field: str, wanted: str, where: Steps) -> Iterator[Check]:
        index = self.meters[tag].profile.index_of(field) if field else None
        if field and index is None:
            names = [name for of, name in self.alarms if of == tag]
            names += [each.name for each in self.meters[tag].profile.fields]
            self._wrong(where, f"{tag} has no alarm and no field `{field}`", near(field, names, "It has"), key=True)
            return
        self.spoken.add(tag)
        if wanted in QUALITIES:
            yield Check(f"{tag} {field}".strip(), wanted, lambda stage: _quality(stage.site.states[tag], index, wanted))
        elif index is None:
            self._wrong(where, f"`{wanted}` says nothing of a meter", near(wanted, sorted(QUALITIES), "Possible are"))
        else:
            yield from self._value(tag, index, wanted, where)

    def _value(self, tag: str, index: int, wanted: str, where: Steps) -> Iterator[Check]:
        field = self.meters[tag].profile.fields[index]
        try:
            value = units.quantity(wanted, field.unit)
        except Wrong as wrong:
            self._wrong(where, wrong.what, f"{wrong.cure}, or a grade or reason of the status word")
            return

        def look(stage: Stage) -> str:
            return _number(stage.site.states[tag].shown[index].value, field.unit)

        yield Check(f"{tag} {field.name}", _number(value, field.unit), look)

    def _register(self, name: str, wanted: str, where: Steps) -> Iterator[Check]:
        found = self.items.get(name)
        if found is None:
            owner = name.partition(" ")[0]
            of = [each for each in self.items if each.partition(" ")[0] == owner] or self.items
            self._wrong(where, f"no register shows `{name}`", near(name, of, "The map has"), key=True)
            return
        device, entry = found

        def look(stage: Stage) -> str:
            image = stage.site.tables[device]
            assert isinstance(image, Image)
            held = image.held(entry.item, entry.address, stage.now())
            return _number(int(held) if isinstance(held, bool) else held, "")

        text = _number(float(wanted), "") if is_number(wanted) else wanted
        yield Check(f"{entry.table.span(entry.address, entry.item.size)}, {name}", text, look)

    def _wrong(self, where: Steps, what: str, cure: str, *, key: bool = False) -> None:
        place = self.file.key_place(*where) if key else self.file.place(*where)
        self.findings.wrong(place, what, cure)


def _quality(state: MeterState, index: int | None, wanted: str) -> str:
    """The word that was wanted, where it holds; else all there is to say."""
    reasons = state.reasons if index is None else state.shown[index].reasons | state.common
    words: Iterable[str] = (grade_of(reasons).name.lower(), *(reason_word(each) for each in reasons_in(reasons)))
    return wanted if wanted in words else quality_words(reasons)


def _number(value: object, unit: str) -> str:
    """A number as it is compared and told: to six digits, which is what a float32 holds."""
    if not isinstance(value, int | float):
        return "no value" if value is None else str(value)
    return "no value" if math.isnan(value) else f"{value:.6g} {unit}".rstrip()
