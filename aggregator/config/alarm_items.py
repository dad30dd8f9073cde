"""Items of layouts that show or change alarms: every meter that is placed with such a layout must have those alarms.

A bit that can never come on would pass for a detector that is quiet.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.items import span_of, what_it_shows
from aggregator.config.map_keys import CoilKeys, FlagKeys, LayoutKeys
from aggregator.config.values import ALARM_BITS
from aggregator.core.address_map import Item, Shows, Table
from aggregator.core.alarm import Alarm, Alarms
from aggregator.core.encoding import ItemCodec, Scale
from aggregator.core.errors import Place
from aggregator.core.meter import Meter
from aggregator.core.profile import Profile
from aggregator.core.slip import near

BIT_SHOWS = dict(zip(ALARM_BITS, (Shows.ALARMS, Shows.UNACKNOWLEDGED), strict=True))
COMMAND_SHOWS = {"under_test": Shows.UNDER_TEST, "acknowledge": Shows.ACKNOWLEDGE, "reset": Shows.RESET}


@dataclass(frozen=True, slots=True)
class Named:
    """An alarm that an item of a layout names."""

    alarm: str
    steps: Steps
    is_set: bool = False  # whether the item is to change its setpoint


class AlarmItems:
    """Holds what layouts say of alarms against the alarms that meters have."""

    def __init__(
        self,
        layouts: Mapping[str, LayoutKeys],
        alarms: Alarms,
        meters: Mapping[str, Meter | None],
        file: Document,
        findings: Findings,
    ) -> None:
        self.alarms = alarms
        self.file = file
        self.findings = findings
        self._named = {name: list(_named(name, keys)) for name, keys in layouts.items()}
        self._by_tag: dict[str, dict[str, Alarm]] = defaultdict(dict)
        self._by_profile: dict[tuple[str, str], Alarm] = {}
        self._told: set[Steps] = set()
        for alarm in alarms.alarms:
            self._by_tag[alarm.tag][alarm.name] = alarm
            meter = meters.get(alarm.tag)
            if meter is not None:
                self._by_profile.setdefault((meter.profile.name, alarm.name), alarm)
        for name, keys in layouts.items():
            self._check_suppressions(name, keys)

    def unit_of(self, name: str, profile: Profile) -> str:
        """The unit of an alarm's setpoint, on meters of a profile; empty where none of them has it."""
        alarm = self._by_profile.get((profile.name, name))
        if alarm is None or alarm.index is None:
            return ""
        return alarm.kind.compares_in(profile.fields[alarm.index].unit)

    def conversion_of(self, name: str, profile: Profile, conversion: Scale) -> Scale:
        """A conversion of units as it is for an alarm's setpoint: a change of 2 °C is one of 2 K."""
        alarm = self._by_profile.get((profile.name, name))
        return Scale(conversion.factor) if alarm is not None and alarm.kind.is_a_change else conversion

    def check(self, layout: str, tag: str, used: Place) -> None:
        """Find what a layout names that a meter placed with it has not. Each item is told once."""
        has = self._by_tag.get(tag, {})
        for named in self._named[layout]:
            alarm = has.get(named.alarm)
            if alarm is None:
                what = f"{tag} has no alarm `{named.alarm}`, and is placed here ({used.short})"
                cure = near(named.alarm, has, "It has") if has else "Place it with another layout, or give it alarms"
                self._tell(named, what, cure)
            elif named.is_set and alarm.may_be is None:
                what = f"the setpoint of {tag} {alarm.name} is fixed ({alarm.place.short}), so no register sets it"
                self._tell(named, what, "Give the alarm `may_be`, or put the item under `input:`")

    def check_fits(self, item: Item, codec: ItemCodec, profile: Profile, steps: Steps) -> None:
        """Limits that registers cannot hold could never be asked for."""
        alarm = self._by_profile.get((profile.name, item.of))
        bounds = alarm.may_be if alarm is not None and item.table is Table.HOLDING else None
        if alarm is not None and bounds is not None and any(codec.encode(bound)[1] for bound in bounds):
            kind = f"{codec.encoding.type}{span_of(codec.encoding)}"
            what = (
                f"{alarm.name} may be {bounds[0]:g} to {bounds[1]:g} ({alarm.place.short}), which does not fit {kind}"
            )
            self.findings.wrong(self.file.place(*steps), what, "Choose another type or scale")

    def _tell(self, named: Named, what: str, cure: str) -> None:
        if named.steps not in self._told:
            self._told.add(named.steps)
            self.findings.wrong(self.file.key_place(*named.steps), what, cure)

    def _check_suppressions(self, layout: str, keys: LayoutKeys) -> None:
        found = {each.name: each for each in self.alarms.suppressions}
        for table, items in ((Table.INPUT, keys.input), (Table.HOLDING, keys.holding), (Table.COIL, keys.coil)):
            for offset, each in items.items():
                name = each.suppression
                if name is None:
                    continue
                place = self.file.place("layouts", layout, table.key, str(offset), "suppression")
                if name not in found:
                    cure = near(name, found, "It has") if found else "Add it under `suppressions:` there"
                    self.findings.wrong(place, f"meters.yaml has no suppression `{name}`", cure)
                elif found[name].watch is not None and table.is_writable:
                    what = f"the suppression {name} follows its own condition ({found[name].place.short})"
                    self.findings.wrong(place, what, f"Take away its `while`, or leave the {table.words} out")


def _named(layout: str, keys: LayoutKeys) -> Iterator[Named]:
    for table in (Table.INPUT, Table.HOLDING):
        for offset, each in (keys.input if table is Table.INPUT else keys.holding).items():
            shows, of = what_it_shows(each)
            steps: Steps = ("layouts", layout, table.key, str(offset))
            item = Item(table, offset, shows, of)
            for name in item.alarms:
                yield Named(name, steps, shows is Shows.SETPOINT and table is Table.HOLDING)
    for offset, flag in keys.discrete.items():
        if flag.alarm is not None:
            yield Named(flag.alarm, ("layouts", layout, "discrete", str(offset)))


def bit_of(keys: FlagKeys, offset: int, place: Place) -> Item:
    """A discrete input of a layout."""
    if keys.flag in BIT_SHOWS:
        return Item(Table.DISCRETE, offset, BIT_SHOWS[keys.flag], keys.alarm or "", place=place)
    return Item(Table.DISCRETE, offset, Shows.FLAG, keys.flag, place=place, about=keys.of or "")


def coil_of(keys: CoilKeys, offset: int, place: Place) -> Item:
    """A coil of a layout."""
    if keys.command is None:
        return Item(Table.COIL, offset, Shows.SUPPRESSION, keys.suppression or "", place=place)
    return Item(Table.COIL, offset, COMMAND_SHOWS[keys.command], place=place)
