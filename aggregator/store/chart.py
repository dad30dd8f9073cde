"""One field over a time, for a chart: no more points than a screen has columns, however many readings there are.

    readings     .  . : .  .. .      :    |. . .  .
    buckets      |     |     |     |     |     |     each: first, lowest, highest, last, how many, what was the matter

Few readings are given as they are. Many are gathered in buckets that begin at whole multiples of their width (UTC), so
that a chart does not flicker when it is moved. Nothing is made up: a bucket without readings is not there, a lowest and
a highest are readings with their own times, and what comes after a silence says so.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from aggregator.core.reading import Reason, grade_of
from aggregator.store.limits import GivenUp
from aggregator.store.rows import BEFORE_ALL, milliseconds

AT_ONCE = 2048  # uplinks in one step: some 10 ms of work
MOST_POINTS = 2000
MOST_BY_HAND = 200  # values entered by hand that are told beside a chart
SUBSTITUTED = int(Reason.SUBSTITUTED)
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000  # ms
WIDTHS = (
    *(each * 1000 for each in (1, 2, 5, 10, 15, 30)),
    *(each * MINUTE for each in (1, 2, 5, 10, 15, 30)),
    *(each * HOUR for each in (1, 2, 3, 4, 6, 8, 12)),
    *(each * DAY for each in (1, 2, 4, 7, 14, 28)),
)  # ms

FIELDS = "SELECT id, unit FROM field WHERE name = ?"
# SQLite takes the one field out of each uplink: the interpreter would keep the event loop waiting meanwhile.
SAMPLES = """
    SELECT at, id, node IS NULL{columns} FROM uplink
    WHERE meter = :meter AND at >= :at AND (at > :at OR id > :id) AND at < :until ORDER BY at, id LIMIT :most
