"""Reading the store: every reader has a connection of its own and reads in short steps.

No transaction stays open while whoever asked is slow: a forgotten one would keep the log from being emptied, and it
would grow without end (22 MB after 5000 commits, measured).
"""

from __future__ import annotations

import contextlib
import heapq
import itertools
import json
import math
import sqlite3
from collections.abc import Callable, Collection, Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from aggregator.core.keeping import ClockState, KeptAside, KeptEvent, KeptFrame, Remembered
from aggregator.core.reading import Value
from aggregator.store.chart import Chart, Span, chart_of
from aggregator.store.connection import open_reading
from aggregator.store.frames import recent_frames
from aggregator.store.journal import EVERYTHING, Sought, events
from aggregator.store.limits import GivenUp, StoreError
from aggregator.store.recall import FieldNames, recall, tags_of
from aggregator.store.rows import BEFORE_ALL, Place, milliseconds, seconds

UPLINKS_AT_ONCE = 256  # of one meter, as long as there are few
UPLINKS_IN_HAND = 8192  # of all meters together: some 5 MB
FEWEST_AT_ONCE = 8  # of one meter, however many there are
ASIDE_AT_ONCE = 16  # messages of up to 256 KiB
FOREVER = 1 << 62  # ms

UPLINKS = """
    SELECT at, id, observed, received, arrived, clock, late, readings, reasons,
           (SELECT deveui FROM node WHERE node.id = uplink.node), counter
    FROM uplink
    WHERE meter = :meter AND {}
"""
FORWARDS = UPLINKS.format("at >= :at AND (at > :at OR id > :id) AND at < :end ORDER BY at, id LIMIT :most")
BACKWARDS = UPLINKS.format("at <= :at AND (at < :at OR id < :id) AND at >= :end ORDER BY at DESC, id DESC LIMIT :most")
ASIDE = """
    SELECT id, at, reason, detail, topic, node, message, clock, counter, heard FROM aside
    WHERE id > ? ORDER BY id LIMIT ?
"""
# By a trusted clock alone: one that was set wrongly by hand for a while must not hold all later ones. And of so many
# rows at most: where the clock was never right, all of a large file would be read for nothing.
NEWEST_TRUSTED = """
    SELECT max(moment) FROM (
        SELECT moment FROM (SELECT arrived AS moment, clock FROM uplink ORDER BY id DESC LIMIT 100000)
        WHERE clock = 0 LIMIT 1
    ) UNION ALL SELECT max(moment) FROM (
        SELECT moment FROM (SELECT at AS moment, clock FROM event ORDER BY id DESC LIMIT 100000)
        WHERE clock = 0 LIMIT 1
    )
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


GiveUp = Callable[[], bool]
"""Whether nobody waits for the answer any longer; it is asked between two short steps."""


def never() -> bool:
    """Nobody gives up."""
    return False


CLOCKS = tuple(ClockState)
NEVER_SHOWN = 1  # in the column `late`; 2 is what was filled in
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


def newest_trusted(path: Path) -> float | None:
    """When the newest row came (UTC s) that was dated by a clock kept right; None without one. Raises StoreError."""
    with reading(path) as connection:
        found = connection.execute(NEWEST_TRUSTED).fetchall() if connection else []
        return max((moment / 1000 for (moment,) in found if moment is not None), default=None)


def frames(path: Path) -> Iterator[KeptFrame]:
    """The frames of the last days, in the order of arrival. Raises StoreError."""
    with reading(path) as connection:
        if connection is not None:
            yield from recent_frames(connection)


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
        begin, end = Place(_bound(since), BEFORE_ALL), _bound(until)
        each = [_uplinks_of(connection, meter, begin, end, most) for meter in meters]
        for (_, _, meter), uplink in heapq.merge(*each):
            yield from _rows(meters[meter], uplink, known, fields)


def _uplinks_of(
    connection: sqlite3.Connection, meter: int, begin: Place, end: int, most: int, statement: str = FORWARDS
) -> Iterator[tuple[tuple[int, int, int], _Uplink]]:
    """A meter's uplinks, each under what it is sorted by."""
    place = {"meter": meter, "at": begin.at, "id": begin.id, "end": end, "most": most}
    while rows := connection.execute(statement, place).fetchall():
        for row in rows:
            yield (row[0], row[1], meter), row
        place["at"], place["id"] = rows[-1][:2]


