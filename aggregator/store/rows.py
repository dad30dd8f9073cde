"""What the site wants kept, as rows of the tables, and back.

Values, reasons, facts and states stand as JSON: it brings back integers of any size, every float to the last bit, the
sign of zero, and text that is no valid Unicode, which SQLite's own types do not all do. Times are whole milliseconds.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from aggregator.core.keeping import (
    ClockState,
    Kept,
    KeptAside,
    KeptEvent,
    KeptLink,
    KeptReading,
    KeptState,
    KeptUplink,
)
from aggregator.core.reading import Value
from aggregator.core.uplink import NO_RADIO, Radio

INFINITE = "9e999"  # a JSON number beyond any float: both Python and SQLite read it as infinity

INSERT_UPLINK = """
    INSERT INTO uplink (meter, node, counter, at, observed, received, arrived, clock, late,
                        rssi, snr, spreading_factor, readings, reasons)
    VALUES {}
    ON CONFLICT (meter, at, node, counter) DO NOTHING
"""
# Rows are inserted so many at a time: at each statement the interpreter's lock goes to the event loop and has to be
# won back, which under load takes longer than the row.
TOGETHER = {many: INSERT_UPLINK.format(", ".join(["(" + ", ".join("?" * 14) + ")"] * many)) for many in (64, 8, 1)}
# One reading of several in an uplink. A node repeats those it is not sure of: what another frame brought as of the same
# time, or of one that is as near as an age can tell, is the same reading.
INSERT_RECORD = """
    INSERT INTO uplink (meter, node, counter, at, observed, received, arrived, clock, late,
                        rssi, snr, spreading_factor, readings, reasons)
    SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14
    WHERE NOT EXISTS (
        SELECT 1 FROM uplink WHERE meter = ?1 AND at BETWEEN ?4 - ?15 AND ?4 + ?15 AND node IS ?2 AND counter IS NOT ?3
    )
    ON CONFLICT (meter, at, node, counter) DO NOTHING
"""
INSERT_EVENT = "INSERT INTO event (at, clock, event, tag, who, facts) VALUES (?, ?, ?, ?, ?, ?)"
INSERT_ASIDE = """
    INSERT INTO aside (at, reason, detail, topic, node, message, clock, counter, heard)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
PUT_STATE = """
    INSERT INTO state (tag, name, value) VALUES (?, ?, ?)
    ON CONFLICT (tag, name) DO UPDATE SET value = excluded.value
"""
PUT_LINK = """
    INSERT INTO link (number, tag, node, since, until, record) VALUES (?, ?, ?, ?, ?, ?)
    ON CONFLICT (number) DO UPDATE SET until = excluded.until, record = excluded.record
"""
FORGET_STATE = "DELETE FROM state WHERE tag = ? AND name = ?"
FORGET_ASIDE = "DELETE FROM aside WHERE id = ?"
BOUND_ASIDE = "DELETE FROM aside WHERE id <= (SELECT id FROM aside ORDER BY id DESC LIMIT 1 OFFSET ?)"
CORRECT_UPLINKS = """
    UPDATE OR IGNORE uplink
    SET at = CASE at WHEN arrived THEN at + :by ELSE at END, arrived = arrived + :by, clock = :clock
    WHERE id > :uplink AND clock = 1 AND arrived BETWEEN :since AND :until
"""
CORRECT_EVENTS = (
    "UPDATE event SET at = at + :by, clock = :clock WHERE id > :event AND clock = 1 AND at BETWEEN :since AND :until"
)
CORRECT_ASIDE = (
    "UPDATE aside SET at = at + :by, clock = :clock WHERE id > :aside AND clock = 1 AND at BETWEEN :since AND :until"
)
NEWEST = """
    SELECT coalesce((SELECT max(id) FROM uplink), 0), coalesce((SELECT max(id) FROM event), 0),
           coalesce((SELECT max(id) FROM aside), 0)
"""
UNSETTLE = "UPDATE settled SET uplink = min(uplink, :uplink)"


class Forget(NamedTuple):
    """An order to drop messages set aside, by their ids."""

    ids: tuple[int, ...]


BEFORE_ALL = -1  # an id before all others


class Place(NamedTuple):
    """Where a row of the history or the journal stands: `at` in ms, then by its id. Rows are read on from there."""

    at: int
    id: int


class Newest(NamedTuple):
    """The ids of the newest rows, 0 where there is none."""

    uplink: int
    event: int
    aside: int


class Correction(NamedTuple):
    """An order to move by `by` (s) what the untrusted clock of this run has dated between two times (UTC s by it).

    Afterwards the times are worth as much as `clock`, which has moved them.
    """

    since: float
    until: float
    by: float
    clock: ClockState


