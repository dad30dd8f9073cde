"""Alarms, groups and suppressions put together from meters.yaml and from what profiles offer."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

from aggregator.config import units
from aggregator.config.alarm_keys import AlarmKeys, AnnouncedKeys, GroupKeys, SuppressionKeys, WhileKeys
from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.meter_keys import MetersKeys
from aggregator.config.ranges import range_of
from aggregator.config.scalars import Wrong, is_number
from aggregator.core.alarm import (
    LEVELS,
    Alarm,
    Alarms,
    Delay,
    Group,
    Key,
    Kind,
    Priority,
    Suppression,
    Written,
    crossed,
)
from aggregator.core.meter import Meter
from aggregator.core.profile import Field
from aggregator.core.slip import close_to, near

KINDS = {
    "high_high": Kind.HIGH_HIGH,
    "high": Kind.HIGH,
    "low": Kind.LOW,
    "low_low": Kind.LOW_LOW,
    "rising": Kind.RISING,
    "falling": Kind.FALLING,
    "deviates": Kind.DEVIATION,
}
UNREADABLE = math.nan
"""The limit of an alarm that is declared wrongly, above and below which lies nothing.

What names that alarm is not wrong itself, so it is built all the same.
"""


def _announced(keys: AnnouncedKeys) -> dict[str, object]:
    return {
        "priority": Priority[keys.priority.upper()],
        "on": Delay(keys.delay, keys.samples),
        "off": Delay(keys.off_delay, keys.off_samples),
        "latches": keys.latches,
        "again_after": keys.again_after,
        "message": keys.message or "",
        "action": keys.action or "",
    }


class AlarmBuilder:
    """Builds the alarms of one list, of a profile or a meter. `tag` is empty for those a profile offers."""

    def __init__(self, tag: str, fields: Sequence[Field], file: Document, steps: Steps, findings: Findings) -> None:
        self.tag = tag
        self.fields = fields
        self.file = file
        self.steps = steps
        self.findings = findings

    def build(self, listed: Iterable[AlarmKeys], others: Mapping[str, Meter] | None = None) -> list[Alarm]:
        """The alarms; what is wrong with them is among the findings. `others` are the meters to deviate from."""
        alarms: dict[str, Alarm] = {}
        for at, keys in enumerate(listed):
            alarm = self._alarm(keys, (*self.steps, at), others or {})
            if alarm is None:
                continue
            if alarm.name in alarms:
                cure = "Keep one of them"
                self.findings.wrong(alarm.place, f"{self._whose} has two alarms `{alarm.name}`", cure)
            alarms[alarm.name] = alarm
        return list(alarms.values())

    @property
    def _whose(self) -> str:
        return self.tag or "the profile"

    def _alarm(self, keys: AlarmKeys, steps: Steps, others: Mapping[str, Meter]) -> Alarm | None:
        place, limit = self.file.place(*steps), keys.limit
        if limit is None:
            assert keys.when is not None
            return Alarm(self.tag, keys.when, Kind(keys.when), place=place, **_announced(keys))  # type: ignore[arg-type]
        assert keys.field is not None
        index = self._index(keys.field, (*steps, "field"))
        if index is None:
            return None
        field, kind = self.fields[index], KINDS[limit[0]]
        unit = kind.compares_in(field.unit)
        setpoint = self._setpoint(limit[1], kind, unit, (*steps, limit[0]))
        deadband = self._distance(keys.deadband, unit, (*steps, "deadband")) or 0.0
        against = self._against(keys, field, (*steps, "from"), others)
        bounds = range_of(keys.may_be, unit, self.file, (*steps, "may_be"), self.findings, of_changes=kind.is_a_change)
        if setpoint is not None:
            self._check_setpoint(field, kind, setpoint, bounds, (*steps, limit[0]))
        return Alarm(
            self.tag,
            f"{field.name} {kind}",
            kind,
            index=index,
            setpoint=UNREADABLE if setpoint is None else setpoint,
            deadband=deadband,
            fail_safe=keys.fail_safe,
            against=against,
            may_be=bounds,
            written=Written(*units.written_rate(limit[1], unit)) if kind.is_a_rate else None,
            place=place,
            **_announced(keys),  # type: ignore[arg-type]
        )

    def _index(self, name: str, steps: Steps) -> int | None:
        names = [each.name for each in self.fields]
        if name in names:
            return names.index(name)
        self.findings.wrong(
            self.file.place(*steps), f"{self._whose} has no field `{name}`", near(name, names, "It has")
        )
        meant = close_to(name, names)
        return None if meant is None else names.index(meant)

    def _setpoint(self, text: str, kind: Kind, unit: str, steps: Steps) -> float | None:
        try:
            value = setpoint_in(text, kind, unit)
            if kind.is_a_change and value <= 0:
                raise Wrong(f"`{text}` is no change", "Write more than zero")
        except Wrong as wrong:
            self.findings.take(wrong, self.file, *steps)
            return None
        return value

    def _distance(self, text: str | None, unit: str, steps: Steps) -> float | None:
        """A difference: 2 °C are 2 K here, and not the temperature."""
        if text is None:
            return None
        try:
            value = units.difference(text, unit)
            if value < 0:
                raise Wrong(f"a deadband of `{text}` is less than none", "Write how far behind the limit it clears")
        except Wrong as wrong:
            self.findings.take(wrong, self.file, *steps)
            return None
        return value

    def _against(
        self, keys: AlarmKeys, field: Field, steps: Steps, others: Mapping[str, Meter]
    ) -> tuple[str, int] | None:
        if keys.from_ is None:
            return None
        tag, _, name = keys.from_.rpartition(" ")
        fields = others[tag].profile.fields if tag in others else () if tag else self.fields
        if tag and tag not in others:
            cure = near(tag, others, "There are") if others else "A profile names a field of its own"
            self.findings.wrong(self.file.place(*steps), f"there is no meter `{tag}`", cure)
            return None
        names = [each.name for each in fields]
        if name not in names:
            what = f"{tag or self._whose} has no field `{name}`"
            self.findings.wrong(self.file.place(*steps), what, near(name, names, "It has"))
            return None
        other = fields[names.index(name)]
        if other.unit != field.unit or (other.name == field.name and (not tag or tag == self.tag)):
            what = f"{field.name} ({field.unit or 'a plain number'}) cannot be compared with {keys.from_}"
            self.findings.wrong(self.file.place(*steps), what, "Name another field with the same unit")
            return None
        return tag or self.tag, names.index(name)

    def _check_setpoint(
        self, field: Field, kind: Kind, setpoint: float, bounds: tuple[float, float] | None, steps: Steps
    ) -> None:
        if kind in (Kind.HIGH_HIGH, Kind.HIGH, Kind.LOW, Kind.LOW_LOW):
            low, high = field.can_show or (field.low, field.high)
            if not low <= setpoint <= high:
                what = f"`{steps[-1]}`: {setpoint:g} {field.unit} lies outside what {field.name} can show"
                self.findings.wrong(self.file.place(*steps), what, f"Write a limit from {low:g} to {high:g}")
        if bounds is not None and not bounds[0] <= setpoint <= bounds[1]:
            what = f"`{steps[-1]}`: {setpoint:g} lies outside its own `may_be`"
            self.findings.wrong(self.file.place(*steps), what, f"Write a limit from {bounds[0]:g} to {bounds[1]:g}")


def setpoint_in(text: str, kind: Kind, unit: str, written: str | None = None) -> float:
    """A setpoint as people write it, in the unit in which an alarm of that kind compares. Raises Wrong.

    `written` is the unit of a rate that somebody who leaves it out is told to write.
    """
    if kind.is_a_rate and is_number(text):
        cure = f"Write the time it takes as well: {text} {written or f'{unit[:-2]}/min'}"
        raise Wrong(f"`{text}` is no rate", cure)
    return units.difference(text, unit) if kind.is_a_change else units.quantity(text, unit)


def usual_alarms(
    listed: Iterable[AlarmKeys], fields: Sequence[Field], file: Document, findings: Findings
) -> list[Alarm]:
    """The alarms that a profile offers."""
    alarms = AlarmBuilder("", fields, file, ("alarms",), findings).build(listed)
    _check_order("the profile", alarms, (), findings)
    return alarms


def _check_order(whose: str, alarms: Sequence[Alarm], known: Collection[Alarm], findings: Findings) -> None:
    """Limits of a field follow each other: low-low, low, high, high-high. Those among `known` have been told."""
    limits = {each.key: each.setpoint for each in alarms}
    levels = sorted((each for each in alarms if each.kind in LEVELS), key=lambda each: LEVELS.index(each.kind))
    for at, alarm in enumerate(levels):
        other = crossed(alarm, levels[at + 1 :], limits)
        if other is not None and not (alarm in known and other in known):
            what = f"{whose}: the limit of {alarm.name} is not below that of {other.name}"
            mine, its = (other, alarm) if alarm in known else (alarm, other)
            findings.wrong(mine.place, what, f"Move one of them (the other is in {its.place.short})")


def build_alarms(keys: MetersKeys, file: Document, meters: Mapping[str, Meter], findings: Findings) -> Alarms:
    """All that a site declares of alarms."""
    alarms: dict[Key, Alarm] = {}
    for at, each in enumerate(keys.meters):
        meter = meters.get(each.tag)
        if meter is None:
            continue
        own = AlarmBuilder(each.tag, meter.profile.fields, file, ("meters", at, "alarms"), findings)
        usual: tuple[Alarm, ...] = ()
        if each.usual_alarms_confirmed_by or keys.defaults.usual_alarms_confirmed_by:
            usual = tuple(replace(alarm, tag=each.tag, against=_own(alarm, each.tag)) for alarm in meter.profile.alarms)
        of_meter = {alarm.name: alarm for alarm in (*usual, *own.build(each.alarms, meters))}
        _check_order(each.tag, tuple(of_meter.values()), usual, findings)
        alarms.update((alarm.key, alarm) for alarm in of_meter.values())
    groups = _groups(keys.groups, file, meters, alarms, findings)
    taken = {*meters, *(group.name for group in groups)}
    suppressions = tuple(
        _suppression(each, at, file, meters, alarms, taken, findings) for at, each in enumerate(keys.suppressions)
    )
    return Alarms(tuple(alarms.values()), groups, suppressions)


def _own(alarm: Alarm, tag: str) -> tuple[str, int] | None:
    return None if alarm.against is None else (tag, alarm.against[1])


def _groups(
    listed: list[GroupKeys],
    file: Document,
    meters: Mapping[str, Meter],
    alarms: dict[Key, Alarm],
    findings: Findings,
) -> tuple[Group, ...]:
    groups: dict[str, Group] = {}
    for at, each in enumerate(listed):
        place = file.place("groups", at)
        if each.group in meters or each.group in groups:
            findings.wrong(place, f"the name `{each.group}` is taken already", "Give the group another name")
            continue
        members = tuple(_members(each, at, file, meters, alarms, findings))
        vote = each.vote
        if vote is not None:
            if vote.needed > len(each.members):
                what = f"{each.group}: {vote.needed} of {len(each.members)} can never vote"
                findings.wrong(file.place("groups", at, "vote", "needed"), what, "Write fewer, or add members")
            where = file.place("groups", at, "vote")
            counted = Alarm(each.group, "vote", Kind.VOTE, setpoint=vote.needed, place=where, **_announced(vote))  # type: ignore[arg-type]
            alarms[counted.key] = counted
        groups[each.group] = Group(each.group, members, vote is not None and vote.silent == "demands", place)
    return tuple(groups.values())


def _members(
    keys: GroupKeys,
    at: int,
    file: Document,
    meters: Mapping[str, Meter],
    alarms: Mapping[Key, Alarm],
    findings: Findings,
) -> Iterable[Key]:
    for number, tag in enumerate(keys.members):
        where = file.place("groups", at, "members", number)
        if tag in keys.members[:number]:
            findings.wrong(where, f"{tag} stands in {keys.group} twice", "Keep it once; each member has one vote")
        elif tag not in meters:
            findings.wrong(where, f"there is no meter `{tag}`", near(tag, meters, "There are"))
        elif (tag, keys.alarm) not in alarms:
            names = [name for of, name in alarms if of == tag]
            findings.wrong(where, f"{tag} has no alarm `{keys.alarm}`", near(keys.alarm, names, "It has"))
        else:
            yield tag, keys.alarm


def _suppression(
    keys: SuppressionKeys,
    at: int,
    file: Document,
    meters: Mapping[str, Meter],
    alarms: Mapping[Key, Alarm],
    taken: set[str],
    findings: Findings,
) -> Suppression:
    place = file.place("suppressions", at)
    if keys.suppression in taken:
        findings.wrong(place, f"the name `{keys.suppression}` is taken already", "Give the suppression another name")
    taken.add(keys.suppression)
    areas = {meter.area for meter in meters.values()}
    for number, area in enumerate(keys.areas):
        if area not in areas:
            where = file.place("suppressions", at, "areas", number)
            findings.wrong(where, f"no meter stands in `{area}`", near(area, areas, "There are"))
    for number, tag in enumerate(keys.meters):
        if tag not in meters:
            where = file.place("suppressions", at, "meters", number)
            findings.wrong(where, f"there is no meter `{tag}`", near(tag, meters, "There are"))
    covered = {tag for tag, meter in meters.items() if meter.area in keys.areas} | set(keys.meters)
    watch = None if keys.while_ is None else _watch(keys.while_, at, file, meters, findings)
    return Suppression(keys.suppression, frozenset(key for key in alarms if key[0] in covered), watch, place)


def _watch(keys: WhileKeys, at: int, file: Document, meters: Mapping[str, Meter], findings: Findings) -> Alarm | None:
    steps: Steps = ("suppressions", at, "while")
    meter = meters.get(keys.meter)
    if meter is None:
        where = file.place(*steps, "meter")
        findings.wrong(where, f"there is no meter `{keys.meter}`", near(keys.meter, meters, "There are"))
        return None
    index = meter.profile.index_of(keys.field)
    if index is None:
        names = [field.name for field in meter.profile.fields]
        what = f"{keys.meter} has no field `{keys.field}`"
        findings.wrong(file.place(*steps, "field"), what, near(keys.field, names, "It has"))
        return None
    name, text = ("below", keys.below) if keys.below is not None else ("above", keys.above)
    assert text is not None
    try:
        setpoint = units.quantity(text, meter.profile.fields[index].unit)
    except Wrong as wrong:
        findings.take(wrong, file, *steps, name)
        return None
    kind = Kind.LOW if name == "below" else Kind.HIGH
    on = Delay(keys.delay)
    return Alarm(keys.meter, keys.field, kind, Priority.LOW, index, setpoint, on=on, place=file.place(*steps))
