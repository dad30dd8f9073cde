"""Layouts from map.yaml, each bound to the profiles of the meters that are placed with it.

A layout names fields; what type, unit and scale such a field has is known once it meets a profile. Bound layouts are
shared: one object for a layout, a profile and an order of words and bytes, however many meters use it.
"""

from __future__ import annotations

import math

from aggregator.config import units
from aggregator.config.document import Document, Steps
from aggregator.config.files import ItemKeys, LayoutKeys
from aggregator.config.findings import Findings, near
from aggregator.config.scalars import Wrong, exact, is_number
from aggregator.core import gateway
from aggregator.core.address_map import Item, Layout, Shows, Table, WhenStale, layout_problems
from aggregator.core.encoding import IDENTITY, LARGEST_FLOAT32, Encoding, ItemCodec, Order, Scale
from aggregator.core.errors import Place
from aggregator.core.profile import Profile

REGISTER_TABLES = (Table.INPUT, Table.HOLDING)
USUAL_TYPES = {
    Shows.VALUE: "float32",
    Shows.TOTAL: "float64",
    Shows.STATUS: "uint16",
    Shows.AGE: "uint16",
    Shows.COUNTER: "uint32",
    Shows.RADIO: "int16",
    Shows.FLAGS: "uint16",
    Shows.TEXT: "text",
    Shows.CONSTANT: "uint16",
    Shows.SCRATCH: "uint16",
}
UNSIGNED_ONLY = (Shows.STATUS, Shows.COUNTER, Shows.FLAGS)
MEASURED = (Shows.VALUE, Shows.AGE, Shows.RADIO, Shows.COUNTER, Shows.GATEWAY, Shows.CONSTANT, Shows.SCRATCH)
MEANT_FOR: dict[str, tuple[str, ...]] = {
    "unit": MEASURED,
    "scale": MEASURED,
    "offset": MEASURED,
    "filler": MEASURED,
    "stale": (Shows.VALUE,),
    "length": ("text",),
}
RADIO_UNITS = {"rssi": "dBm", "snr": "dB"}
Orders = tuple[str, str]
"""Order of words and of bytes where an item does not say."""


class LayoutBuilder:
    """Checks the layouts of one map.yaml and binds them to profiles."""

    def __init__(self, layouts: dict[str, LayoutKeys], file: Document, findings: Findings) -> None:
        self.layouts = layouts
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
                place = self.file.key_place("layouts", name, "discrete", str(offset))
                items.append(Item(Table.DISCRETE, offset, Shows.FLAG, flag, place=place))
            for offset in keys.coil:
                place = self.file.key_place("layouts", name, "coil", str(offset))
                items.append(Item(Table.COIL, offset, Shows.UNDER_TEST, place=place))
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
        if keys.field or keys.total_of or keys.status_of or keys.age_of:
            names = [each.name for each in profile.fields]
            if of not in names:
                what = f"profile {profile.name} has no field `{of}`, and a meter of it is placed here ({used.short})"
                if (profile.name, *steps) not in self._unknown:
                    self.findings.wrong(self.file.key_place(*steps), what, near(of, names, "It has"))
                self._unknown.add((profile.name, *steps))
                return None
            if keys.total_of and profile.fields[names.index(of)].counting is None:
                what = f"field `{of}` of profile {profile.name} is not said to count ({used.short})"
                if (profile.name, *steps) not in self._unknown:
                    self.findings.wrong(self.file.key_place(*steps), what, "Give the field `counts:` in the profile")
                self._unknown.add((profile.name, *steps))
        measured = keys.field or keys.total_of
        own_unit = profile.fields[profile.index_of(of) or 0].unit if measured else unit_of(shows, of)
        conversion = IDENTITY if keys.constant or keys.scratch else self._conversion(keys, own_unit, steps)
        codec = codec_of(keys, orders, conversion)
        unit = own_unit if keys.unit is None else keys.unit
        when_stale = WhenStale(keys.stale or "hold")
        place = self.file.key_place(*steps)
        return Item(table, offset, shows, of, codec, unit, when_stale, keys.note or "", place)

    def _conversion(self, keys: ItemKeys, own_unit: str, steps: Steps) -> Scale:
        if keys.unit is None:
            return IDENTITY
        try:
            return units.conversion(own_unit, keys.unit)
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
        else:
            return True
        self.findings.wrong(self.file.place(*steps, "as"), what, cure)
        return False

    def _check_item(self, keys: ItemKeys, table: Table, steps: Steps) -> None:
        shows, _ = what_it_shows(keys)
        wrong, place = self.findings.wrong, self.file.place
        self.findings.no_zero_scale(keys.scale, self.file, steps)
        if table is Table.HOLDING and shows is not Shows.SCRATCH:
            what = f"a {shows} cannot be written, so it is no holding register"
            wrong(place(*steps), what, "Put it under `input:`; readers of function 03 see it there too")
        if table is Table.INPUT and shows is Shows.SCRATCH:
            wrong(place(*steps), "a scratch item stands in a table that is never written", "Put it under `holding:`")
        self._check_meaning(keys, "text" if is_text(keys) else shows, steps)
        self._check_numbers(keys, steps)

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
            what = f"the filler {keys.filler} does not fit {encoding.type}{_span(encoding)}"
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
        elif not _shows(codec, exact(constant)):
            what = f"the constant {constant} does not fit {codec.encoding.type}{_span(codec.encoding)}"
            wrong(place, what, "Choose another type or scale")