Order = Kept | Forget | Correction


def milliseconds(seconds: float) -> int:
    return round(seconds * 1000)


def or_none(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * 1000)


def seconds(milliseconds: int | None) -> float | None:
    return None if milliseconds is None else milliseconds / 1000


def radio(rssi: float | None, snr: float | None, spreading_factor: float | None) -> Radio:
    """A radio's figures; where none is known, the one object that says so."""
    if rssi is None and snr is None and spreading_factor is None:
        return NO_RADIO
    return Radio(rssi, snr, spreading_factor)


def storable(text: str) -> str:
    """Text as SQLite can hold it: a lone surrogate, which UTF-8 has no bytes for, is written as an escape."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return text.encode(errors="backslashreplace").decode()
    return text


def number(value: float) -> str:
    """A number as JSON, the infinite ones too; no number (NaN) is no value."""
    if isinstance(value, float) and not math.isfinite(value):
        return "null" if math.isnan(value) else INFINITE if value > 0 else f"-{INFINITE}"
    return repr(float(value) if isinstance(value, float) else int(value))


def as_json(value: Value | None) -> str:
    """A reading's value as JSON."""
    if type(value) is int or (type(value) is float and -math.inf < value < math.inf):  # nearly all, by the shortest way
        return repr(value)
    if value is None:
        return "null"
    return json.dumps(value) if isinstance(value, str) else number(value)


def facts_as_json(facts: Mapping[str, object]) -> str:
    """An event's particulars as JSON that every reader takes; what JSON has no word for is kept as text."""
    strict = {
        str(name): str(fact) if isinstance(fact, float) and not math.isfinite(fact) else fact
        for name, fact in facts.items()
    }
    try:
        return json.dumps(strict, default=str, allow_nan=False)
    except ValueError:  # an infinite number deeper inside, or a fact that holds itself
        return json.dumps({name: str(fact) for name, fact in strict.items()})


class Ids:
    """The ids of meters, nodes and fields: looked up once, given where missing."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._meters: dict[str, int] = {}
        self._nodes: dict[str, int] = {}
        self._fields: dict[tuple[str, str], int] = {}
        self.keys: dict[tuple[str, str], str] = {}  # the fields' ids as keys of a JSON object, of those asked for

    def meter(self, tag: str) -> int:
        known = self._meters.get(tag)
        if known is None:
            known = self._meters[tag] = self._id("meter (tag)", "meter WHERE tag = ?", storable(tag))
        return known

    def node(self, deveui: str | None) -> int | None:
        if deveui is None:
            return None
        known = self._nodes.get(deveui)
        if known is None:
            known = self._nodes[deveui] = self._id("node (deveui)", "node WHERE deveui = ?", storable(deveui))
        return known

    def field(self, name: str, unit: str) -> int:
        known = self._fields.get((name, unit))
        if known is None:
            of = "field WHERE name = ? AND unit = ?"
            known = self._fields[name, unit] = self._id("field (name, unit)", of, storable(name), storable(unit))
        return known

    def key(self, name: str, unit: str) -> str:
        """A field's id as the key of a JSON object, with its colon: `"12":`."""
        self.keys[name, unit] = made = f'"{self.field(name, unit)}":'
        return made

    def forget(self) -> None:
        """Look all up anew: ids given in a transaction that was rolled back are no longer given."""
        for known in (self._meters, self._nodes, self._fields, self.keys):
            known.clear()

    def _id(self, into: str, of: str, *key: str) -> int:
        row = self._connection.execute(f"SELECT id FROM {of}", key).fetchone()  # noqa: S608 - both from above
        return int(row[0]) if row else self._give(into, key)

    def _give(self, into: str, key: tuple[str, ...]) -> int:
        marks = ", ".join("?" * len(key))
        given = self._connection.execute(f"INSERT INTO {into} VALUES ({marks})", key).lastrowid  # noqa: S608 - as above
        assert given is not None
        return given


