"""The frames that were heard of late, for a restart: which are doubles, and how many of the last day never came.

Nothing is written for it: every frame that was taken has its row in the history, every one that could not be read its
row among the messages set aside. Ids rise in the order of arrival, so that the last days are one run of rows.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterator

from aggregator.core.keeping import KeptFrame

LOOK_BACK = 2 * 86_400_000  # ms: the day that is counted, and a node that has been silent for another
MOST = 300_000  # rows that a start reads for it, a second of work: a day of 3000 meters at a quarter of an hour

UPLINKS = """
    SELECT node, counter, received, arrived FROM uplink
    WHERE id >= ? AND node NOT NULL AND counter NOT NULL ORDER BY id
"""
BEFORE = """
    SELECT uplink.node, uplink.counter, uplink.received, uplink.arrived
    FROM meter CROSS JOIN uplink ON uplink.id = (
        SELECT id FROM uplink
        WHERE uplink.meter = meter.id AND id < :first AND node NOT NULL AND counter NOT NULL
        ORDER BY at DESC LIMIT 1
    )
"""
ASIDE = """
    SELECT node, counter, heard, at FROM aside
    WHERE at >= ? AND node NOT NULL AND counter NOT NULL ORDER BY at
"""
NEXT = "SELECT id, arrived FROM uplink WHERE id > ? ORDER BY id LIMIT 1"
_Row = tuple[int, int, int | None, int]


def recent_frames(connection: sqlite3.Connection) -> Iterator[KeptFrame]:
    """The frames of the last days in the order of arrival, and before them the last that each meter had before."""
    newest = connection.execute("SELECT id, arrived FROM uplink ORDER BY id DESC LIMIT 1").fetchone()
    last, since = (newest[0], newest[1] - LOOK_BACK) if newest else (0, 0)
    first = max(_first_since(connection, since, last), last - MOST + 1)
    nodes = dict(connection.execute("SELECT id, deveui FROM node").fetchall())
    for row in connection.execute(BEFORE, {"first": first}):
        yield _frame(nodes[row[0]], row, read=True)
    uplinks = ((row[3], nodes[row[0]], row, True) for row in connection.execute(UPLINKS, (first,)))
    asides = ((row[3], row[0], row, False) for row in connection.execute(ASIDE, (since,)))
    for _, node, row, read in heapq.merge(uplinks, asides, key=lambda each: each[0]):
        yield _frame(node, row, read=read)


def _frame(node: str, row: _Row, *, read: bool) -> KeptFrame:
    _, counter, received, arrived = row
    heard = arrived if received is None else received
    return KeptFrame(node, counter, heard / 1000, received is not None, read)


def _first_since(connection: sqlite3.Connection, since: int, last: int) -> int:
    """The id of the first uplink that arrived at `since` (ms) or later; ids rise in that order, so halves find it."""
    low, high = 0, last
    while low < high:
        middle = (low + high) // 2
        found = connection.execute(
            "SELECT id, arrived FROM uplink WHERE id > ? ORDER BY id LIMIT 1", (middle,)
        ).fetchone()
        if found is None or found[1] >= since:
            high = middle
        else:
            low = found[0]
    return low + 1
