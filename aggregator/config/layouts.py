"""Layouts from map.yaml, each bound to the profiles of the meters that are placed with it.

A layout names fields; what type, unit and scale such a field has is known once it meets a profile. Bound layouts are
shared: one object for a layout, a profile and an order of words and bytes, however many meters use it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from aggregator.config import units
from aggregator.config.alarm_items import AlarmItems, bit_of, coil_of
from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.gases import conversion_of
from aggregator.config.items import (
    HOLDS_A_SEQUENCE,
    HOLDS_A_TIME,
    MEANT_FOR,
    UNSIGNED_ONLY,
    WRITABLE,
    WRITTEN_ONLY,
    Orders,
    codec_of,
    encoding_of,
    fits,
    is_text,
    shows_as_written,
    span_of,
    unit_of,
    usual_type,
    what_it_shows,
)
from aggregator.config.map_keys import ItemKeys, LayoutKeys
from aggregator.config.scalars import Wrong, exact, is_number
from aggregator.core.address_map import Item, Layout, Shows, Table, WhenStale, layout_problems
from aggregator.core.encoding import IDENTITY, ItemCodec, Scale
from aggregator.core.errors import Place
from aggregator.core.painter import BITS_OF_A_GRADE
from aggregator.core.profile import Field, Profile
from aggregator.core.setting import Setting
from aggregator.core.slip import near

OF_ITS_SETPOINT = (Shows.SETPOINT, Shows.ALARM_PEAK)  # what has the unit of an alarm's setpoint
REGISTER_TABLES = (Table.INPUT, Table.HOLDING)


class LayoutBuilder:
    """Checks the layouts of one map.yaml and binds them to profiles."""

    def __init__(
        self,
        layouts: dict[str, LayoutKeys],
        settings: Mapping[str, Setting],
        alarms: AlarmItems,
        file: Document,
        findings: Findings,
    ) -> None:
        self.layouts = layouts
        self.settings = settings
        self.alarms = alarms
        self.file = file
        self.findings = findings
        self._bound: dict[tuple[str, str, Orders], Layout] = {}
        self._sizes: dict[tuple[str, Table], int] = {}
        self._unknown: set[Steps] = set()
        for name, keys in layouts.items():
            self._check(name, keys)

    def size(self, name: str, table: Table) -> int:
        """Registers or bits that a layout takes in a table."""
        if (name, table) not in self._sizes:
            self._sizes[name, table] = self._size(self.layouts[name], table)
        return self._sizes[name, table]

    def _size(self, keys: LayoutKeys, table: Table) -> int:
        if table is Table.DISCRETE or table is Table.COIL:
            return max(keys.discrete if table is Table.DISCRETE else keys.coil, default=-1) + 1
        rows = self._rows(keys, table)
        return max((offset + encoding_of(each, ("", "")).registers for offset, each in rows), default=0)

    def bind(self, name: str, profile: Profile, orders: Orders, used: Place) -> Layout:
        """The layout as it is for meters of a profile. `used` is where such a meter is placed first."""
        key = (name, profile.name, orders)
        if key not in self._bound:
            keys = self.layouts[name]
            items = [
                item
                for table in REGISTER_TABLES
                for offset, each in self._rows(keys, table)
                if (item := self._item(name, table, offset, each, profile, orders, used)) is not None
            ]
            for offset, flag in keys.discrete.items():
                steps: Steps = ("layouts", name, "discrete", str(offset))
                if flag.of is None or self._has_field(flag.of, profile, steps, used):
                    items.append(bit_of(flag, offset, self.file.key_place(*steps)))
            for offset, coil in keys.coil.items():
                items.append(coil_of(coil, offset, self.file.key_place("layouts", name, "coil", str(offset))))
            self._bound[key] = Layout(name, tuple(items), self.file.key_place("layouts", name))
        return self._bound[key]

    @staticmethod
    def _rows(keys: LayoutKeys, table: Table) -> list[tuple[int, ItemKeys]]:
        return list((keys.input if table is Table.INPUT else keys.holding).items())

    def _item(
        self,
        layout: str,
        table: Table,
        offset: int,
        keys: ItemKeys,
        profile: Profile,
        orders: Orders,
        used: Place,
    ) -> Item | None:
        shows, of = what_it_shows(keys)
        steps: Steps = ("layouts", layout, table.key, str(offset))
        place = self.file.key_place(*steps)
        bare = Item(table, offset, shows, of, about=keys.of or "", place=place)
        if [each for each in bare.fields if not self._has_field(each, profile, steps, used)]:
            return None
        if keys.total_of and profile.fields[profile.index_of(of) or 0].counting is None:
            what = f"field `{of}` of profile {profile.name} is not said to count ({used.short})"
            self._wrong_for(profile, steps, what, "Give the field `counts:` in the profile")
        measured = keys.field or keys.total_of
        field = profile.fields[profile.index_of(of) or 0] if measured else None
        own_unit = self._unit(shows, of) if field is None else field.unit
        if bare.shows in OF_ITS_SETPOINT:
            own_unit = self.alarms.unit_of(of, profile)
        conversion = IDENTITY if keys.constant or keys.scratch else self._conversion(keys, field, own_unit, steps)
        if bare.shows in OF_ITS_SETPOINT:
            conversion = self.alarms.conversion_of(of, profile, conversion)
        codec = codec_of(keys, orders, conversion)
        if shows is Shows.SETPOINT:
            self.alarms.check_fits(bare, codec, profile, steps)
        unit = own_unit if keys.unit is None else keys.unit
        when_stale = WhenStale(keys.stale or "hold")
        return replace(bare, codec=codec, unit=unit, when_stale=when_stale, note=keys.note or "")

    def _unit(self, shows: Shows, of: str) -> str:
        """The unit of what is no field."""
        if shows is Shows.SETTING:
            return self.settings[of].unit if of in self.settings else ""
        return unit_of(shows, of)

    def _has_field(self, name: str, profile: Profile, steps: Steps, used: Place) -> bool:
        names = [each.name for each in profile.fields]
        if name in names:
            return True
        what = f"profile {profile.name} has no field `{name}`, and a meter of it is placed here ({used.short})"
        self._wrong_for(profile, (*steps, name), what, near(name, names, "It has"))
        return False

    def _wrong_for(self, profile: Profile, steps: Steps, what: str, cure: str) -> None:
        """Say it once, however often the layout is placed with a meter of the profile."""
        if (profile.name, *steps) not in self._unknown:
            self.findings.wrong(self.file.key_place(*steps[:4]), what, cure)
        self._unknown.add((profile.name, *steps))

    def _conversion(self, keys: ItemKeys, field: Field | None, own_unit: str, steps: Steps) -> Scale:
        if keys.unit is None:
            return IDENTITY
        try:
            return conversion_of(field, keys.unit) if field else units.conversion(own_unit, keys.unit)
        except Wrong as wrong:
            self.findings.take(wrong, self.file, *steps, "unit")
            return IDENTITY

    def _check(self, name: str, keys: LayoutKeys) -> None:
        """What can be said of a layout before any meter is placed with it."""
        items = []
        for table in REGISTER_TABLES:
            for offset, each in self._rows(keys, table):
                steps: Steps = ("layouts", name, table.key, str(offset))
                # What an item of the wrong type would take is anybody's guess, and so is what it would overlap.
                if self._has_its_type(each, steps):
                    self._check_item(each, table, steps)
                    shows, of = what_it_shows(each)
                    codec = ItemCodec(encoding_of(each, ("", "")))
                    items.append(Item(table, offset, shows, of, codec, place=self.file.key_place(*steps)))
        self.findings.problems += layout_problems(Layout(name, tuple(items), self.file.key_place("layouts", name)))

    def _has_its_type(self, keys: ItemKeys, steps: Steps) -> bool:
        if keys.as_ is None:
            return True
        text = is_text(keys)
        if (keys.as_ == "text") != text:
            what = f"{'a text' if text else 'a number'} is not shown as {keys.as_}"
            cure = "Leave `as` out" if text else "Choose a number type"
        elif what_it_shows(keys)[0] in UNSIGNED_ONLY and not keys.as_.startswith("uint"):
            what, cure = f"a set of bits or a count is not shown as {keys.as_}", "Use uint16, uint32 or uint64"
        elif keys.time and not keys.part and keys.as_ not in HOLDS_A_TIME:
            what, cure = f"{keys.as_} does not hold the seconds since 1970", f"Use {', '.join(HOLDS_A_TIME)}"
        elif keys.show == "acknowledge" or keys.alarm_sequence:
            if keys.as_ in HOLDS_A_SEQUENCE:
                return True
            what, cure = f"{keys.as_} does not hold a sequence number", f"Use {' or '.join(HOLDS_A_SEQUENCE)}"
        elif keys.show == "node" and keys.as_ != "uint64":
            what, cure = f"{keys.as_} does not hold the 16 digits of a DevEUI", "Use uint64, or {text: node}"
        elif keys.grades and BITS_OF_A_GRADE * len(keys.grades) > 16 * encoding_of(keys, ("", "")).registers:
            what = f"{len(keys.grades)} grades of two bits each do not fit {keys.as_}"
            cure = f"Leave `as` out, or use {usual_type(keys, Shows.GRADES, '')}"
        elif len(keys.alarms or keys.unacknowledged or ()) > 16 * encoding_of(keys, ("", "")).registers:
            what = f"{len(keys.alarms or keys.unacknowledged or ())} alarms of one bit each do not fit {keys.as_}"
            cure = f"Leave `as` out, or use {usual_type(keys, Shows.ALARMS, '')}"
        else:
            return True
        self.findings.wrong(self.file.place(*steps, "as"), what, cure)
        return False

    def _check_item(self, keys: ItemKeys, table: Table, steps: Steps) -> None:
        shows, _ = what_it_shows(keys)
        wrong, place = self.findings.wrong, self.file.place
        self.findings.no_zero_scale(keys.scale, self.file, steps)
        if table is Table.HOLDING and shows not in WRITABLE:
            what = f"a {shows} cannot be written, so it is no holding register"
            wrong(place(*steps), what, "Put it under `input:`; readers of function 03 see it there too")
        if table is Table.INPUT and shows in WRITTEN_ONLY:
            article = "an" if shows[0] in "aeiou" else "a"
            what = f"{article} {shows} item stands in a table that is never written"
            wrong(place(*steps), what, "Put it under `holding:`")
        if keys.setting is not None:
            self._check_setting(keys, keys.setting, steps)
        self._check_meaning(keys, "text" if is_text(keys) else shows, steps)
        self._check_numbers(keys, steps)

    def _check_setting(self, keys: ItemKeys, name: str, steps: Steps) -> None:
        """A setting that is there, with limits that its registers can hold: else a client could never ask for them."""
        setting = self.settings.get(name)
        if setting is None:
            cure = near(name, self.settings, "It has") if self.settings else "Add it under `settings:` there"
            self.findings.wrong(self.file.place(*steps), f"meters.yaml has no setting `{name}`", cure)
            return
        codec = codec_of(keys, ("", ""), self._conversion(keys, None, setting.unit, steps))
        for limit in (setting.low, setting.high):
            if math.isfinite(limit) and codec.encode(limit)[1]:
                kind = codec.encoding.type
                kind = f"{codec.encoding.type}{span_of(codec.encoding)}"
                what = f"{name} may be {setting.limits} ({setting.place.short}), which does not fit {kind}"
                self.findings.wrong(self.file.place(*steps), what, "Choose another type or scale")
                return

    def _check_meaning(self, keys: ItemKeys, kind: str, steps: Steps) -> None:
        """A key that does nothing for an item is a mistake about the item."""
        for key, kinds in MEANT_FOR.items():
            if getattr(keys, key) is not None and kind not in kinds:
                what = f"`{key}` means nothing for a {kind} item"
                self.findings.wrong(self.file.key_place(*steps, key), what, "Leave it out")

    def _check_numbers(self, keys: ItemKeys, steps: Steps) -> None:
        encoding = encoding_of(keys, ("", ""))
        if encoding.is_text:
            return
        if keys.filler is not None and not fits(keys.filler, encoding):
            what = f"the filler {keys.filler} does not fit {encoding.type}{span_of(encoding)}"
            self.findings.wrong(self.file.place(*steps, "filler"), what, "Write one that fits, or leave it out")
        if keys.constant is not None:
            self._check_constant(keys, keys.constant, self.file.place(*steps, "constant"))

    def _check_constant(self, keys: ItemKeys, constant: str, place: Place) -> None:
        wrong = self.findings.wrong
        if not is_number(constant):
            wrong(place, f"`{constant}` is no number", "Write a number like 0.1 or 25")
            return
        codec = codec_of(keys, ("", ""))
        if codec.scale.raw(exact(constant)) == codec.filler:
            wrong(place, f"the constant {constant} would read as no value", "Choose a wider type or another filler")
        elif not shows_as_written(codec, exact(constant)):
            what = f"the constant {constant} does not fit {codec.encoding.type}{span_of(codec.encoding)}"
            wrong(place, what, "Choose another type or scale")
