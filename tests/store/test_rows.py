"""What is put comes back exactly."""

from __future__ import annotations

import json
import math
import sqlite3
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from aggregator.core.keeping import ClockState, KeptReading, KeptUplink
from aggregator.core.reading import Reason, Value, grade_of, quality_words
from aggregator.core.uplink import NO_RADIO, Radio
from aggregator.store import reader
from aggregator.store.connection import connect, open_writing
from aggregator.store.rows import Newest, Rows, as_json, storable

BITS = sum(Reason)
ODD: list[Value | None] = [
    None, 0, 0.0, -0.0, 5e-324, 2.2250738585072014e-308, 1.7976931348623157e308, math.inf, -math.inf,
    2**53 + 1, 2**63 - 1, 2**63, -(2**63) - 1, 10**40, 1, 1.0, 0.1, "", "0", "null", "\0", "\ud800", "µ°\U0001f525",
    '"',
]  # fmt: skip

values = (
    st.none()
    | st.integers()
    | st.floats(allow_nan=False)
    | st.text()
    | st.characters(categories=["Cs"])  # alone: JSON cannot bring two that are one character
)
moments = st.integers(0, 4_102_444_800_000).map(lambda milliseconds: milliseconds / 1000)
figures = st.none() | st.floats(-1000, 1000)
readings = st.dictionaries(
    st.text(max_size=8), st.tuples(values, st.integers(0, BITS), st.text(max_size=4)), max_size=6
)


def same(one: object, other: object) -> bool:
    """Equal, of the same type, and of the same sign where they are zero."""
    return type(one) is type(other) and repr(one) == repr(other)


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("rows") / "history.db"
    open_writing(path).close()
    return path


def put(path: Path, uplink: KeptUplink) -> None:
    """Put one uplink into a database that has no other."""
    connection = connect(path, "rw")
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("DELETE FROM uplink")
    Rows(connection, 10, Newest(0, 0, 0)).put([uplink])
    connection.close()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=150)
@given(readings, moments, st.none() | moments, st.none() | moments, moments, st.sampled_from(ClockState), st.booleans())
@example({f"f{at}": (value, 0, "") for at, value in enumerate(ODD)}, 1e9, None, None, 1e9, ClockState.TRUSTED, False)
def test_an_uplink_comes_back_exactly_with_times_to_the_millisecond(
    database: Path,
    fields: dict[str, tuple[Value | None, int, str]],
    at: float,
    observed: float | None,
    received: float | None,
    arrived: float,
    clock: ClockState,
    late: bool,
) -> None:
    kept = tuple(KeptReading(name, value, reasons, unit) for name, (value, reasons, unit) in fields.items())
    put(database, KeptUplink("FT-101", None, None, at, observed, received, arrived, clock, late, NO_RADIO, kept))
    rows = list(reader.history(database, None, None, -math.inf, math.inf))
    assert [(row.field, row.unit, row.reasons) for row in rows] == [(r.field, r.unit, r.reasons) for r in kept]
    assert all(same(row.value, each.value) for row, each in zip(rows, kept, strict=True))
    times = {(row.at, row.observed, row.received, row.arrived, row.clock, row.late) for row in rows}
    assert times <= {(at, observed, received, arrived, clock, late)}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=100)
@given(readings, moments, figures, figures, figures)
@example({f"f{at}": (value, 0, "") for at, value in enumerate(ODD)}, 1e9, -101.5, -0.0, 12)
def test_what_is_remembered_is_exact_too(
    database: Path,
    fields: dict[str, tuple[Value | None, int, str]],
    at: float,
    rssi: float | None,
    snr: float | None,
    spreading_factor: float | None,
) -> None:
    kept = tuple(KeptReading(name, value, reasons, unit) for name, (value, reasons, unit) in fields.items())
    heard = Radio(rssi, snr, spreading_factor)
    put(database, KeptUplink("FT-9", "0a" * 8, 7, at, None, at, at, ClockState.TRUSTED, False, heard, kept))
    with sqlite3.connect(database) as connection:  # as after a start, nothing settled
        connection.execute("DELETE FROM shown")
        connection.execute("UPDATE settled SET uplink = 0")
    connection.close()
    state = reader.remembered(database)["FT-9"]
    assert (state.node, state.counter, state.radio) == ("0a" * 8, 7, heard)
    assert list(state.readings) == list(fields)
    for name, (value, reasons, unit) in fields.items():
        assert state.readings[name][2:] == (reasons, unit)
        assert same(state.readings[name].value, value)


@pytest.mark.parametrize("value", ODD)
def test_every_value_is_json_that_sqlite_takes_too(value: Value | None) -> None:
    """RFC 8259, as SQLite's own parser has it; infinity is written as a number beyond any float."""
    connection = sqlite3.connect(":memory:")
    text = as_json(value)
    assert same(json.loads(text), value)
    assert connection.execute("SELECT json_valid(?)", (text,)).fetchone() == (1,)
    connection.close()


def test_no_number_is_no_value() -> None:
    assert as_json(math.nan) == "null"


def test_text_that_utf8_cannot_hold_is_escaped_and_other_text_left_alone() -> None:
    assert storable("a\ud800b") == "a\\ud800b"
    assert storable("µ\0\U0001f525") == "µ\0\U0001f525"


@pytest.mark.parametrize(
    "bits", [0, *Reason, Reason.STALE | Reason.SENSOR_FAULT, Reason.LOW_BATTERY | Reason.JUMPED, BITS]
)
def test_the_view_says_quality_in_the_words_of_the_core(database: Path, bits: int) -> None:
    """A reason the core learns needs a migration that teaches it to the table `reason`."""
    put(
        database,
        KeptUplink(
            "FT-1",
            None,
            None,
            1e9,
            None,
            1e9,
            1e9,
            ClockState.TRUSTED,
            False,
            NO_RADIO,
            (KeptReading("f", 1.5, int(bits)),),
        ),
    )
    connection = connect(database, "ro")
    grade, reasons = connection.execute("SELECT grade, reasons FROM history").fetchone()
    connection.close()
    assert grade == grade_of(bits).name.lower()
    assert (f"{grade}: {reasons}" if reasons else grade) == quality_words(bits)
