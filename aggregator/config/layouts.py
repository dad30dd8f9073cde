"""Layouts from map.yaml, each bound to the profiles of the meters that are placed with it.

A layout names fields; what type, unit and scale such a field has is known once it meets a profile. Bound layouts are
shared: one object for a layout, a profile and an order of words and bytes, however many meters use it.
"""

from __future__ import annotations

from aggregator.config import units
from aggregator.config.document import Document, Steps
from aggregator.config.files import ItemKeys, LayoutKeys
from aggregator.config.findings import Findings, near
from aggregator.config.scalars import Wrong, is_number
from aggregator.core import gateway
from aggregator.core.address_map import Item, Layout, Shows, Table, WhenStale, layout_problems
from aggregator.core.encoding import IDENTITY, Encoding, ItemCodec, Order, Scale
from aggregator.core.errors import Place
from aggregator.core.profile import Profile

REGISTER_TABLES = (Table.INPUT, Table.HOLDING)
USUAL_TYPES = {
    Shows.VALUE: "float32",
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
        for name, keys in layouts.items():
            self._check(name, keys)

    def size(self, name: str, table: Table) -> int:
        """Registers or bits that a layout takes in a table."""
        keys = self.layouts[name]
        if table is Table.DISCRETE or table is Table.COIL:
            return max(keys.discrete if table is Table.DISCRETE else keys.coil, default=-1) + 1
        rows = keys.input if table is Table.INPUT else keys.holding
        return max((offset + encoding_of(each, ("", "")).registers for offset, each in rows.items()), default=0)

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
        if keys.field or keys.status_of or keys.age_of:
            names = [each.name for each in profile.fields]
            if of not in names:
                what = f"profile {profile.name} has no field `{of}`, and a meter of it is placed here ({used.short})"
                self.findings.wrong(self.file.key_place(*steps), what, near(of, names, "It has"))
                return None
        field_unit = profile.fields[profile.index_of(of) or 0].unit if keys.field else unit_of(shows, of)
        encoding = encoding_of(keys, orders)
        scale = Scale(1.0 if keys.scale is None else keys.scale, keys.offset or 0.0)
        codec = ItemCodec(
            encoding, scale, self._filler(keys, encoding, steps), self._conversion(keys, field_unit, steps)
        )
        unit = field_unit if keys.unit is None else keys.unit
        when_stale = WhenStale(keys.stale or "hold")
        place = self.file.key_place(*steps)
        return Item(table, offset, shows, of, codec, unit, when_stale, keys.note or "", place)

    def _conversion(self, keys: ItemKeys, field_unit: str, steps: Steps) -> Scale:
        if keys.unit is None or not keys.field:
            return IDENTITY
        try:
            return units.conversion(field_unit, keys.unit)
        except Wrong as wrong:
            self.findings.take(wrong, self.file, *steps, "unit")
            return IDENTITY

    def _filler(self, keys: ItemKeys, encoding: Encoding, steps: Steps) -> int | float | None:
        if keys.filler is None:
            return 0 if keys.scratch else None
        if encoding.is_float or encoding.is_text:
            return keys.filler
        low, high = encoding.span
        if not low <= keys.filler <= high:
            what = f"the filler {keys.filler:g} does not fit {encoding.type} ({low} to {high})"
            self.findings.wrong(self.file.place(*steps, "filler"), what, "Write one that fits, or leave it out")
            return None
        return int(keys.filler)

    def _check(self, name: str, keys: LayoutKeys) -> None:
        """What can be said of a layout before any meter is placed with it."""
        items = []
        for table in REGISTER_TABLES:
            for offset, each in self._rows(keys, table):
                steps: Steps = ("layouts", name, table.key, str(offset))
                self._check_item(each, table, steps)
                shows, of = what_it_shows(each)
                codec = ItemCodec(encoding_of(each, ("", "")))
                items.append(Item(table, offset, shows, of, codec, place=self.file.key_place(*steps)))
        self.findings.problems += layout_problems(Layout(name, tuple(items), self.file.key_place("layouts", name)))

    def _check_item(self, keys: ItemKeys, table: Table, steps: Steps) -> None:
        shows, _ = what_it_shows(keys)
        wrong, place = self.findings.wrong, self.file.place
        self.findings.no_zero_scale(keys.scale, self.file, steps)
        is_text = shows is Shows.TEXT or keys.gateway == "version"
        if (keys.as_ == "text") != is_text and keys.as_ is not None:
            what = f"{'a text' if is_text else 'a number'} is not shown as {keys.as_}"
            wrong(place(*steps, "as"), what, "Leave `as` out" if is_text else "Choose a number type")
        if shows in UNSIGNED_ONLY and keys.as_ and not keys.as_.startswith("uint"):
            cure = "Use uint16, uint32 or uint64"
            wrong(place(*steps, "as"), f"a set of bits or a count is not shown as {keys.as_}", cure)
        if table is Table.HOLDING and shows is not Shows.SCRATCH:
            what = f"a {shows} cannot be written, so it is no holding register"
            wrong(place(*steps), what, "Put it under `input:`; readers of function 03 see it there too")
        if table is Table.INPUT and shows is Shows.SCRATCH:
            wrong(place(*steps), "a scratch item stands in a table that is never written", "Put it under `holding:`")
        if keys.constant is not None and not is_number(keys.constant):
            wrong(place(*steps, "constant"), f"`{keys.constant}` is no number", "Write a number like 0.1 or 25")


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
