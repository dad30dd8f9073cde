"""The store on this machine's disk: a year of a site, what a commit costs, and what a flash card would have to take.

The year: 50 meters, an uplink of five readings every 15 minutes from each. `--quick` makes it a month. The commits:
each waits for the one before to be safe; one uplink at a time is the worst that can be asked of a flash card. Another
disk than that of the temporary folder is measured with TMPDIR set to a folder on it.
"""

from __future__ import annotations

import itertools
import os
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from aggregator.core.keeping import ClockState, KeptReading, KeptUplink
from aggregator.core.uplink import Radio
from aggregator.store import Limits, Store
from aggregator.store.chart import Span
from aggregator.store.reader import Extent, chart, readings_page
from tests.bench import report
from tests.bench.report import Target

METERS, EVERY = 50, 900.0  # meters; s
BEGIN, DAY = 1_790_000_000.0, 86_400.0
MONTH = 30 * DAY
AHEAD = 5000  # uplinks that may wait while the year is written


def uplinks(days: float) -> Iterator[KeptUplink]:
    """The uplinks of a site in order of arrival, spread evenly over the interval, with values as meters give them."""
    chance = random.Random(5)
    for number in range(round(days * DAY / EVERY * METERS)):
        meter, counter = number % METERS, number // METERS
        at = BEGIN + counter * EVERY + meter * EVERY / METERS + chance.random()
        readings = (
            KeptReading("flow", round(80 + 60 * chance.random(), 2), 0, "m3/h"),
            KeptReading("volume", 120_000 + counter * 7, 0, "m3"),
            KeptReading("pressure", round(20 + 5 * chance.random(), 1), 0, "mbar"),
            KeptReading("temperature", 8 + 30 * chance.random(), 0, "degC"),
            KeptReading("battery", 3.59, 4096 * (meter == 7), "V"),
        )
        heard = Radio(-80.0 - chance.randrange(40), chance.randrange(-40, 40) / 4, 9)
        yield KeptUplink(
            f"FT-{100 + meter}", f"0a1def00{meter:08x}", counter, at, None, at, at + 0.15,
            ClockState.TRUSTED, False, heard, readings,
        )  # fmt: skip


def megabytes(size: float) -> str:
    return f"{size / 1e6:.1f}"


def fill(path: Path, days: float) -> list[str]:
    """Write so many days as fast as it goes, and tell how that went."""
    store = Store.open(path, Limits(keep_days=None, most_bytes=None))
    began = time.monotonic()
    count = 0
    for kept in uplinks(days):
        store.put([kept])
        count += 1
        if store.waiting > AHEAD:
            time.sleep(0.01)
    assert store.close(600) == 0, store.problem
    took = time.monotonic() - began
    size = path.stat().st_size
    return [f"{days:.0f}", f"{count}", megabytes(size), f"{size / count:.0f}", f"{count / took:.0f}"]


def read(path: Path, days: float) -> list[list[str | Target]]:
    """Open, remember, count and export."""
    began = time.monotonic()
    store = Store.open(path, Limits(keep_days=None, most_bytes=None))
    opened = time.monotonic() - began
    began = time.monotonic()
    assert len(store.remembered()) == METERS
    remembered = time.monotonic() - began
    end = BEGIN + days * DAY
    rows: list[list[str | Target]] = [
        ["open", f"{opened * 1000:.0f} ms", ""],
        ["remembered", f"{remembered * 1000:.0f} ms", Target(round(opened + remembered, 3), 1.0, " s")],
    ]
    for name, took, count in (
        ("frames of the last days", *timed(store.recent_frames)),
        ("a month, all meters", *timed(lambda: store.history(None, None, end - MONTH, end))),
        ("a month, one meter", *timed(lambda: store.history(["FT-117"], None, end - MONTH, end))),
        ("all, one field of one meter", *timed(lambda: store.history(["FT-117"], ["flow"], 0, end))),
    ):
        rows.append([f"{name} ({count} rows)", f"{took:.2f} s", f"{count / took:.0f} rows/s"])
    store.close()
    return rows