"""
COLUMNS = """, json_type(readings, '$."{0}"'), json_extract(readings, '$."{0}"'), json_extract(reasons, '$."{0}"')"""


class Sample(NamedTuple):
    """One reading: when (UTC s), its value, None where the meter gave none, and its status bits without the grade.

    `after_gap` says that more time than was allowed had passed since the one before.
    """

    at: float
    value: float | None
    reasons: int
    after_gap: bool = False


@dataclass(frozen=True, slots=True)
class Bucket:
    """The readings between `begin` and `begin` + the chart's width (UTC s), `count` of them.

    `first`, `lowest`, `highest` and `last` are those with a value, None where none has. `reasons` are all bits that
    any of them has; `worst` is the worst grade, 1 good to 3 bad. `after_gap` is that of the first of them;
    `longest_gap` is the longest time (s) from one reading to the next that ends here, None where there is none before.
    """

    begin: float
    count: int
    first: Sample | None
    lowest: Sample | None
    highest: Sample | None
    last: Sample | None
    reasons: int
    worst: int
    after_gap: bool
    longest_gap: float | None


@dataclass(frozen=True, slots=True)
class Chart:
    """A field over a time. Either `samples` are given, or `buckets` of `width` (s), never both.

    `unit` is that of the newest readings; `left_out` counts those of another unit, which cannot stand on one axis, and
    texts. `by_hand` are values that were entered in place of readings, at their beginning and their end.
    """

    unit: str
    count: int
    samples: tuple[Sample, ...]
    buckets: tuple[Bucket, ...]
    width: float | None
    left_out: int
    by_hand: tuple[Sample, ...] = ()


@dataclass(frozen=True, slots=True)
class Span:
    """What a chart is to show: `since` <= at < `until` (UTC s, finite), at most so many points.

    More than `gap_after` (s) between two readings is a gap.
    """

    since: float
    until: float
    most: int = 1000
    gap_after: float = math.inf


@dataclass(slots=True)
class _Gathering:
    """A bucket while its readings come in."""

    begin: int
    after_gap: bool
    count: int = 0
    reasons: int = 0
    worst: int = 1
    first: Sample | None = None
    lowest: Sample | None = None
    highest: Sample | None = None
    last: Sample | None = None
    longest_gap: float | None = None

    def take(self, sample: Sample, gap: float | None) -> None:
        self.count += 1
        self.reasons |= sample.reasons
        self.worst = max(self.worst, grade_of(sample.reasons))
        if gap is not None:
            self.longest_gap = gap if self.longest_gap is None else max(gap, self.longest_gap)
        value = sample.value
        if value is None:
            return
        self.first = self.first or sample
        self.last = sample
        if self.lowest is None or self.lowest.value is None or value < self.lowest.value:
            self.lowest = sample
        if self.highest is None or self.highest.value is None or value > self.highest.value:
            self.highest = sample

    def done(self) -> Bucket:
        times = self.first, self.lowest, self.highest, self.last
        return Bucket(
            self.begin / 1000, self.count, *times, self.reasons, self.worst, self.after_gap, self.longest_gap
        )  # fmt: skip


@dataclass(slots=True)
class _Gatherer:
    """Takes samples in order of time, and has both forms ready for as long as it may need them."""

    width: int
    most: int
    gap_after: float
    count: int = 0
    samples: list[Sample] = field(default_factory=list)
    buckets: list[_Gathering] = field(default_factory=list)
    before: float | None = None

    def take(self, at: int, value: float | None, reasons: int) -> None:
        moment = at / 1000
        gap = None if self.before is None else moment - self.before
        sample = Sample(moment, value, reasons, gap is not None and gap > self.gap_after)
        self.before = moment
        self.count += 1
        if self.count <= self.most:
            self.samples.append(sample)
        begin = at - at % self.width
        if not self.buckets or self.buckets[-1].begin != begin:
            self.buckets.append(_Gathering(begin, sample.after_gap))
        self.buckets[-1].take(sample, gap)


def width_for(since: int, until: int, most: int) -> int:
    """The width (ms) of the narrowest buckets that are at most so many; what does not fit the list is whole days.

    >>> width_for(0, DAY, 1000) // MINUTE, width_for(0, 365 * DAY, 1000) // HOUR
    (2, 12)
    """
    wanted = max(0, until - since) / max(1, most - 1)  # the first and the last may stand out over the ends
    for width in WIDTHS:
        if width >= wanted:
            return width
    return math.ceil(wanted / DAY) * DAY


def chart_of(
    connection: sqlite3.Connection, meter: int, name: str, span: Span, is_given_up: Callable[[], bool]
) -> Chart:
    """A meter's field over a time. Raises GivenUp between two steps, sqlite3.Error."""
    since, until, most = milliseconds(span.since), milliseconds(span.until), max(2, min(span.most, MOST_POINTS))
    units = dict(connection.execute(FIELDS, (name,)).fetchall())
    gathered = {number: _Gatherer(width_for(since, until, most), most, span.gap_after) for number in units}
    by_hand: dict[int, list[Sample]] = {number: [] for number in units}
    texts = 0
    newest = max(units, default=None)
    for number, at, kind, value, bits, hand in _samples(connection, meter, list(units), since, until, is_given_up):
        newest = number
        if kind == "text":
            texts += 1
        elif hand and bits & SUBSTITUTED:
            by_hand[number].append(Sample(at / 1000, value, bits))
        else:
            plain = value if value is not None and math.isfinite(value) else None
            gathered[number].take(at, plain, bits)
    if newest is None:
        return Chart("", 0, (), (), None, 0)
    return _chart(newest, units, gathered, texts, by_hand[newest])


def _chart(
    newest: int, units: dict[int, str], gathered: dict[int, _Gatherer], texts: int, by_hand: list[Sample]
) -> Chart:
    mine = gathered[newest]
    left_out = texts + sum(each.count for number, each in gathered.items() if number != newest)
    few = mine.count <= mine.most
    return Chart(
        units[newest],
        mine.count,
        tuple(mine.samples) if few else (),
        () if few else tuple(each.done() for each in mine.buckets),
        None if few else mine.width / 1000,
        left_out,
        tuple(by_hand[-MOST_BY_HAND:]),
    )


def _samples(
    connection: sqlite3.Connection,
    meter: int,
    fields: list[int],
    since: int,
    until: int,
    is_given_up: Callable[[], bool],
) -> Iterator[tuple[int, int, str, float | None, int, bool]]:
    """Field id, when (ms), type as JSON has it, value, reasons and whether no node sent it, in order of time.

    A field has an id for each unit that it was ever in; nearly always that is one.
    """
    statement = SAMPLES.format(columns="".join(COLUMNS.format(int(number)) for number in fields))
    place = {"meter": meter, "at": since, "id": BEFORE_ALL, "until": until, "most": AT_ONCE}
    rows: list[tuple[int, ...]] = []
    while fields and (not rows or len(rows) == AT_ONCE):
        if is_given_up():
            raise GivenUp("given up")
        rows = connection.execute(statement, place).fetchall()
        for at, _, by_hand, *columns in rows:
            for position, number in enumerate(fields):
                kind, value, bits = columns[3 * position : 3 * position + 3]
                if kind is not None:
                    yield number, at, str(kind), value, bits or 0, bool(by_hand)
        if not rows:
            return
        place["at"], place["id"] = rows[-1][:2]
