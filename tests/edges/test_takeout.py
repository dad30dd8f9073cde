"""What is taken out is what went in: values, gaps, grades and times, in both forms, while the service writes."""

from __future__ import annotations

import base64
import contextlib
import csv
import io
import itertools
import json
import math
import os
import sqlite3
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.config.configuration import load
from aggregator.core.keeping import ClockState, KeptAside, KeptEvent, KeptReading, KeptUplink
from aggregator.core.reading import Now, Reason
from aggregator.core.site import Site
from aggregator.core.uplink import NO_RADIO
from aggregator.store import Limits, Store
from aggregator.takeout import COLUMNS, Form, Wanted, What, rows_of, write

if TYPE_CHECKING:
    from tests.edges.broker import Publisher
    from tests.edges.conftest import Rig

Command = Callable[..., subprocess.CompletedProcess[str]]
BEGIN = 1_800_000_000.0  # 2027-01-15T08:00:00Z
NODE = "0a1def0000000101"


def kept(number: int, *readings: KeptReading, tag: str = "FT-101", late: bool = False) -> KeptUplink:
    moment = BEGIN + number
    clock = ClockState.TRUSTED
    return KeptUplink(tag, NODE, number, moment, None, moment, moment + 0.25, clock, late, NO_RADIO, readings)


def flow(value: float | str | None, reasons: int = 0) -> KeptReading:
    return KeptReading("flow", value, reasons, "m3/h")


@pytest.fixture
def filled(site: Callable[..., Path]) -> Callable[..., Path]:
    """A small site whose store holds some rows: `filled(kept(1, flow(2.5)), ...)`; returns the site's folder."""

    def fill(*rows: Any) -> Path:
        folder = site()
        store = Store.open(folder / "data" / "history.db", Limits())
        store.put(rows)
        assert store.close() == 0
        return folder

    return fill


def taken_out(path: Path, what: What, form: Form, wanted: Wanted = Wanted()) -> str:  # noqa: B008 - frozen
    out = io.StringIO()
    write(what, form, rows_of(what, path, wanted), out)
    return out.getvalue()


def test_a_reading_comes_out_with_all_that_is_known_of_it(filled: Callable[..., Path], command: Command) -> None:
    both = int(Reason.STALE | Reason.OUT_OF_RANGE)
    folder = filled(
        kept(1, flow(2.5)), kept(2, flow(1000.5, both), late=True), kept(3, flow(None, Reason.SENSOR_FAULT))
    )
    rows = list(csv.DictReader(command("export", folder).stdout.splitlines()))
    assert rows[0] == {
        "tag": "FT-101",
        "field": "flow",
        "at": "2027-01-15T08:00:01.000Z",
        "value": "2.5",
        "unit": "m3/h",
        "grade": "good",
        "reasons": "",
        "observed": "",
        "received": "2027-01-15T08:00:01.000Z",
        "arrived": "2027-01-15T08:00:01.250Z",
        "late": "no",
        "clock": "trusted",
        "node": NODE,
        "counter": "1",
    }
    assert [(row["value"], row["grade"], row["reasons"], row["late"]) for row in rows[1:]] == [
        ("1000.5", "uncertain", "stale, out of range", "yes"),
        ("", "bad", "sensor fault", "no"),
    ]
    lines = [json.loads(line) for line in command("export", folder, "--as", "json").stdout.splitlines()]
    assert [(line["value"], line["reasons"], line["late"]) for line in lines] == [
        (2.5, [], False),
        (1000.5, ["stale", "out of range"], True),
        (None, ["sensor fault"], False),
    ]
    assert [list(line) for line in lines] == [list(COLUMNS[What.READINGS])] * 3


