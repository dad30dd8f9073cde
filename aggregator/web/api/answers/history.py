"""What was kept: a field over time, readings and events page by page."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from aggregator.web.api.answers import Answer
from aggregator.web.api.answers.alarms import Written
from aggregator.web.api.answers.quality import Clock, Judged, Value

Mark = list[float]


class Sample(Judged):
    """One reading; `after_gap`: more time than was allowed had passed since the one before."""

    at: float
    value: float | None
    after_gap: bool


class Bucket(Judged):
    """The readings between `begin` and `begin` + the chart's width; each mark is a time and a value."""

    begin: float
    count: int
    first: Mark | None
    lowest: Mark | None
    highest: Mark | None
    last: Mark | None
    after_gap: bool
    longest_gap: float | None


class Chart(Answer):
    """A field over time: as samples, or in buckets of `width` s where there are more of them than points asked for."""

    tag: str
    field: str
    unit: str | None
    since: float
    until: float
    gap_after: float | None
    count: int
    left_out: int = Field(description="readings that are no numbers")
    width: float | None
    samples: list[Sample]
    buckets: list[Bucket]
    by_hand: list[Sample]


class Reading(Judged):
    """A reading that was kept. Times are RFC 3339, in UTC."""

    tag: str
    field: str
    at: str
    value: Value | None
    unit: str
    observed: str | None
    received: str | None
    arrived: str | None
    late: bool
    clock: Clock
    node: str | None
    counter: int | None


class Readings(Answer):
    """A page of readings, newest first; the next one is asked for with `after`, null on the last."""

    rows: list[Reading]
    after: str | None


class Event(Answer):
    """An event of the journal. `at` is RFC 3339, in UTC; `unit` is that of the alarm's value and limit."""

    at: str
    event: str
    tag: str | None
    who: str | None
    facts: dict[str, Any]
    clock: Clock
    unit: str | None
    written: Written | None


class Journal(Answer):
    """A page of events, newest first; the next one is asked for with `after`, null on the last."""

    rows: list[Event]
    after: str | None