class Rows:
    """Puts rows into the tables. The transaction is the caller's."""

    def __init__(self, connection: sqlite3.Connection, most_aside: int, before: Newest) -> None:
        self._connection = connection
        self._most_aside = most_aside
        self._before = before  # the newest rows of the runs before this one
        self.ids = Ids(connection)

    def put(self, orders: Iterable[Order]) -> None:
        """Put or do each in turn. Raises what SQLite raises, and TypeError, ValueError or OverflowError for no row."""
        uplinks: list[KeptUplink] = []
        for order in orders:
            if isinstance(order, KeptUplink) and order.within is None:
                uplinks.append(order)
                continue
            self._put_uplinks(uplinks)
            uplinks = []
            if isinstance(order, KeptUplink):
                self._put_record(order)
            else:
                self._put_other(order)
        self._put_uplinks(uplinks)

    def _put_uplinks(self, uplinks: Sequence[KeptUplink]) -> None:
        at = 0
        for many, statement in TOGETHER.items():
            while len(uplinks) - at >= many:
                values = [value for uplink in uplinks[at : at + many] for value in self._uplink(uplink)]
                self._connection.execute(statement, values)
                at += many

    def _put_record(self, record: KeptUplink) -> None:
        assert record.within is not None
        apart = max(0, milliseconds(record.within) - 1)
        self._connection.execute(INSERT_RECORD, (*self._uplink(record), apart))

    def _put_other(self, order: KeptEvent | KeptAside | KeptState | KeptLink | Forget | Correction) -> None:
        execute = self._connection.execute
        match order:
            case KeptEvent():
                execute(INSERT_EVENT, _event(order))
            case KeptAside():
                execute(INSERT_ASIDE, _aside(order))
                execute(BOUND_ASIDE, (self._most_aside,))
            case KeptState(tag, name, None):
                execute(FORGET_STATE, (storable(tag), storable(name)))
            case KeptState(tag, name, value):
                execute(PUT_STATE, (storable(tag), storable(name), json.dumps(value)))
            case KeptLink():
                execute(PUT_LINK, _link(order))
            case Forget(ids):
                self._connection.executemany(FORGET_ASIDE, [(each,) for each in ids])
            case Correction():
                self._correct(order)

    def _uplink(self, uplink: KeptUplink) -> tuple[object, ...]:
        heard = uplink.radio
        return (
            self.ids.meter(uplink.tag),
            self.ids.node(uplink.node),
            uplink.counter,
            milliseconds(uplink.at),
            or_none(uplink.observed),
            or_none(uplink.received),
            milliseconds(uplink.arrived),
            int(uplink.clock),
            int(uplink.late) or 2 * uplink.filled_in,
            heard.rssi,
            heard.snr,
            heard.spreading_factor,
            *self._readings(uplink.readings),
        )

    def _readings(self, readings: Iterable[KeptReading]) -> tuple[str, str | None]:
        """Values and reasons of an uplink, by field, as JSON; None where no value has a reason."""
        keys = self.ids.keys
        values, reasons = [], []
        for field, value, bits, unit in readings:
            key = keys.get((field, unit)) or self.ids.key(field, unit)
            values.append(key + as_json(value))
            if bits:
                reasons.append(f"{key}{int(bits)}")
        return "{" + ",".join(values) + "}", "{" + ",".join(reasons) + "}" if reasons else None

    def _correct(self, order: Correction) -> None:
        since, until, by = map(milliseconds, (order.since, order.until, order.by))
        bounds = {"since": since, "until": until, "by": by, "clock": int(order.clock), **self._before._asdict()}
        for statement in (CORRECT_UPLINKS, CORRECT_EVENTS, CORRECT_ASIDE, UNSETTLE):
            self._connection.execute(statement, bounds)


def _event(event: KeptEvent) -> tuple[object, ...]:
    tag = None if event.tag is None else storable(event.tag)
    who, facts = storable(event.who), facts_as_json(event.facts)
    return milliseconds(event.at), int(event.clock), storable(event.event), tag, who, facts


def _aside(aside: KeptAside) -> tuple[object, ...]:
    node = None if aside.node is None else storable(aside.node)
    texts = storable(aside.reason), storable(aside.detail), storable(aside.topic)
    frame = int(aside.clock), aside.counter, or_none(aside.heard)
    return milliseconds(aside.at), *texts, node, aside.message, *frame


def _link(link: KeptLink) -> tuple[object, ...]:
    since, until = milliseconds(link.since), or_none(link.until)
    return link.number, storable(link.tag), storable(link.node), since, until, json.dumps(link.record)


def link_of(row: tuple[int, str, str, int, int | None, str]) -> KeptLink:
    """A link from its columns number, tag, node, since, until, record."""
    number, tag, node, since, until, record = row
    return KeptLink(number, tag, node, since / 1000, seconds(until), json.loads(record))


def newest(connection: sqlite3.Connection) -> Newest:
    """The newest rows that there are."""
    return Newest(*connection.execute(NEWEST).fetchone())


def event_of(row: tuple[int, int, str, str | None, str, str]) -> KeptEvent:
    """An event from its columns at, clock, event, tag, who, facts."""
    at, clock, event, tag, who, facts = row
    return KeptEvent(at / 1000, event, tag, who, json.loads(facts), ClockState(clock))