def test_the_file_s_own_view_says_the_same(filled: Callable[..., Path]) -> None:
    """The store's view `history` is SQL's way to the same rows, written apart from this one."""
    readings = (flow(2.5), KeptReading("volume", 10**15 + 1, int(Reason.JUMPED), "m3"))
    folder = filled(*(kept(number, *readings) for number in range(5)), kept(9, flow(None, Reason.SENSOR_FAULT)))
    path = folder / "data" / "history.db"
    lines = [json.loads(line) for line in taken_out(path, What.READINGS, Form.JSON).splitlines()]
    connection = sqlite3.connect(path)
    names = ", ".join(COLUMNS[What.READINGS])
    in_view = connection.execute(f"SELECT {names} FROM history ORDER BY at, field").fetchall()
    connection.close()
    ours = [
        tuple({**line, "reasons": ", ".join(line["reasons"]), "late": int(line["late"])}.values()) for line in lines
    ]
    assert sorted(ours, key=lambda row: (row[2], row[1])) == in_view
    assert len(ours) == 11


AWKWARD: list[float | str] = [
    0.1 + 0.2,
    5e-324,
    1.7976931348623157e308,
    -0.0,
    2**63,
    -(10**30),
    'a "quoted", text\nof two lines',
    "",
    "°C é 漢",
    "\ud800",
]


@pytest.mark.parametrize("form", Form)
def test_every_value_comes_back_exactly(form: Form, filled: Callable[..., Path]) -> None:
    """RFC 8259 and RFC 4180, read by the standard library's own readers; floats to the last bit."""
    folder = filled(*(kept(number, flow(value)) for number, value in enumerate(AWKWARD)))
    text = taken_out(folder / "data" / "history.db", What.READINGS, form)
    text.encode()  # whatever was stored, the file is UTF-8
    if form is Form.JSON:
        found = [json.loads(line)["value"] for line in text.splitlines()]
        assert [repr(value) for value in found] == [repr(value) for value in AWKWARD]
        return
    cells = [row["value"] for row in csv.DictReader(io.StringIO(text, newline=""))]
    numbers = [(kind, cell) for kind, cell in zip(AWKWARD, cells, strict=True) if not isinstance(kind, str)]
    assert [repr(type(kind)(cell)) for kind, cell in numbers] == [repr(kind) for kind, _ in numbers]
    assert [cell for kind, cell in zip(AWKWARD, cells, strict=True) if isinstance(kind, str)] == [
        *AWKWARD[6:9],
        "\\ud800",
    ]


def test_an_infinite_value_is_no_missing_one(filled: Callable[..., Path]) -> None:
    path = filled(kept(1, flow(math.inf)), kept(2, flow(-math.inf))) / "data" / "history.db"
    lines = [json.loads(line) for line in taken_out(path, What.READINGS, Form.JSON).splitlines()]
    assert [line["value"] for line in lines] == ["Infinity", "-Infinity"]


def test_meters_fields_and_times_choose_the_rows(filled: Callable[..., Path], command: Command) -> None:
    pressure = KeptReading("pressure", 1, 0, "mbar")
    rows = [kept(number, flow(number), pressure, tag=f"FT-10{1 + number % 2}") for number in range(6)]
    folder = filled(*rows)

    def chosen(*arguments: str) -> list[tuple[str, str]]:
        ended = command("export", folder, *arguments)
        assert ended.returncode == 0, ended.stderr
        return [(row["tag"], row["counter"]) for row in csv.DictReader(ended.stdout.splitlines())]

    assert chosen("--field", "flow", "--meter", "FT-102") == [("FT-102", "1"), ("FT-102", "3"), ("FT-102", "5")]
    assert len(chosen("--meter", "FT-101", "--meter", "FT-102", "--field", "flow", "--field", "pressure")) == 12
    window = ("--since", "2027-01-15T09:00:02+01:00", "--until", "2027-01-15T08:00:04Z", "--field", "flow")
    assert chosen(*window) == [("FT-101", "2"), ("FT-102", "3")]
    assert chosen("--until", "2027-01-15") == []
    assert len(chosen("--since", "2027-01-15", "--until", "2027-01-16")) == 12


