"""Reading the store: every reader has a connection of its own and reads in short steps.

No transaction stays open while whoever asked is slow: a forgotten one would keep the log from being emptied, and it
would grow without end (22 MB after 5000 commits, measured).
"""

from __future__ import annotations

import contextlib
import heapq
import json
import math
import sqlite3
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import NamedTuple

from aggregator.core.keeping import ClockState, KeptAside, KeptEvent, Remembered
from aggregator.core.reading import Value
from aggregator.store.connection import open_reading
from aggregator.store.limits import StoreError
from aggregator.store.recall import FieldNames, recall, tags_of
from aggregator.store.rows import event_of, milliseconds, seconds

UPLINKS_AT_ONCE = 256  # of one meter, as long as there are few
UPLINKS_IN_HAND = 8192  # of all meters together: some 5 MB
FEWEST_AT_ONCE = 8  # of one meter, however many there are
EVENTS_AT_ONCE = 512
ASIDE_AT_ONCE = 16  # messages of up to 256 KiB
FOREVER = 1 << 62  # ms

UPLINKS = """
    SELECT at, id, observed, received, arrived, clock, late, readings, reasons,
           (SELECT deveui FROM node WHERE node.id = uplink.node), counter
    FROM uplink
    WHERE meter = :meter AND at >= :at AND (at > :at OR id > :id) AND at < :until ORDER BY at, id LIMIT :most
"""
EVENTS = """
    SELECT id, at, clock, event, tag, who, facts FROM event
    WHERE at >= :at AND (at > :at OR id > :id) AND at < :until ORDER BY at, id LIMIT :most
"""
ASIDE = "SELECT id, at, reason, detail, topic, node, message FROM aside WHERE id > ? ORDER BY id LIMIT ?"
COUNTERS = """
    SELECT node.deveui, heard.counter, heard.moment FROM (
        SELECT uplink.id AS id, node, counter, coalesce(received, arrived) AS moment
        FROM meter CROSS JOIN uplink ON uplink.meter = meter.id AND uplink.at >= :since
        WHERE counter NOT NULL AND node NOT NULL
    ) AS heard JOIN node ON node.id = heard.node ORDER BY heard.id
"""


class HistoryRow(NamedTuple):
    """One reading of the history. Times are UTC seconds; `reasons` are the status bits without the grade."""

    tag: str
    field: str
    unit: str
    at: float
    value: Value | None
    reasons: int
    observed: float | None
    received: float | None
    arrived: float
    clock: ClockState
    late: bool
    node: str | None
    counter: int | None


class AsideRow(NamedTuple):
    """A message set aside, and the id to forget it by."""

    id: int
    kept: KeptAside


CLOCKS = tuple(ClockState)
_Uplink = tuple[int, int, int | None, int | None, int, int, int, str, str | None, str | None, int | None]


@contextlib.contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection | None]:
    """A connection for as long as the block lasts, None where nothing was stored yet. Raises StoreError."""
    connection = open_reading(path)
    try:
        yield connection
    except (sqlite3.Error, ValueError, KeyError) as error:
        raise StoreError(f"{path} cannot be read: {error}") from error
    finally:
        if connection is not None:
            connection.close()


def remembered(path: Path) -> dict[str, Remembered]:
    """What is known of each meter, by tag. Raises StoreError."""
    with reading(path) as connection:
        if connection is None:
            return {}
        connection.execute("BEGIN")
        return recall(connection)


def recent_counters(path: Path, since: float) -> Iterator[tuple[str, int, float]]:
    """Node, counter and when it was heard, in the order of arrival, of all uplinks that count as of `since` or later.

    Raises StoreError.
    """
    with reading(path) as connection:
        rows = connection.execute(COUNTERS, {"since": milliseconds(since)}).fetchall() if connection else []
    for node, counter, moment in rows:
        yield node, counter, moment / 1000


def history(
    path: Path, tags: Collection[str] | None, fields: Collection[str] | None, since: float, until: float
) -> Iterator[HistoryRow]:
    """The readings of some meters and fields (None: all) from `since` up to before `until`, in time order.

    Raises StoreError.
    """
    with reading(path) as connection:
        if connection is None:
            return
        known = FieldNames(connection)
        meters = {meter: tag for meter, tag in tags_of(connection).items() if tags is None or tag in tags}
        most = max(FEWEST_AT_ONCE, min(UPLINKS_AT_ONCE, UPLINKS_IN_HAND // max(1, len(meters))))
        each = [_uplinks_of(connection, meter, since, until, most) for meter in meters]
        for (_, _, meter), uplink in heapq.merge(*each):
            yield from _rows(meters[meter], uplink, known, fields)


def _uplinks_of(
    connection: sqlite3.Connection, meter: int, since: float, until: float, most: int
) -> Iterator[tuple[tuple[int, int, int], _Uplink]]:
    """A meter's uplinks, each under what it is sorted by."""
    place = {"meter": meter, "at": _bound(since), "id": -1, "until": _bound(until), "most": most}
    while rows := connection.execute(UPLINKS, place).fetchall():
        for row in rows:
            yield (row[0], row[1], meter), row
        place["at"], place["id"] = rows[-1][:2]


def _rows(tag: str, uplink: _Uplink, known: FieldNames, fields: Collection[str] | None) -> Iterator[HistoryRow]:
    at, _, observed, received, arrived, clock, late, values, bits, node, counter = uplink
    reasons = json.loads(bits) if bits else {}
    rest = seconds(observed), seconds(received), arrived / 1000, CLOCKS[clock], bool(late), node, counter
    for key, value in json.loads(values).items():
        name, unit = known[key]
        if fields is None or name in fields:
            yield HistoryRow(tag, name, unit, at / 1000, value, reasons.get(key, 0), *rest)


def names(path: Path) -> tuple[set[str], set[str]]:
    """The tags and the names of fields that were ever stored. Raises StoreError."""
    with reading(path) as connection:
        if connection is None:
            return set(), set()
        fields = connection.execute("SELECT DISTINCT name FROM field").fetchall()
        return set(tags_of(connection).values()), {name for (name,) in fields}


def journal(path: Path, since: float, until: float) -> Iterator[KeptEvent]:
    """The events from `since` up to before `until`, in time order. Raises StoreError."""
    with reading(path) as connection:
        if connection is None:
            return
        place = {"at": _bound(since), "id": -1, "until": _bound(until), "most": EVENTS_AT_ONCE}
        while rows := connection.execute(EVENTS, place).fetchall():
            for row in rows:
                yield event_of(row[1:])
            place["id"], place["at"] = rows[-1][:2]


def aside(path: Path) -> Iterator[AsideRow]:
    """The messages set aside, oldest first. Raises StoreError."""
    with reading(path) as connection:
        last = 0
        while rows := connection.execute(ASIDE, (last, ASIDE_AT_ONCE)).fetchall() if connection else []:
            for number, at, *rest in rows:
                yield AsideRow(number, KeptAside(at / 1000, *rest))
            last = rows[-1][0]


def _bound(moment: float) -> int:
    """A time in milliseconds, where infinity is allowed."""
    return milliseconds(moment) if math.isfinite(moment) else FOREVER if moment > 0 else -FOREVER
