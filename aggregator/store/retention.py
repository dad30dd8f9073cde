"""Letting go of what is too old or too much, oldest first, a bite at a time between commits.

Age counts by the time of arrival, and only by a clock that can be trusted; what an untrusted clock has dated goes with
the first row after it that has a real date. The newest uplink always stays, so that its id is never given again.
"""

from __future__ import annotations

import sqlite3
import time

from aggregator.store.connection import roll_back
from aggregator.store.limits import Limits

DAY = 86_400_000  # ms
BITE_TIME = 0.025  # s that one bite may take before the next is made smaller
SMALLEST, LARGEST = 16, 1000  # rows, or pages, in a bite
SPARE_PAGES = 1024  # free pages left in the file for what comes next

EXPIRED = """
    SELECT max(id) FROM (SELECT id, {moment} AS moment, clock FROM {table} ORDER BY id LIMIT :bite)
    WHERE clock <> 1 AND moment < :oldest
"""
FIRST_DATED = "SELECT id, {moment} FROM {table} WHERE clock <> 1 ORDER BY id LIMIT 1"
DELETE = """
    DELETE FROM {table} WHERE id IN (SELECT id FROM {table} WHERE id <= :upto ORDER BY id LIMIT :bite)
    AND id < (SELECT max(id) FROM {table})
"""
MOMENTS = {"uplink": "arrived", "event": "at"}


class Retention:
    """Takes bites out of the database until it is within its limits."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._bite = 64
        self._oldest: dict[str, int] = {}  # by table, the time (ms) before which rows are too old
        self.is_due = True

    def let_age(self, now: float) -> None:
        """Take `now` (UTC s, of a trusted clock) as the time that ages count to."""
        for table, days in (("uplink", self._limits.keep_days), ("event", self._limits.keep_journal_days)):
            if days is not None:
                self._oldest[table] = round(now * 1000) - round(days * DAY)
        self.is_due = True

    def bite(self, connection: sqlite3.Connection) -> None:
        """Do a little of what there is to do. Raises sqlite3.Error."""
        began = time.monotonic()
        try:
            connection.execute("BEGIN IMMEDIATE")
            did = self._drop_old(connection) or self._drop_beyond_size(connection)
            connection.execute("COMMIT")
            did = did or self._shrink(connection)
        except sqlite3.Error:
            roll_back(connection)
            raise
        if self.is_due and not did:
            connection.execute("PRAGMA wal_checkpoint(PASSIVE)")  # only this really shortens the file
        self.is_due = did
        self._adapt(time.monotonic() - began)

    def look(self, connection: sqlite3.Connection) -> None:
        """Note whether the last commit has made the file too large."""
        if self._pages_beyond(connection) > 0:
            self.is_due = True

    def _drop_old(self, connection: sqlite3.Connection) -> bool:
        for table, oldest in self._oldest.items():
            moment = MOMENTS[table]
            bounds = {"bite": self._bite, "oldest": oldest}
            upto = connection.execute(EXPIRED.format(table=table, moment=moment), bounds).fetchone()[0]
            if upto is None:
                dated = connection.execute(FIRST_DATED.format(table=table, moment=moment)).fetchone()
                upto = dated[0] if dated and dated[1] < oldest else None
            if upto is not None and self._delete(connection, table, upto):
                return True
        return False

    def _drop_beyond_size(self, connection: sqlite3.Connection) -> bool:
        free = connection.execute("PRAGMA freelist_count").fetchone()[0]
        if self._pages_beyond(connection) <= free:
            return False
        newest = connection.execute("SELECT max(id) FROM uplink").fetchone()[0]
        return newest is not None and self._delete(connection, "uplink", newest)

    def _delete(self, connection: sqlite3.Connection, table: str, upto: int) -> bool:
        return connection.execute(DELETE.format(table=table), {"upto": upto, "bite": self._bite}).rowcount > 0

    def _shrink(self, connection: sqlite3.Connection) -> bool:
        """Give free pages back to the file system: where the file is too large, or a good part of it stands empty."""
        free = connection.execute("PRAGMA freelist_count").fetchone()[0]
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        beyond = min(free, self._pages_beyond(connection))
        if beyond <= 0 and free <= max(SPARE_PAGES, pages // 8):
            return False
        # The pragma frees one page a step, and only stepping it to its end frees them all.
        connection.execute(f"PRAGMA incremental_vacuum({self._bite})").fetchall()
        return bool(connection.execute("PRAGMA freelist_count").fetchone()[0] < free)

    def _pages_beyond(self, connection: sqlite3.Connection) -> int:
        """How many pages the file has beyond its limit; negative where there is room left."""
        if self._limits.most_bytes is None:
            return -1
        pages: int = connection.execute("PRAGMA page_count").fetchone()[0]
        size: int = connection.execute("PRAGMA page_size").fetchone()[0]
        return pages - self._limits.most_bytes // size

    def _adapt(self, took: float) -> None:
        if took > BITE_TIME:
            self._bite = max(SMALLEST, self._bite // 2)
        elif took < BITE_TIME / 4:
            self._bite = min(LARGEST, self._bite * 2)