def test_a_time_may_be_written_as_how_long_ago(filled: Callable[..., Path], command: Command) -> None:
    now = time.time()
    rows = [kept(0, flow(hours))._replace(at=now - hours * 3600, counter=hours) for hours in (1, 20, 30, 50)]
    folder = filled(*rows)
    for since, most in (("24 h", 20), ("2 d", 30), ("24 h ago", 20), ("1 d 12 h", 30)):
        found = csv.DictReader(command("export", folder, "--since", since).stdout.splitlines())
        assert max(int(row["counter"]) for row in found) == most
    found = csv.DictReader(command("export", folder, "--since", "2 d", "--until", "1 d").stdout.splitlines())
    assert [row["counter"] for row in found] == ["30"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["--since", "yesterday"],
        ["--since", "24"],
        ["--until", "2027-13-01"],
        ["--meter", "FT-999"],
        ["--field", "flaw"],
        ["--journal", "--aside"],
        ["--journal", "--field", "flow"],
        ["--aside", "--meter", "FT-101"],
        ["--as", "xml"],
    ],
    ids=" ".join,
)
def test_a_slip_of_the_pen_never_looks_like_an_empty_history(
    arguments: list[str], filled: Callable[..., Path], command: Command
) -> None:
    ended = command("export", filled(kept(1, flow(1))), *arguments)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert "Error" in ended.stderr


def test_a_meter_that_has_been_taken_down_still_has_its_history(filled: Callable[..., Path], command: Command) -> None:
    folder = filled(kept(1, flow(7), tag="FT-950"))
    rows = list(csv.DictReader(command("export", folder, "--meter", "FT-950").stdout.splitlines()))
    assert [row["value"] for row in rows] == ["7"]


def test_events_come_out_with_who_and_what(filled: Callable[..., Path], command: Command) -> None:
    taken = KeptEvent(BEGIN, "meter taken into test", "FT-101", "fitter", {"why": 'span "gas"', "n": 3})
    folder = filled(taken, KeptEvent(BEGIN + 1, "storing again", None, "", {}, ClockState.UNTRUSTED))
    rows = list(csv.DictReader(command("export", folder, "--journal").stdout.splitlines()))
    assert [(row["at"], row["event"], row["tag"], row["who"], row["clock"]) for row in rows] == [
        ("2027-01-15T08:00:00.000Z", "meter taken into test", "FT-101", "fitter", "trusted"),
        ("2027-01-15T08:00:01.000Z", "storing again", "", "", "untrusted"),
    ]
    assert json.loads(rows[0]["facts"]) == {"why": 'span "gas"', "n": 3}
    lines = [json.loads(line) for line in command("export", folder, "--journal", "--as", "json").stdout.splitlines()]
    assert lines[0]["facts"] == {"why": 'span "gas"', "n": 3}
    only = command("export", folder, "--journal", "--meter", "FT-101", "--as", "json").stdout
    assert [json.loads(line)["who"] for line in only.splitlines()] == ["fitter"]


def test_messages_set_aside_come_out_whole(filled: Callable[..., Path], command: Command) -> None:
    messages = [b'{"a": "\xc3\xa9"}', bytes(range(256)), b""]
    folder = filled(
        *(KeptAside(BEGIN + at, "bad JSON", "why", f"t/{at}", None, each) for at, each in enumerate(messages))
    )
    lines = [json.loads(line) for line in command("export", folder, "--aside", "--as", "json").stdout.splitlines()]
    back = [
        base64.b64decode(line["message"]["base64"]) if isinstance(line["message"], dict) else line["message"].encode()
        for line in lines
    ]
    assert back == messages
    assert [type(line["message"]) for line in lines] == [str, dict, str]
    assert [line["topic"] for line in lines] == ["t/0", "t/1", "t/2"]
    later = command("export", folder, "--aside", "--since", "2027-01-15T08:00:02Z", "--as", "json").stdout
    assert len(later.splitlines()) == 1
    cells = [row["message"] for row in csv.DictReader(command("export", folder, "--aside").stdout.splitlines())]
    assert cells[0] == '{"a": "é"}'


def test_nothing_stored_is_a_sentence_and_code_3(site: Callable[..., Path], command: Command) -> None:
    folder = site()
    ended = command("export", folder)
    assert ended.returncode == 3
    assert f"there is no history at {folder / 'data' / 'history.db'}. " in ended.stderr
    assert not (folder / "data").exists()


