"""Painting: what follows from a meter's state, written into the registers and bits of its layout."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from math import floor

from aggregator.core.address_map import Item, Layout, Shows, Table, WhenStale
from aggregator.core.bank import Bank
from aggregator.core.encoding import ItemCodec
from aggregator.core.meter import STALE, UNDER_TEST, MeterState
from aggregator.core.reading import BAD, Grade, Now, Reason, Times, grade_of, status_word
from aggregator.core.substitute import SUBSTITUTED

CLAMPED = int(Reason.CLAMPED)
NODE_CLOCK_OFF = int(Reason.NODE_CLOCK_OFF)
FLAGS: dict[str, int] = {reason.name.lower(): int(reason) for reason in Reason if reason and reason.name}
LOSS = "loss"  # what a radio item shows that is of a day's frames, not of the last one
GRADES: dict[str, Grade] = {grade.name.lower(): grade for grade in Grade}
FLAG_NAMES = (*GRADES, *FLAGS)
BITS_OF_A_GRADE = 2

Paint = Callable[[Bank, int, Item, int, MeterState, int], int]
"""Writes one item at an address; returns the bit of the field that had to be clamped, if any."""

Plan = tuple[tuple[Paint, Table, int, Item, int], ...]


def _paint_value(bank: Bank, address: int, item: Item, index: int, state: MeterState, _clamped: int) -> int:
    assert item.codec is not None
    value, reasons, _ = state.shown[index]
    if not reasons & SUBSTITUTED:
        reasons |= state.common
    if reasons & BAD or (reasons & STALE and item.when_stale is WhenStale.FILLER):
        value = None
    data, clamped = item.codec.encode(value)
    bank.put(address, data)
    if item.when_stale is WhenStale.REFUSE:
        bank.refuse(address, item.size, bool(reasons & STALE))
    return 1 << index if clamped else 0


def _paint_total(bank: Bank, address: int, item: Item, index: int, state: MeterState, _clamped: int) -> int:
    """A running total never goes stale by itself: it is what has been counted so far, and the status tells how old."""
    assert item.codec is not None
    total = state.totals.get(index)
    data, clamped = item.codec.encode(None if total is None else total.so_far)
    bank.put(address, data)
    return 1 << index if clamped else 0


def _paint_status(bank: Bank, address: int, item: Item, index: int, state: MeterState, clamped: int) -> int:
    assert item.codec is not None
    bank.put(address, item.codec.encode(status_word(reasons_of(state, index, clamped)))[0])
    return 0


def _paint_reasons(bank: Bank, address: int, item: Item, index: int, state: MeterState, clamped: int) -> int:
    assert item.codec is not None
    bank.put(address, item.codec.encode(reasons_of(state, index, clamped))[0])
    return 0


def _paint_grade(bank: Bank, address: int, item: Item, index: int, state: MeterState, clamped: int) -> int:
    assert item.codec is not None
    bank.put(address, item.codec.encode(grade_of(reasons_of(state, index, clamped)))[0])
    return 0


def _grades(indexes: Sequence[int]) -> Paint:
    """Grades of several fields in one number, two bits each, the first in the lowest."""

    def paint(bank: Bank, address: int, item: Item, _index: int, state: MeterState, clamped: int) -> int:
        assert item.codec is not None
        word = 0
        for place, index in enumerate(indexes):
            word |= grade_of(reasons_of(state, index, clamped)) << BITS_OF_A_GRADE * place
        bank.put(address, item.codec.encode(word)[0])
        return 0

    return paint


def _paint_time(bank: Bank, address: int, item: Item, index: int, state: MeterState, _clamped: int) -> int:
    assert item.codec is not None
    which, _, part = item.of.partition(" ")
    moment = _moment(which, state, index)
    if moment is not None and part:
        moment = getattr(datetime.fromtimestamp(moment, UTC), part)
    elif moment is not None and item.codec.scale.is_identity and not item.codec.encoding.is_float:
        moment = floor(moment)  # a second has begun, not been rounded up to: as the split time shows it
    bank.put(address, item.codec.encode(moment)[0])
    return 0


def _moment(which: str, state: MeterState, index: int) -> float | None:
    """When the last uplink, or the one that brought a field, was observed, received or arrived (UTC s)."""
    times = state.heard if index < 0 else state.shown[index].times
    if times is None or (which == "observed" and _clock_was_off(state, times)):
        return None
    moment: float | None = getattr(times, which)
    return moment or None  # nobody knows when a reading from before a restart arrived, where the store says nothing


def _clock_was_off(state: MeterState, times: Times) -> bool:
    return any(each.reasons & NODE_CLOCK_OFF for each in state.readings if each.times is times)


def _paint_node(bank: Bank, address: int, item: Item, _index: int, state: MeterState, _clamped: int) -> int:
    assert item.codec is not None
    node = state.node
    value = None if node is None else node if item.codec.encoding.is_text else int(node, 16)
    bank.put(address, item.codec.encode(value)[0])
    return 0


def _paint_radio(bank: Bank, address: int, item: Item, _index: int, state: MeterState, _clamped: int) -> int:
    assert item.codec is not None
    figure: float | None = state.sequence.loss.over_a_day() if item.of == LOSS else getattr(state.radio, item.of)
    bank.put(address, item.codec.encode(figure)[0])
    return 0


def _paint_counter(bank: Bank, address: int, item: Item, _index: int, state: MeterState, _clamped: int) -> int:
    assert item.codec is not None
    bank.put(address, item.codec.encode(state.counter)[0])
    return 0


def reasons_of(state: MeterState, index: int, clamped: int) -> int:
    """The reasons of a field, or with -1 of the whole meter, given the bits of the fields that this layout clamps."""
    if index < 0:
        return state.reasons | (CLAMPED if clamped else 0)
    reasons = state.shown[index].reasons | (CLAMPED if clamped >> index & 1 else 0)
    return reasons if reasons & SUBSTITUTED else reasons | state.common


def flag(name: str, reasons: int) -> bool:
    """Whether a grade or a reason stands, given the reasons of a meter or of a field."""
    if name in GRADES:
        return grade_of(reasons) is GRADES[name]
    return bool(reasons & FLAGS[name])


def _paint_flag(bank: Bank, address: int, item: Item, index: int, state: MeterState, clamped: int) -> int:
    bank.put_bit(address, flag(item.of, reasons_of(state, index, clamped)))
    return 0


def _paint_flags(bank: Bank, address: int, item: Item, index: int, state: MeterState, clamped: int) -> int:
    assert item.codec is not None
    word, reasons = 0, reasons_of(state, index, clamped)
    for bit, name in enumerate(item.of.split(",")):
        word |= flag(name, reasons) << bit
    bank.put(address, item.codec.encode(word)[0])
    return 0


def _paint_test(bank: Bank, address: int, item: Item, _index: int, state: MeterState, _clamped: int) -> int:
    bank.show(address, item.codec, bool(state.common & UNDER_TEST))
    return 0


PAINTS: dict[Shows, Paint] = {
    Shows.VALUE: _paint_value,
    Shows.TOTAL: _paint_total,
    Shows.STATUS: _paint_status,
    Shows.RADIO: _paint_radio,
    Shows.COUNTER: _paint_counter,
    Shows.FLAG: _paint_flag,
    Shows.FLAGS: _paint_flags,
    Shows.GRADE: _paint_grade,
    Shows.REASONS: _paint_reasons,
    Shows.TIME: _paint_time,
    Shows.NODE: _paint_node,
    Shows.UNDER_TEST: _paint_test,
}


def plan_of(layout: Layout, state: MeterState) -> Plan:
    """The items of a layout that follow a meter's state, values before the status words that speak of them.

    Raises ValueError for a field that the meter does not measure; loading sees to it that no such layout is bound.
    """
    steps = []
    for item in layout.items:
        indexes = [_index_of(state, name) for name in item.fields]
        paint = _grades(indexes) if item.shows is Shows.GRADES else PAINTS.get(item.shows)
        if paint is not None:
            steps.append((paint, item.table, item.offset, item, indexes[0] if indexes else -1))
    return tuple(sorted(steps, key=lambda step: step[3].shows not in (Shows.VALUE, Shows.TOTAL)))


def _index_of(state: MeterState, name: str) -> int:
    index = state.meter.profile.index_of(name)
    if index is None:  # -1 would show another field's value
        raise ValueError(f"{state.meter.tag} measures no {name}")
    return index


class Painter:
    """Keeps one meter's items of one layout up to date, in whichever tables they stand.

    What has changed is only noted; it is painted when one of its pages is read. Meters report far more often than any
    one register is polled, and a poll finds all of a meter's items, in all tables, as of the same moment.
    """

    __slots__ = ("_changed", "_pages", "_state", "_steps")

    def __init__(
        self, banks: Mapping[Table, Bank], state: MeterState, layout: Layout, plan: Plan, starts: Mapping[Table, int]
    ) -> None:
        self._state = state
        self._changed = True
        self._steps = [
            (paint, banks[table], starts[table] + offset, item, index)
            for paint, table, offset, item, index in plan
            if table in starts
        ]
        self._pages: list[tuple[list[int], int]] = []  # where to note that something is to be worked out anew
        for table, start in starts.items():
            if size := layout.size(table):
                bank = banks[table]
                self._pages += [(bank.fresh, page) for page in bank.add_live(start, size, self._catch_up)]
        for item in layout.items:
            if item.table in starts and item.codec is not None:
                self._prepare(banks[item.table], item, item.codec, starts[item.table] + item.offset)

    def note_change(self) -> None:
        """The meter's state is no longer what it was."""
        if not self._changed:
            self._changed = True
            for fresh, page in self._pages:
                fresh[page] = -1

    def _catch_up(self, _now: Now) -> None:
        """Write everything that follows from the meter's present state, where that has changed."""
        if not self._changed:
            return
        self._changed = False
        state, clamped = self._state, 0
        for paint, bank, address, item, index in self._steps:
            clamped |= paint(bank, address, item, index, state, clamped)

    def _prepare(self, bank: Bank, item: Item, codec: ItemCodec, address: int) -> None:
        """What is written once, or whenever it is read."""
        state = self._state
        if item.shows is Shows.TEXT:
            text = {"tag": state.meter.tag, "name": state.meter.name, "area": state.meter.area}
            bank.put(address, codec.encode(text[item.of])[0])
        elif item.shows is Shows.AGE:
            index = state.meter.profile.index_of(item.of) if item.of else None

            def show_age(now: Now) -> None:
                age = state.age(now.monotonic, index)
                bank.put(address, codec.encode(None if age is None else int(age))[0])

            bank.add_live(address, item.size, show_age)