def is_text(keys: ItemKeys) -> bool:
    """Whether what an item shows is a text."""
    return keys.text is not None or keys.gateway == "version"


def fits(number: float, encoding: Encoding) -> bool:
    """Whether a number can stand in a register of a type as it is."""
    if encoding.is_float:
        return encoding.type == "float64" or abs(number) <= LARGEST_FLOAT32
    low, high = encoding.span
    return low <= number <= high and number == int(number)


def codec_of(keys: ItemKeys, orders: Orders, conversion: Scale = IDENTITY) -> ItemCodec:
    """How an item's value becomes registers. What does not fit is left out here and told by the check of its layout."""
    encoding = encoding_of(keys, orders)
    filler: int | float | None = 0 if keys.scratch and not encoding.is_float else None
    if keys.filler is not None and not encoding.is_text and fits(keys.filler, encoding):
        filler = keys.filler if encoding.is_float else int(keys.filler)
    return ItemCodec(encoding, Scale(keys.scale or 1.0, keys.offset or 0.0), filler, conversion)


def _span(encoding: Encoding) -> str:
    return "" if encoding.is_float else " ({} to {})".format(*encoding.span)


def _shows(codec: ItemCodec, number: float) -> bool:
    """Whether a number stands in the registers as written; floats may round, as they always do."""
    data, clamped = codec.encode(number)
    shown = codec.decode(data)
    return not clamped and isinstance(shown, int | float) and math.isclose(shown, number, rel_tol=1e-6, abs_tol=1e-30)


def encoding_of(keys: ItemKeys, orders: Orders) -> Encoding:
    """How an item stands in registers: its own type and order, else the usual type and the device's order."""
    shows, of = what_it_shows(keys)
    usual = USUAL_TYPES.get(shows) or next(each.type for each in gateway.FIGURES if each.name == of)
    words = Order(keys.words or orders[0] or Order.HIGH_FIRST)
    byte_order = Order(keys.bytes_ or orders[1] or Order.HIGH_FIRST)
    return gateway.encoding_of(keys.as_ or usual, words, byte_order, keys.length or gateway.VERSION_REGISTERS)


def what_it_shows(keys: ItemKeys) -> tuple[Shows, str]:
    """What an item shows, and of which field, figure or flags."""
    kinds = (
        (Shows.VALUE, keys.field),
        (Shows.TOTAL, keys.total_of),
        (Shows.STATUS, keys.status_of),
        (Shows.AGE, keys.age_of),
        (Shows.RADIO, keys.radio),
        (Shows.GATEWAY, keys.gateway),
        (Shows.FLAGS, ",".join(keys.flags) if keys.flags else None),
        (Shows.TEXT, keys.text),
        (Shows.CONSTANT, keys.constant),
        (Shows.SCRATCH, keys.scratch),
    )
    return next(((shows, of) for shows, of in kinds if of is not None), (Shows(keys.show or "status"), ""))


def unit_of(shows: Shows, of: str) -> str:
    """The unit of what is no field."""
    if shows is Shows.AGE:
        return "s"
    if shows is Shows.RADIO:
        return RADIO_UNITS.get(of, "")
    return next((each.unit for each in gateway.FIGURES if each.name == of), "")