def test_a_file_that_is_no_store_is_a_sentence_and_code_3(site: Callable[..., Path], command: Command) -> None:
    path = site() / "data" / "history.db"
    path.parent.mkdir()
    path.write_bytes(b"no database at all" * 100)
    ended = command("export", path.parents[1])
    assert ended.returncode == 3
    assert str(path) in ended.stderr


def test_the_folder_is_found_as_the_service_finds_it(
    filled: Callable[..., Path], command: Command, tmp_path: Path
) -> None:
    folder = filled(kept(1, flow(7)))
    elsewhere = tmp_path / "state"
    (folder / "data").rename(elsewhere)
    assert command("export", folder).returncode == 3
    by_manager = command("export", folder, environment={"STATE_DIRECTORY": str(elsewhere)})
    with (folder / "site.yaml").open("a") as file:
        file.write(f"storage: {{folder: {elsewhere}}}\n")
    assert by_manager.stdout == command("export", folder).stdout != ""


def test_into_a_file_as_onto_the_screen(filled: Callable[..., Path], command: Command, tmp_path: Path) -> None:
    folder = filled(*(kept(number, flow(number)) for number in range(10)))
    target = tmp_path / "flow.csv"
    ended = command("export", folder, "--output", target)
    assert (ended.returncode, ended.stdout) == (0, "")
    assert ended.stderr == f"wrote 10 readings into {target}\n"  # and nothing that moves, as this is no terminal
    assert target.read_text() == command("export", folder).stdout
    second = list(csv.DictReader(target.read_text().splitlines()))[1]["at"]
    assert command("export", folder, "--until", second, "--output", target).stderr == f"wrote 1 reading into {target}\n"
    assert command("export", folder, "--output", tmp_path / "no" / "such").returncode == 3
    full = command("export", folder, "--output", "/dev/full")
    assert full.returncode == 3
    assert full.stderr.startswith("cannot write /dev/full: ")


def test_on_a_terminal_a_line_tells_how_far_it_has_come(filled: Callable[..., Path], tmp_path: Path) -> None:
    folder = filled(*(kept(number, flow(number)) for number in range(3000)))
    line = [sys.executable, "-m", "aggregator", "export", str(folder), "--output", str(tmp_path / "flow.csv")]
    ours, theirs = os.openpty()
    with subprocess.Popen(line, stderr=theirs, env={**os.environ, "TERM": "xterm"}) as process:
        os.close(theirs)
        shown = b""
        with contextlib.suppress(OSError):  # how the end of a terminal looks like
            while part := os.read(ours, 65536):
                shown += part
        assert process.wait(30) == 0
    os.close(ours)
    assert b"readings ..." in shown
    assert b"wrote 3000 readings" in shown


def test_a_reader_that_has_had_enough_ends_it_quietly(filled: Callable[..., Path]) -> None:
    folder = filled(*(kept(number, flow(number)) for number in range(5000)))
    line = [sys.executable, "-m", "aggregator", "export", str(folder)]
    with subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout
        assert process.stderr
        assert process.stdout.readline().startswith(b"tag,field,")
        process.stdout.close()
        assert process.wait(30) == 0
        assert process.stderr.read() == b""


def test_memory_stays_flat_however_long_the_history_is(filled: Callable[..., Path]) -> None:
    """Ten times the rows, the same memory: what is read is written before more is read."""
    import tracemalloc

    def peak(rows: int) -> int:
        path = filled(*(kept(number, flow(number)) for number in range(rows))) / "data" / "history.db"
        tracemalloc.start()
        with Path("/dev/null").open("w") as out:
            write(What.READINGS, Form.JSON, rows_of(What.READINGS, path, Wanted()), out)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    few = peak(2000)
    assert peak(20_000) < 1.5 * few


