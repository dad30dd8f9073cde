"""The journal, forwards for who takes it out and backwards for who looks, with only what is sought."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass

from aggregator.core.keeping import KeptEvent
from aggregator.core.response import SILENCED
from aggregator.store.limits import GivenUp
from aggregator.store.rows import BEFORE_ALL, Place, event_of

AT_ONCE = 2048  # events that are looked at in one step, some milliseconds of work, however few of them are sought

# How far a step goes, told by the index alone; then what is sought up to there.
REACH = {
    True: """
        SELECT at, id FROM event WHERE at <= :at AND (at < :at OR id < :id) AND at >= :end
        ORDER BY at DESC, id DESC LIMIT 1 OFFSET :offset
    """,
    False: """
        SELECT at, id FROM event WHERE at >= :at AND (at > :at OR id > :id) AND at < :end
        ORDER BY at, id LIMIT 1 OFFSET :offset
    """,
}
SOUGHT = """
    AND (:tags IS NULL OR tag IN (SELECT value FROM json_each(:tags)))
    AND (:events IS NULL OR event IN (SELECT value FROM json_each(:events)))
    AND (:who IS NULL OR who IN (SELECT value FROM json_each(:who)))
    AND (:alarms IS NULL OR json_extract(facts, '$.alarm') IN (SELECT value FROM json_each(:alarms)))
    AND (NOT :about_alarms OR json_type(facts, '$.alarm') NOT NULL OR event = :silenced)
"""
ROWS = "SELECT id, at, clock, event, tag, who, facts FROM event WHERE "
NEWEST_FIRST = "at <= :at AND (at < :at OR id < :id) AND at >= :last_at AND (at > :last_at OR id >= :last_id)"
OLDEST_FIRST = "at >= :at AND (at > :at OR id > :id) AND at <= :last_at AND (at < :last_at OR id <= :last_id)"
EVENTS = {
    True: ROWS + NEWEST_FIRST + SOUGHT + "ORDER BY at DESC, id DESC",
    False: ROWS + OLDEST_FIRST + SOUGHT + "ORDER BY at, id",
}
BEYOND = 1 << 62  # an id after all others


@dataclass(frozen=True, slots=True)
class Sought:
    """Events of these tags, of these kinds, about alarms of these names, by these people; None: of any.

    `about_alarms` seeks only those that tell of an alarm or of the sounder.
    """

    tags: Collection[str] | None = None
    events: Collection[str] | None = None
    alarms: Collection[str] | None = None
    who: Collection[str] | None = None
    about_alarms: bool = False

    def bounds(self) -> dict[str, object]:
        """The parameters of the statements."""
        lists = {"tags": self.tags, "events": self.events, "alarms": self.alarms, "who": self.who}
        told = {name: None if each is None else json.dumps(list(each)) for name, each in lists.items()}
        return {**told, "about_alarms": self.about_alarms, "silenced": SILENCED}


EVERYTHING = Sought()


def events(
    connection: sqlite3.Connection,
    since: int,
    until: int,
    sought: Sought,
    *,
    newest_first: bool,
    after: Place | None = None,
    is_given_up: Callable[[], bool] = lambda: False,
) -> Iterator[tuple[Place, KeptEvent]]:
    """Events, `since` <= at < `until` (ms), each with its place; those beyond the place `after` only.

    Raises GivenUp between two steps, sqlite3.Error.
    """
    place = after or Place(until if newest_first else since, BEFORE_ALL)
    end = Place(since, BEFORE_ALL) if newest_first else Place(until - 1, BEYOND)
    bounds = {**sought.bounds(), "end": since if newest_first else until, "offset": AT_ONCE - 1}
    while place != end:
        if is_given_up():
            raise GivenUp("given up")
        here = {**bounds, "at": place.at, "id": place.id}
        reach = connection.execute(REACH[newest_first], here).fetchone()
        last = end if reach is None else Place(*reach)
        here |= {"last_at": last.at, "last_id": last.id}
        for row in connection.execute(EVENTS[newest_first], here).fetchall():
            yield Place(row[1], row[0]), event_of(row[1:])
        place = last
