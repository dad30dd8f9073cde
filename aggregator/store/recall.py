"""What a restart gets back: the newest readings that were shown, how each meter was last heard, and the states.

Going back through the uplinks until every field of every meter has turned up could take the whole history. Noting the
newest with each uplink would cost each commit another page of flash. So the table `shown` is brought up to date once in
a while, and the uplinks that came after are read on top of it. "Newest" is by order of arrival, never by time: an hour
under a clock that was never set is still the latest that is known.
"""

from __future__ import annotations

import json
import sqlite3

from aggregator.core.keeping import KeptReading, Remembered
from aggregator.core.reading import Value
from aggregator.store.rows import Ids, as_json, milliseconds, or_none, radio, seconds

SETTLE_AFTER = 2000  # uplinks, once nothing waits to be written
SETTLE_AT_LAST = 50_000  # uplinks, even while more are waiting: a start that has to read so many takes a moment longer

# Of what came after, only the uplinks that brought the newest reading of a field, or are a meter's newest: SQLite
# picks them without the interpreter, which would keep the event loop waiting meanwhile. NOT INDEXED: to group by meter
# it would walk the index of the whole history.
TAIL = """
    SELECT meter, node, counter, at, observed, received, arrived, rssi, snr, spreading_factor, readings, reasons
    FROM uplink WHERE id IN (
        SELECT max(uplink.id) FROM uplink NOT INDEXED, json_each(uplink.readings) AS field
        WHERE uplink.id > (SELECT uplink FROM settled) AND late = 0 GROUP BY meter, field.key
        UNION
        SELECT max(id) FROM uplink NOT INDEXED WHERE id > (SELECT uplink FROM settled) AND late = 0 GROUP BY meter
    ) ORDER BY id
"""
SHOWN = "SELECT meter, node, counter, observed, received, arrived, rssi, snr, spreading_factor, readings FROM shown"
SHOW = """
    INSERT OR REPLACE INTO shown
        (meter, node, counter, observed, received, arrived, rssi, snr, spreading_factor, readings)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
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
    return remembered


def _meters(connection: sqlite3.Connection) -> dict[int, Remembered]:
    fields = FieldNames(connection)
    nodes = dict(connection.execute("SELECT id, deveui FROM node").fetchall())
    meters: dict[int, Remembered] = {}
    for meter, node, counter, observed, received, arrived, *heard, readings in connection.execute(SHOWN):
        times = seconds(observed), seconds(received), seconds(arrived)
        meters[meter] = Remembered({}, {}, *times, nodes.get(node), counter, radio(*heard))
        for key, (value, reasons, at) in json.loads(readings).items():
            _show(meters[meter], fields[key], value, reasons, at)
    for meter, node, counter, at, observed, received, arrived, *heard, readings, bits in connection.execute(TAIL):
        state = meters.setdefault(meter, Remembered())
        state.node, state.counter, state.radio = nodes.get(node), counter, radio(*heard)
        values = json.loads(readings)
        if values:  # one without (a keep-alive) says that the node was heard, and dates nothing
            state.observed, state.received, state.arrived = seconds(observed), seconds(received), seconds(arrived)
        reasons_of = json.loads(bits) if bits else {}
        for key, value in values.items():
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
    heard = state.radio.rssi, state.radio.snr, state.radio.spreading_factor
    return meter, ids.node(state.node), state.counter, *times, *heard, "{" + ",".join(readings) + "}"