def test_memory_does_not_grow_with_the_number_of_meters(filled: Callable[..., Path]) -> None:
    """As many uplinks are in hand of 400 meters as of 40."""
    import tracemalloc

    def in_hand(meters: int, uplinks: int) -> int:
        rows = [kept(number, flow(number), tag=f"FT-{meter}") for meter in range(meters) for number in range(uplinks)]
        path = filled(*rows) / "data" / "history.db"
        tracemalloc.start()
        first = rows_of(What.READINGS, path, Wanted())
        next(first)
        now, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        path.unlink()
        return now

    assert in_hand(400, 60) < 1.5 * in_hand(40, 200)


@pytest.mark.peer("mosquitto")
def test_exports_beside_a_writing_service_lose_nothing_and_hold_nothing_up(
    rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any], command: Command
) -> None:
    running = rig()
    stop = threading.Event()
    sent = 0

    def send() -> None:
        nonlocal sent
        publisher: Publisher = running.publisher
        while not stop.wait(0.02):  # a thousand a second; more would only keep the machine busy
            publisher.send(*(uplink(sent + at, flow=sent + at, volume=sent + at) for at in range(20)))
            sent += 20

    sending = threading.Thread(target=send)
    sending.start()
    try:
        before: list[str] = []
        for _ in range(4):
            ended = command("export", running.folder, "--field", "flow")
            assert ended.returncode == 0, ended.stderr
            rows = [row["value"] for row in csv.DictReader(ended.stdout.splitlines())]
            assert rows[: len(before)] == before
            assert [float(value) for value in rows] == list(range(len(rows)))
            before = rows
    finally:
        stop.set()
        sending.join(30)
    assert before
    until(lambda: running.accepted() == sent)
    assert len(command("export", running.folder, "--field", "flow").stdout.splitlines()) == 1 + sent
    assert running.service.stop() == 0
    assert len(command("export", running.folder, "--field", "flow").stdout.splitlines()) == 1 + sent


# A real series with real gaps

PROFILE = """\
profile: co2-air
title: Carbon dioxide in air
fields:
  co2: {unit: ppm, range: 0 .. 5000}
payloads:
  - port: 2
    binary: {items: [{field: co2, at: 0, as: float64}]}
"""
LAYOUT = """\
layouts:
  co2-air: {input: {0: status, 1: age, 2: {field: co2, as: float64}}}
devices:
  - unit: 1
    place:
      - {layout: co2-air, input: {from: 100, every: 8}, meters: [QT-101]}
"""
METERS = """\
defaults: {reports_every: 7 d, stale_after: 21 d}
meters:
  - {tag: QT-101, name: Air inlet, profile: co2-air, node: 0a1def0000000101}
"""
WEEK = 7 * 86400


@pytest.fixture(scope="session")
def co2() -> list[tuple[float, float | None]]:
    """Weekly carbon dioxide in air, 1958 to 2001, ppm: time (UTC s) and value, None where the record has a gap.

    Keeling and Whorf (2004), in the public domain, as packaged by statsmodels.
    """
    from statsmodels.datasets import co2 as record

    series = record.load_pandas().data["co2"]
    moments = [datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() for day in series.index]
    return [(at, None if math.isnan(value) else float(value)) for at, value in zip(moments, series, strict=True)]


@pytest.fixture
def air(site: Callable[..., Path]) -> Path:
    """The folder of a site with one carbon dioxide meter that reports once a week."""
    folder = site(name="air")
    (folder / "profiles" / "gas-point.yaml").unlink()
    for name, text in (("profiles/co2-air.yaml", PROFILE), ("map.yaml", LAYOUT), ("meters.yaml", METERS)):
        (folder / name).write_text(text)
    return folder


def message(week: int, at: float, value: float | None, payload: bytes | None = None) -> bytes:
    if payload is None:
        payload = struct.pack(">d", math.nan if value is None else value)
    return json.dumps(
        {
            "device": {"eui": NODE},
            "frame": {"counter": week, "port": 2, "data": base64.b64encode(payload).decode()},
            "received_at": datetime.fromtimestamp(at, UTC).isoformat(),
        }
    ).encode()


