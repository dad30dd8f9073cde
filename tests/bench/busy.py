"""Polls while uplinks arrive: how long answers take with 1000 uplinks a second and without any.

The real `aggregator run` with its broker and store. Two loads: 8 clients that ask again as soon as they are answered,
and 8 that ask a hundred times a second, which is still far more than plants do.

Publisher, broker, service and polls share the machine's cores. What that alone costs shows a bare echo, polled in the
same way while the service beside it takes the same uplinks: an answer to it waits for a processor, never for an uplink.
"""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import uvloop

from tests.bench import report
from tests.bench.load import Served, drive
from tests.bench.processes import BenchError, Registers, broker, free_port, line_of, listens, python, wait_for
from tests.bench.report import Target
from tests.bench.sites import BenchSite, volume_address, volume_in, write_site
from tests.bench.size import CONNECTED, have_all_seen

METERS = 100
CLIENTS = 8
RATE = 1000.0  # uplinks a second
SPARE = 2.0  # s that uplinks go on for after the polls, whose start takes its time
TARGET = 2.0  # times the p99 without uplinks
SHOWN = {"ours": "register server", "echo": "bare echo beside it"}
LOADS = {"as fast as answered": 0.0, "100 a second each": 0.01}  # s that each client waits after an answer


@dataclass(slots=True)
class Figures:
    """Of each round: requests a second, and answers' latencies in ms."""

    rates: list[float] = field(default_factory=list)
    p50: list[float] = field(default_factory=list)
    p99: list[float] = field(default_factory=list)
    uplinks: list[float] = field(default_factory=list)  # a second, as published while polls went on

    def add(self, served: Served, uplinks: float) -> None:
        self.rates.append(served.answers / served.seconds)
        self.p50.append(report.percentile(served.latencies, 0.5) / 1e6)
        self.p99.append(report.percentile(served.latencies, 0.99) / 1e6)
        self.uplinks.append(uplinks)


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    rounds, seconds = (1, 0.3) if quick else (5, 2.0)
    figures = {(load, who): (Figures(), Figures()) for load in LOADS for who in SHOWN}
    with broker(folder) as port:
        site = write_site(folder / "busy", METERS, modbus=free_port(), broker=port)
        with (
            python("aggregator", "run", site.folder, log=folder / "busy.log"),
            python("tests.bench.servers", "echo", site.folder, log=folder / "echo.log") as echo,
        ):
            ports = {"ours": site.modbus, "echo": int(line_of(echo, 20))}
            wait_for("the service listens", lambda: listens(site.modbus), 20)
            registers = Registers(site.modbus)
            wait_for("the service has the broker", lambda: bool(registers.read(1, 1)[1] & CONNECTED), 10)
            have_all_seen(site, registers, counter=1)
            counter = 2
            for _ in range(rounds):
                for (load, who), (idle, busy) in figures.items():
                    poll = partial(drive, ports[who], CLIENTS, 1, seconds, rest=LOADS[load])
                    idle.add(uvloop.run(poll()), 0.0)
                    counter = with_uplinks(site, registers, poll, seconds, counter, busy)
            registers.close()
    rows = [row for (load, who), pair in figures.items() for row in rows_of(load, who, *pair)]
    columns = (
        "8 clients, 1 in flight each",
        "server",
        "uplinks/s",
        "requests/s",
        "p50 ms",
        "p99 ms",
        "to without",
        "target",
    )
    notes = (
        f"medians over {rounds} interleaved rounds of {seconds:g} s, ratios taken round by round; every answer checked",
        "every uplink became readable and was stored; publisher, broker and polls share the processor with the service",
        "the echo takes no uplinks: its ratio is what sharing the processor costs on this machine",
    )
    report.table("Polls while uplinks arrive", columns, rows, notes)


def with_uplinks(
    site: BenchSite,
    registers: Registers,
    poll: Callable[[], Coroutine[Any, Any, Served]],
    seconds: float,
    counter: int,
    figures: Figures,
) -> int:
    """One round of polls while uplinks arrive. Returns the counter for the next."""
    count = int((seconds + SPARE) * RATE / METERS) * METERS
    with python(
        "tests.bench.publisher", site.broker, METERS, RATE, count, counter, log=site.folder / "publisher.log"
    ) as sender:
        # A meter shows its number before the first round and a multiple of METERS, plus that, while uplinks come.
        shown = volume_in(registers.read(volume_address(1), 2))
        wait_for("uplinks arrive", lambda: changed(registers, shown) or has_ended(sender), 20)
        began = time.perf_counter_ns()
        served = uvloop.run(poll())
        ended = time.perf_counter_ns()
        sent: list[int] = json.loads(line_of(sender, 30))
    if max(sent) < ended:
        raise BenchError("the uplinks ended before the polls: their spare time was too short")
    wait_for("the last uplink is readable", lambda: volume_in(registers.read(volume_address(0), 2)) == count, 10)
    figures.add(served, sum(1 for each in sent if began <= each <= ended) / (ended - began) * 1e9)
    return counter + count // METERS


def changed(registers: Registers, shown: int) -> bool:
    """Whether the meter that is heard first no longer shows that volume."""
    return volume_in(registers.read(volume_address(1), 2)) != shown


def has_ended(sender: subprocess.Popen[str]) -> bool:
    """Raises BenchError where the publisher has failed."""
    if sender.poll():
        raise BenchError(f"the publisher ended with {sender.returncode}")
    return False


def rows_of(load: str, who: str, idle: Figures, busy: Figures) -> list[list[str | Target]]:
    rows: list[list[str | Target]] = []
    for each in (idle, busy):
        ratio = report.ratio(each.p99, idle.p99)
        rows.append(
            [
                load if each is idle and who == "ours" else "",
                SHOWN[who] if each is idle else "",
                f"{report.median(each.uplinks):,.0f}",
                f"{report.median(each.rates):,.0f}",
                f"{report.median(each.p50):.3f}",
                f"{report.median(each.p99):.3f}",
                f"{ratio:.2f}",
                Target(ratio, TARGET) if each is busy and who == "ours" else "",
            ]
        )
    return rows
