"""TABLES.md says what there is, and its example queries give what they promise."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from aggregator.core.keeping import ClockState, KeptEvent, KeptReading
from aggregator.core.link import Link
from aggregator.store import Store
from aggregator.store import connection as connections
from aggregator.store.connection import MIGRATIONS, latest

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink

TEXT = Path(connections.__file__).with_name("TABLES.md").read_text(encoding="utf-8")
MOMENT = datetime(2026, 11, 25, 8, 30, 0, 250_000, UTC).timestamp()


def queries() -> list[str]:
    """The indented blocks that are SQL, each with the comment that heads it."""
    blocks = re.findall(r"(?:^    .*\n)+", TEXT, re.MULTILINE)
    return [block for block in blocks if block.startswith("    -- ")]


@pytest.fixture
def reading(path: Path, open_store: Callable[..., Store], uplink: MakeUplink) -> Iterator[sqlite3.Connection]:
    store = open_store()
    readings = (
        KeptReading("flow", 120.5, 16, "m3/h"),
        KeptReading("state", "on", 0),
        KeptReading("h2s", None, 128, "ppm"),
    )
    store.put([uplink(7, at=MOMENT, readings=readings, late=True, clock=ClockState.CORRECTED)])
    store.put([Link(1, "FT-101", "0a1def0000000001", MOMENT, MOMENT, "fitter").as_kept()])
    store.put([KeptEvent(MOMENT, "alarm acknowledged", "FT-101", "operator", {"alarm": "flow high"})])
    store.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        yield connection


def test_the_history_reads_as_people_read(reading: sqlite3.Connection) -> None:
    rows = [dict(row) for row in reading.execute("SELECT * FROM history")]
    at, arrived = "2026-11-25T08:30:00.250Z", "2026-11-25T08:30:00.500Z"
    common = {"tag": "FT-101", "at": at, "observed": None, "received": at, "arrived": arrived, "late": 1}
    common |= {"clock": "corrected", "node": "0a1def0000000001", "counter": 7}
    flow = {"field": "flow", "value": 120.5, "unit": "m3/h", "grade": "uncertain", "reasons": "out of range"}
    state = {"field": "state", "value": "on", "unit": "", "grade": "good", "reasons": ""}
    h2s = {"field": "h2s", "value": None, "unit": "ppm", "grade": "bad", "reasons": "sensor fault"}
    assert rows == [{**common, **flow}, {**common, **state}, {**common, **h2s}]


def test_the_journal_reads_as_people_read(reading: sqlite3.Connection) -> None:
    (row,) = reading.execute("SELECT * FROM journal")
    assert dict(row) == {
        "at": "2026-11-25T08:30:00.250Z",
        "event": "alarm acknowledged",
        "tag": "FT-101",
        "who": "operator",
        "facts": '{"alarm": "flow high"}',
        "clock": "trusted",
    }


@pytest.mark.parametrize("query", queries(), ids=lambda query: query.splitlines()[0].strip("- "))
def test_every_example_query_runs(reading: sqlite3.Connection, query: str) -> None:
    found = [tuple(row) for row in reading.execute(query)]
    expected = {
        "-- what was not good": [("FT-101", "flow", "uncertain", 1), ("FT-101", "h2s", "bad", 1)],
        "-- who acknowledged": [("2026-11-25T08:30:00.250Z", "FT-101", "operator", "flow high")],
        "-- daily mean": [("2026-11-25", 120.5)],
        "-- which nodes sat": [("0a1def0000000001", "2026-11-25T08:30:00.250Z", None, "fitter", None)],
        "-- the last day": None,  # follows today's date
    }
    (answer,) = [rows for head, rows in expected.items() if query.strip().startswith(head)]
    assert answer is None or found == answer


def test_the_example_queries_are_found() -> None:
    assert len(queries()) == 5


def test_every_table_view_and_column_for_people_is_in_the_text(reading: sqlite3.Connection) -> None:
    names = [row[0] for row in reading.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")]
    for view in ("history", "journal", "links"):
        names += [row["name"] for row in reading.execute(f"PRAGMA table_info({view})")]
    missing = [name for name in names if not re.search(rf"\b{name}\b", TEXT) and not name.startswith("sqlite_")]
    assert missing == []


def test_the_version_in_the_text_is_the_newest() -> None:
    assert f"(`PRAGMA user_version`, now {latest(MIGRATIONS)})" in TEXT