def play(folder: Path, messages: list[tuple[float, bytes]]) -> None:
    """Send messages through a site into its store, each at its own time."""
    store = Store.open(folder / "data" / "history.db", Limits(keep_days=None))
    start = messages[0][0]
    site = Site(load(folder).declared, Now(0.0, start))
    site.restore(store.remembered(), Now(0.0, start))
    for at, each in messages:
        site.tick(Now(at - start, at))
        site.receive("lns/alder-fen/air/up", each, retained=False, now=Now(at - start, at))
        store.put(site.take_kept())
    assert store.close() == 0


def exported(folder: Path, command: Command) -> list[dict[str, str]]:
    return list(csv.DictReader(command("export", folder, "--meter", "QT-101").stdout.splitlines()))


def test_44_years_of_measured_weeks_come_out_as_they_went_in(
    air: Path, co2: list[tuple[float, float | None]], command: Command
) -> None:
    assert (len(co2), sum(value is None for _, value in co2)) == (2284, 59)  # as the data set's own note says
    play(air, [(at, message(week, at, value)) for week, (at, value) in enumerate(co2)])
    rows = exported(air, command)
    came = [
        (datetime.fromisoformat(row["at"]).timestamp(), float(row["value"]) if row["value"] else None) for row in rows
    ]
    assert came == co2
    gaps = [row for row in rows if not row["value"]]
    assert {(row["grade"], row["reasons"]) for row in gaps} == {("bad", "sensor fault")}
    assert {(row["grade"], row["reasons"]) for row in rows if row["value"]} == {("good", "")}
    assert {row["late"] for row in rows} == {"no"}


def test_weeks_that_were_never_sent_stay_out(
    air: Path, co2: list[tuple[float, float | None]], command: Command
) -> None:
    sent = [(week, at, value) for week, (at, value) in enumerate(co2) if value is not None]
    play(air, [(at, message(*each)) for each in sent for at in (each[1],)])
    rows = exported(air, command)
    assert [(int(row["counter"]), float(row["value"])) for row in rows] == [(week, value) for week, _, value in sent]
    events = command("export", air, "--journal", "--as", "json").stdout.splitlines()
    longest = max(later[1] - one[1] for one, later in itertools.pairwise(sent))
    assert longest > 3 * WEEK  # so that the meter must have gone stale in between
    assert "meter is stale" in {json.loads(line)["event"] for line in events}


def test_the_same_series_sent_twice_changes_nothing(
    air: Path, co2: list[tuple[float, float | None]], command: Command
) -> None:
    messages = [(at, message(week, at, value)) for week, (at, value) in enumerate(co2)]
    play(air, messages)
    before = command("export", air).stdout
    play(air, messages)
    assert command("export", air).stdout == before
    assert len(before.splitlines()) == 1 + len(co2)


def test_a_node_that_reaches_nobody_two_weeks_in_three_brings_all_of_them_in_batches(
    air: Path, co2: list[tuple[float, float | None]], command: Command
) -> None:
    """Each uplink carries four weeks, by their ages, and one in three is heard: one week in each comes twice."""
    profile = air / "profiles" / "co2-air.yaml"
    before = "binary: {items: "
    assert before in profile.read_text()
    records = "binary: {records: {every: 10, age: {at: 8, as: uint16, unit: h}}, items: "
    profile.write_text(profile.read_text().replace(before, records))
    heard = [week for week in range(len(co2)) if week % 3 == 0 or week == len(co2) - 1]
    sent = []
    for week in heard:
        now = co2[week][0]
        payload = b"".join(
            struct.pack(">dH", math.nan if value is None else value, round((now - at) / 3600))
            for at, value in co2[max(0, week - 3) : week + 1]
        )
        sent.append((now, message(week, now, None, payload)))
    play(air, sent)
    rows = exported(air, command)
    came = [(row["at"], float(row["value"]) if row["value"] else None) for row in rows]
    assert [(datetime.fromisoformat(at).timestamp(), value) for at, value in came] == co2
    assert {row["late"] for row in rows} == {"no"}
