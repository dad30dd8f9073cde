"""What a restart gets back: the newest readings that were shown, how each meter was last heard, and the states.

Going back through the uplinks until every field of every meter has turned up could take the whole history. Noting the
newest with each uplink would cost each commit another page of flash. So the table `shown` is brought up to date once in
a while, and the uplinks that came after are read on top of it. "Newest" is by order of arrival, never by time: an hour
under a clock that was never set is still the latest that is known.
"""

from __future__ import annotations

import json
import math
import sqlite3

from aggregator.core.keeping import KeptReading, Remembered
from aggregator.core.reading import Value
from aggregator.store.rows import Ids, as_json, link_of, milliseconds, or_none, radio, seconds

SETTLE_AFTER = 2000  # uplinks, once nothing waits to be written
SETTLE_AT_LAST = 50_000  # uplinks, even while more are waiting: a start that has to read so many takes a moment longer

# Of what came after, only the uplinks that brought the newest reading of a field, or are a meter's newest: SQLite
# picks them without the interpreter, which would keep the event loop waiting meanwhile. NOT INDEXED: to group by meter
# it would walk the index of the whole history.
# What was entered by hand (no node, bit 11 of the status word) is no uplink: it comes back as a state, and beneath it
# the reading that it stands over.
# What was filled in (late = 2) shows fields of which nothing newer was there: it counts by time, among its own kind.
TAIL = """
    WITH later AS NOT MATERIALIZED (
        SELECT * FROM uplink NOT INDEXED WHERE id > (SELECT uplink FROM settled)
        AND NOT (node IS NULL AND EXISTS (SELECT 1 FROM json_each(uplink.reasons) AS bits WHERE bits.value & 2048))
    )
    SELECT meter, node, counter, at, observed, received, arrived, rssi, snr, spreading_factor, readings, reasons, late
    FROM uplink WHERE id IN (
        SELECT max(later.id) FROM later, json_each(later.readings) AS field WHERE late = 0 GROUP BY meter, field.key
        UNION
        SELECT max(id) FROM later WHERE late = 0 GROUP BY meter
        UNION
        SELECT id FROM (
            SELECT later.id AS id, max(at) FROM later, json_each(later.readings) AS field
            WHERE late = 2 GROUP BY meter, field.key
        )
    ) ORDER BY id
"""
LINKS = "SELECT number, tag, node, since, until, record FROM link ORDER BY number"
SHOWN = """
    SELECT meter, node, counter, observed, received, arrived, rssi, snr, spreading_factor, readings, heard FROM shown
"""
SHOW = """
    INSERT OR REPLACE INTO shown
        (meter, node, counter, observed, received, arrived, rssi, snr, spreading_factor, readings, heard)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""


class FieldNames(dict[str, tuple[str, str]]):
    """Name and unit of each field by its id as JSON keys have it, looked up when first asked for."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        super().__init__()
        self._connection = connection

    def __missing__(self, key: str) -> tuple[str, str]:
        found = self._connection.execute("SELECT name, unit FROM field WHERE id = ?", (int(key),)).fetchone()
        if found is None:
            raise KeyError(key)
        self[key] = found
        return self[key]


def tags_of(connection: sqlite3.Connection) -> dict[int, str]:
    """The meters' tags by id."""
    return dict(connection.execute("SELECT id, tag FROM meter").fetchall())


def recall(connection: sqlite3.Connection) -> dict[str, Remembered]:
    """All that is known of each meter, by tag. Call it in a transaction where others may be writing."""
    tags = tags_of(connection)
    remembered = {tags[meter]: state for meter, state in _meters(connection).items()}
    for tag, name, value in connection.execute("SELECT tag, name, value FROM state"):
        remembered.setdefault(tag, Remembered()).states[name] = json.loads(value)
    for row in connection.execute(LINKS):
        link = link_of(row)
        remembered.setdefault(link.tag, Remembered()).links.append(link)
    return remembered


def _meters(connection: sqlite3.Connection) -> dict[int, Remembered]:
    fields = FieldNames(connection)
    nodes = dict(connection.execute("SELECT id, deveui FROM node").fetchall())
    meters: dict[int, Remembered] = {}
    for meter, node, counter, observed, received, arrived, *radios, readings, heard in connection.execute(SHOWN):
        times = seconds(observed), seconds(received), seconds(arrived)
        meters[meter] = Remembered({}, {}, *times, nodes.get(node), counter, radio(*radios), seconds(heard))
        for key, (value, reasons, at) in json.loads(readings).items():
            _show(meters[meter], fields[key], value, reasons, at)
    for row in connection.execute(TAIL):
        meter, node, counter, at, observed, received, arrived, *radios, readings, bits, late = row
        state = meters.setdefault(meter, Remembered())
        values, reasons_of = json.loads(readings), json.loads(bits) if bits else {}
        if not late:
            state.node, state.counter, state.radio = nodes.get(node), counter, radio(*radios)
            state.heard = seconds(received)
            if values:  # one without (a keep-alive) says that the node was heard, and dates nothing
                state.observed, state.received, state.arrived = seconds(observed), seconds(received), seconds(arrived)
        for key, value in values.items():
            if not late or at > 1000 * state.at.get(fields[key][0], -math.inf):
                _show(state, fields[key], value, reasons_of.get(key, 0), at)
    return meters


def _show(state: Remembered, field: tuple[str, str], value: Value | None, reasons: int, at: int) -> None:
    name, unit = field
    state.readings[name] = KeptReading(name, value, reasons, unit)
    state.at[name] = at / 1000


def unsettled(connection: sqlite3.Connection) -> int:
    """How many uplinks have come since `shown` was brought up to date."""
    behind: int = connection.execute(
        "SELECT coalesce((SELECT max(id) FROM uplink), 0) - (SELECT uplink FROM settled)"
    ).fetchone()[0]
    return behind


def settle(connection: sqlite3.Connection, ids: Ids) -> None:
    """Bring `shown` up to date. The transaction is the caller's."""
    touched = {row[0] for row in connection.execute(TAIL)}
    meters = _meters(connection)
    connection.executemany(SHOW, [_shown(meter, meters[meter], ids) for meter in touched])
    connection.execute("UPDATE settled SET uplink = coalesce((SELECT max(id) FROM uplink), 0)")


def _shown(meter: int, state: Remembered, ids: Ids) -> tuple[object, ...]:
    readings = [
        f'"{ids.field(name, each.unit)}":[{as_json(each.value)},{each.reasons},{milliseconds(state.at[name])}]'
        for name, each in state.readings.items()
    ]
    times = [or_none(moment) for moment in (state.observed, state.received, state.arrived)]
    shown = "{" + ",".join(readings) + "}"
    return meter, ids.node(state.node), state.counter, *times, *state.radio, shown, or_none(state.heard)