def look(path: Path, days: float) -> list[list[str | Target]]:
    """Charts and pages, as a screen asks for them."""
    end = BEGIN + days * DAY
    rows: list[list[str | Target]] = []
    for name, length, target in (("all", days, 1.0), ("a month", 30, 0.2), ("a day", 1, 0.02)):
        began = time.monotonic()
        drawn = chart(path, "FT-117", "flow", Span(end - length * DAY, end))
        took = time.monotonic() - began
        what = f"{len(drawn.buckets)} buckets" if drawn.buckets else f"{len(drawn.samples)} readings"
        aim = Target(round(took, 4), target, " s")
        rows.append([f"chart of {name} ({what} of {drawn.count})", f"{took * 1000:.1f} ms", aim])
    began = time.monotonic()
    page = readings_page(path, "FT-117", None, Extent(until=end, most=500))
    took = time.monotonic() - began
    rows.append([f"a page of {len(page.rows)} readings", f"{took * 1000:.1f} ms", ""])
    return rows


def timed(start: object) -> tuple[float, int]:
    """How long an iterator takes to its end, and how many it gives."""
    assert callable(start)
    began = time.monotonic()
    count = sum(1 for _ in start())
    return time.monotonic() - began, count


def device_bytes(thread: int) -> int:
    """Bytes a thread has caused to be written to a block device (proc(5), `write_bytes`)."""
    lines = Path(f"/proc/self/task/{thread}/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes:"))


def commits(folder: Path, uplinks_each: int, count: int) -> list[str]:
    """Commit `uplinks_each` uplinks at a time, each commit after the one before is safe, on a store that is not new."""
    store = Store.open(folder / f"commits-{uplinks_each}.db", Limits())
    safe = threading.Event()
    source = uplinks(365)
    store.put(list(itertools.islice(source, 20_000)), safe.set)
    assert safe.wait(60)
    thread = store._writer._thread.native_id
    assert thread is not None
    kernel, device = store.bytes_written, device_bytes(thread)
    began = time.monotonic()
    for _ in range(count):
        safe.clear()
        store.put(list(itertools.islice(source, uplinks_each)), safe.set)
        assert safe.wait(60)
    took = time.monotonic() - began
    after, on_device = store.bytes_written, device_bytes(thread) - device
    store.close()
    assert kernel is not None
    assert after is not None
    total = count * uplinks_each
    kilobytes = (f"{(after - kernel) / total / 1000:.2f}", f"{on_device / total / 1000:.2f}")
    yearly = (after - kernel) / total * METERS * 365 * DAY / EVERY / 1e9
    return [f"{uplinks_each}", *kilobytes, f"{yearly:.1f}", f"{count / took:.0f}", f"{total / took:.0f}"]


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    days, count = (30.0, 500) if quick else (365.0, 5000)
    columns = (
        "uplinks a commit",
        "kB to kernel/uplink",
        "kB to device/uplink",
        "GB/year to kernel",
        "commits/s",
        "uplinks/s",
    )
    notes = (
        "a year is that of 50 meters at 15 min; the device column is 0 where the file system has no block device",
        f"disk of {folder}: {megabytes(os.statvfs(folder).f_bavail * os.statvfs(folder).f_frsize)} MB free",
    )
    sizes = [commits(folder, each, max(50, count // each)) for each in (1, 5, 50)]
    report.table("Commits, one after the other", columns, sizes, notes)
    path = folder / "year.db"
    report.table("A site's history", ("days", "uplinks", "MB", "bytes/uplink", "uplinks/s"), [fill(path, days)])
    report.table("Reading it", ("what", "took", "target"), read(path, days))
    report.table("Looking at one field of one meter", ("what", "took", "target"), look(path, days))