@dataclass(frozen=True, slots=True)
class Extent:
    """What a page may hold: rows `since` <= at < `until` (UTC s), so many at most, beyond the place `after` only."""

    since: float = -math.inf
    until: float = math.inf
    most: int = 100
    after: Place | None = None


class Page(NamedTuple):
    """Rows, newest first, and where the next page goes on, None at the end."""

    rows: list[Any]
    after: Place | None


def readings_page(
    path: Path, tag: str, fields: Collection[str] | None, extent: Extent, is_given_up: GiveUp = never
) -> Page:
    """The newest readings of a meter's fields (None: all), as HistoryRows.

    Of an uplink all or none stand on a page, so that it may be a few rows longer than asked. Raises StoreError.
    """
    with reading(path) as connection:
        meter = None if connection is None else meter_of(connection, tag)
        if connection is None or meter is None:
            return Page([], None)
        known = FieldNames(connection)
        rows: list[HistoryRow] = []
        begin = extent.after or Place(_bound(extent.until), BEFORE_ALL)
        for count, ((at, number, _), uplink) in enumerate(
            _uplinks_of(connection, meter, begin, _bound(extent.since), UPLINKS_AT_ONCE, BACKWARDS), 1
        ):
            rows += _rows(tag, uplink, known, fields)
            if len(rows) >= extent.most:
                return Page(rows, Place(at, number))
            if count % UPLINKS_AT_ONCE == 0 and is_given_up():
                raise GivenUp("given up")
        return Page(rows, None)


def journal_page(path: Path, sought: Sought, extent: Extent, is_given_up: GiveUp = never) -> Page:
    """The newest events that are sought, as KeptEvents. Raises StoreError."""
    with reading(path) as connection:
        if connection is None:
            return Page([], None)
        since, until = _bound(extent.since), _bound(extent.until)
        found = events(connection, since, until, sought, newest_first=True, after=extent.after, is_given_up=is_given_up)
        rows = list(itertools.islice(found, extent.most))
        return Page([event for _, event in rows], rows[-1][0] if len(rows) == extent.most else None)


def chart(path: Path, tag: str, field: str, span: Span, is_given_up: GiveUp = never) -> Chart:
    """A meter's field over a time, for a chart. Raises StoreError."""
    with reading(path) as connection:
        meter = None if connection is None else meter_of(connection, tag)
        if connection is None or meter is None:
            return Chart("", 0, (), (), None, 0)
        return chart_of(connection, meter, field, span, is_given_up)


def meter_of(connection: sqlite3.Connection, tag: str) -> int | None:
    """The id of a meter, None where nothing of it was ever stored."""
    found = connection.execute("SELECT id FROM meter WHERE tag = ?", (tag,)).fetchone()
    return None if found is None else int(found[0])


def _rows(tag: str, uplink: _Uplink, known: FieldNames, fields: Collection[str] | None) -> Iterator[HistoryRow]:
    at, _, observed, received, arrived, clock, late, values, bits, node, counter = uplink
    reasons = json.loads(bits) if bits else {}
    rest = seconds(observed), seconds(received), arrived / 1000, CLOCKS[clock], late == NEVER_SHOWN, node, counter
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


def journal(
    path: Path, since: float, until: float, sought: Sought = EVERYTHING, is_given_up: GiveUp = never
) -> Iterator[KeptEvent]:
    """The events from `since` up to before `until` that are sought, in time order. Raises StoreError."""
    with reading(path) as connection:
        if connection is not None:
            begin, end = _bound(since), _bound(until)
            for _, event in events(connection, begin, end, sought, newest_first=False, is_given_up=is_given_up):
                yield event


def aside(path: Path, after: int = 0) -> Generator[AsideRow]:
    """The messages set aside, oldest first: those beyond the id `after`. Raises StoreError."""
    with reading(path) as connection:
        last = after
        while rows := connection.execute(ASIDE, (last, ASIDE_AT_ONCE)).fetchall() if connection else []:
            for number, at, reason, detail, topic, node, message, clock, counter, heard in rows:
                frame = CLOCKS[clock], counter, seconds(heard)
                yield AsideRow(number, KeptAside(at / 1000, reason, detail, topic, node, message, *frame))
            last = rows[-1][0]


def _bound(moment: float) -> int:
    """A time in milliseconds, where infinity is allowed."""
    return milliseconds(moment) if math.isfinite(moment) else FOREVER if moment > 0 else -FOREVER
