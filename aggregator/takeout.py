"""Taking out what the store keeps: readings, events and messages set aside, as CSV or as one JSON object a line.

    tag,field,at,value,unit,grade,reasons,observed,received,arrived,late,clock,node,counter
    FT-101,flow,2027-01-15T08:00:00.000Z,41.5,m3/h,good,,,2027-01-15T08:00:00.000Z,...

Rows are written as they are read, a few at a time, so memory stays flat however long the history is, and a service that
writes meanwhile is not held up. Times are RFC 3339 in UTC. CSV is that of RFC 4180 with plain line ends, in UTF-8.
"""

from __future__ import annotations

import base64
import csv
import json
import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import TextIO

from aggregator.core.errors import AggregatorError
from aggregator.core.keeping import KeptAside, KeptEvent
from aggregator.core.reading import grade_of, reason_word, reasons_in
from aggregator.store import HistoryRow, reader
from aggregator.store.journal import Sought
from aggregator.store.rows import storable

TOLD_EVERY = 1000  # rows between two words on how far it has come

Row = Mapping[str, object]


class NothingStored(AggregatorError):
    """There is no store where one was looked for; the message says where that was."""


class Form(StrEnum):
    """What rows come out as."""

    CSV = "csv"
    JSON = "json"


class What(StrEnum):
    """What can be taken out."""

    READINGS = "readings"
    EVENTS = "events"
    ASIDE = "messages set aside"

    @property
    def one(self) -> str:
        """The word for one of them."""
        return {What.READINGS: "reading", What.EVENTS: "event", What.ASIDE: "message set aside"}[self]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which rows: of these tags and fields (None: all), `since` <= at < `until` (UTC s)."""

    tags: Collection[str] | None = None
    fields: Collection[str] | None = None
    since: float = -math.inf
    until: float = math.inf


COLUMNS: dict[What, tuple[str, ...]] = {
    What.READINGS: (
        "tag",
        "field",
        "at",
        "value",
        "unit",
        "grade",
        "reasons",
        "observed",
        "received",
        "arrived",
        "late",
        "clock",
        "node",
        "counter",
    ),
    What.EVENTS: ("at", "event", "tag", "who", "facts", "clock"),
    What.ASIDE: ("at", "reason", "detail", "topic", "node", "message", "clock"),
}


def rows_of(what: What, path: Path, wanted: Wanted) -> Iterator[Row]:
    """The rows of a store's file, in time order; messages set aside in the order they came. Raises StoreError."""
    if what is What.READINGS:
        return map(reading_row, reader.history(path, wanted.tags, wanted.fields, wanted.since, wanted.until))
    if what is What.EVENTS:
        return map(event_row, reader.journal(path, wanted.since, wanted.until, Sought(wanted.tags)))
    rows = (each.kept for each in reader.aside(path))
    return (_message(each) for each in rows if wanted.since <= each.at < wanted.until)


def write(what: What, form: Form, rows: Iterable[Row], out: TextIO, tell: Callable[[int], None] | None = None) -> int:
    """Write rows as they come; `tell` hears now and then how many there were. Returns how many there were.

    Raises what `out` raises, and StoreError.
    """
    put = _csv_writer(what, out) if form is Form.CSV else _json_writer(out)
    count = 0
    for count, row in enumerate(rows, 1):
        put(row)
        if tell is not None and count % TOLD_EVERY == 0:
            tell(count)
    return count


def _csv_writer(what: What, out: TextIO) -> Callable[[Row], object]:
    writer = csv.writer(out, lineterminator="\n")
    columns = COLUMNS[what]
    writer.writerow(columns)
    return lambda row: writer.writerow([_cell(row[column]) for column in columns])


def _cell(value: object) -> object:
    """A value as a cell: nothing for none, lists of words joined, objects as JSON."""
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case str():
            return storable(value)
        case list():
            return ", ".join(map(str, value))
        case Mapping():
            return json.dumps(value)
    return value


def _json_writer(out: TextIO) -> Callable[[Row], object]:
    return lambda row: out.write(json_line(row))


def json_line(row: Row) -> str:
    """One JSON object and the line's end; text that UTF-8 has no bytes for stands in escapes."""
    line = json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n"
    return line if storable(line) is line else json.dumps(row, allow_nan=False) + "\n"


def reading_row(row: HistoryRow) -> Row:
    """A reading of the history as plain data, by the columns' names."""
    return {
        "tag": row.tag,
        "field": row.field,
        "at": time_text(row.at),
        "value": _finite(row.value),
        "unit": row.unit,
        **_quality(row.reasons),
        "observed": time_text(row.observed),
        "received": time_text(row.received),
        "arrived": time_text(row.arrived),
        "late": row.late,
        "clock": row.clock.name.lower(),
        "node": row.node,
        "counter": row.counter,
    }


@lru_cache(maxsize=1024)
def _quality(reasons: int) -> Row:
    """Grade and reasons in words. A history has few combinations of reasons."""
    words = [reason_word(reason) for reason in reasons_in(reasons)]
    return {"grade": grade_of(reasons).name.lower(), "reasons": words}


def _finite(value: object) -> object:
    """JSON has no infinite numbers; no value must not be made of one."""
    if isinstance(value, float) and math.isinf(value):
        return "Infinity" if value > 0 else "-Infinity"
    return value


def event_row(event: KeptEvent) -> Row:
    """An event of the journal as plain data, by the columns' names."""
    return {
        "at": time_text(event.at),
        "event": event.event,
        "tag": event.tag,
        "who": event.who,
        "facts": event.facts,
        "clock": event.clock.name.lower(),
    }


def _message(aside: KeptAside) -> Row:
    return {
        "at": time_text(aside.at),
        "reason": aside.reason,
        "detail": aside.detail,
        "topic": aside.topic,
        "node": aside.node,
        "message": message_text(aside.message),
        "clock": aside.clock.name.lower(),
    }


@lru_cache(maxsize=64)  # the readings of one uplink share their times
def time_text(moment: float | None) -> str | None:
    """A time (UTC s) as RFC 3339 in UTC, to the millisecond.

    >>> time_text(1800000000.25)
    '2027-01-15T08:00:00.250Z'
    """
    if moment is None:
        return None
    return datetime.fromtimestamp(moment, UTC).replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"


def message_text(message: bytes) -> str | Mapping[str, str]:
    """A message as text, or as base64 where it is no UTF-8.

    >>> message_text(b'{"a": 1}'), message_text(bytes([255]))
    ('{"a": 1}', {'base64': '/w=='})
    """
    try:
        return message.decode("utf-8")
    except UnicodeDecodeError:
        return {"base64": base64.b64encode(message).decode("ascii")}
