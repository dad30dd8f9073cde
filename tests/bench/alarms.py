"""Alarms: what four of them a field cost an uplink, and how soon an alarm's bit can be read.

The cost: sites in this process, uplinks handed straight to them, one with alarms and one without in turn; the readings
stay between their limits, as nearly all do. The latency: over TCP, from the moment an uplink beyond its limit is
published until a poll finds the bit of its alarm set. All times are of the one monotonic clock.
"""

from __future__ import annotations

import json
import time
from pathlib import Path

from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.core.site import Site
from tests.bench import report
from tests.bench.latency import CONNECTED, EVERY, RATE, TARGET, delays
from tests.bench.processes import BenchError, Registers, broker, free_port, line_of, listens, python, wait_for
from tests.bench.report import Target
from tests.bench.sites import BenchSite, topic, uplink, write_site

METERS = 100  # of the sites that the cost is taken on
RANGES = {
    "flow": (0, 650),
    "pressure": (-20, 200),
    "temperature": (-20, 60),
    "methane": (0, 100),
    "carbon_dioxide": (0, 100),
    "h2s": (0, 5000),
    "battery": (2, 4),
}
SHARES = {"low_low": 0.005, "low": 0.01, "high": 0.98, "high_high": 0.99}  # of the range
VOLUME_HIGH = "{field: volume, high: 1 m3, priority: high}"
BITS = 30000  # where the alarm bits stand, one a meter
READ = 1000  # bits a poll
LAYOUT = "  alarm-bit:\n    discrete: {0: alarm_active}\ndevices:\n"
ROW = "    place:\n      - {layout: alarm-bit, discrete: {from: %d, every: 1}, meters: [%s]}\n"


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    costs(folder, 2, 1000) if quick else costs(folder, 9, 10_000)
    latency(folder, 250 if quick else 2500)


def four_a_field() -> str:
    """Four limits of each field but the counter, which no reading reaches."""
    return ", ".join(
        f"{{field: {field}, {kind}: {low + share * (high - low):g}, priority: high}}"
        for field, (low, high) in RANGES.items()
        for kind, share in SHARES.items()
    )


def with_alarms(site: BenchSite, alarms: str) -> BenchSite:
    """Give each meter of a site these alarms."""
    file = site.folder / "meters.yaml"
    text = "".join(
        f"{line[:-2]}, alarms: [{alarms}]}}\n" if line.startswith("  - {") else line
        for line in file.read_text(encoding="utf-8").splitlines(keepends=True)
    )
    file.write_text(text, encoding="utf-8")
    return site


# The cost


def costs(folder: Path, rounds: int, count: int) -> None:
    """Processor time an uplink, with alarms and without, round by round."""
    plain = write_site(folder / "plain", METERS, modbus=free_port())
    watched = with_alarms(write_site(folder / "watched", METERS, modbus=free_port()), four_a_field())
    now = Clock().now
    sites = [Site(load(each.folder).declared, now()) for each in (plain, watched)]
    alarms = len(sites[1].annunciator.alarms) // METERS
    spent: list[list[float]] = [[], []]
    for round_ in range(rounds):
        messages = [
            (topic(at % METERS), uplink(at % METERS, 1 + round_ * count + at, volume=at)) for at in range(count)
        ]
        for site, figures in zip(sites, spent, strict=True):
            began = time.process_time()
            for name, message in messages:
                site.receive(name, message, retained=False, now=now())
                site.take_kept()
            figures.append((time.process_time() - began) / count * 1e6)
    if sites[0].figures.counts.accepted != rounds * count or sites[1].annunciator.sequence:
        raise BenchError("uplinks were not taken, or an alarm was raised")
    without, with_ = (report.median(each) for each in spent)
    report.table(
        "Alarms: cost",
        ("an uplink of 8 fields", "us", "to a", "us a field watched"),
        [
            ["a: no alarms", f"{without:.2f}", "1.00", ""],
            [
                f"{alarms} alarms, four a field",
                f"{with_:.2f}",
                f"{report.ratio(spent[1], spent[0]):.2f}",
                f"{(with_ - without) / len(RANGES):.2f}",
            ],
        ],
        (f"medians of {rounds} rounds of {count} uplinks, processor time; readings between their limits",),
    )


# The latency


def latency(folder: Path, count: int) -> None:
    """From publishing until the alarm bit can be read."""
    with broker(folder) as port:
        site = with_alarms(write_site(folder / "bits", count + 1, modbus=free_port(), broker=port), VOLUME_HIGH)
        tags = ", ".join(f"FT-{1000 + at}" for at in range(count + 1))
        file = site.folder / "map.yaml"
        text = file.read_text(encoding="utf-8").replace("devices:\n", LAYOUT)
        file.write_text(text.replace("    place:\n", ROW % (BITS, tags)), encoding="utf-8")
        with python("aggregator", "run", site.folder, log=folder / "bits.log"):
            wait_for("the service listens", lambda: listens(site.modbus), 40)
            registers = Registers(site.modbus)
            wait_for("the service has the broker", lambda: bool(registers.read(1, 1)[1] & CONNECTED), 10)
            with python(
                "tests.bench.publisher", port, count + 1, RATE, count, 1, log=folder / "bits-sender.log"
            ) as sender:
                shown, period = watch(registers, count)
                sent: list[int] = json.loads(line_of(sender, 20))
            registers.close()
    waited = delays(sent, shown)
    p99 = report.percentile(waited, 0.99)
    report.table(
        "Alarms: latency",
        ("published to", "p50 ms", "p99 ms", "worst ms", "target p99 ms"),
        [
            [
                "alarm bit",
                f"{report.percentile(waited, 0.5):.2f}",
                f"{p99:.2f}",
                f"{max(waited):.2f}",
                Target(p99, TARGET),
            ]
        ],
        (f"{count} alarms at {RATE:g} a second, each journalled; a poll of {READ} bits every {period:.2f} ms",),
    )


def watch(registers: Registers, count: int) -> tuple[list[int], float]:
    """When the bit of each alarm was first read, in the order of the uplinks, and the ms from poll to poll."""
    shown: list[int] = []
    polls, began = 0, time.monotonic()
    while len(shown) < count:
        first = BITS + 1 + len(shown)
        size = min(READ, count - len(shown))
        bits = int.from_bytes(registers.read_bits(first, size), "little")
        now = time.perf_counter_ns()
        polls += 1
        while bits & 1:  # uplinks arrive in their order, so their bits are set in it
            shown.append(now)
            bits >>= 1
        if time.monotonic() > began + count / RATE + 20:
            raise BenchError(f"{count - len(shown)} of {count} alarms were never shown")
        time.sleep(EVERY)
    return shown, (time.monotonic() - began) / polls * 1e3
