"""Silence: what it costs to notice that meters no longer report, and what a service costs that has nothing to do.

The ticks: `Site.tick` alone, in a process of its own, for sites whose meters were all heard at one moment, so that all
turn stale in one tick; then the log lines that say so. The service at rest: the real `aggregator run` with its broker,
every meter heard once, then neither uplinks nor polls.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import structlog

from aggregator import logs
from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.core.reading import Now
from aggregator.core.site import Site
from tests.bench import report
from tests.bench.processes import (
    BenchError,
    Registers,
    broker,
    cpu_seconds_now,
    free_port,
    line_of,
    listens,
    python,
    wait_for,
)
from tests.bench.sites import BenchSite, topic, uplink, write_site
from tests.bench.size import CONNECTED, have_all_seen

SIZES = (10, 3000)
IDLE_TICKS = 1000
REST = 20.0  # s
SETTLED = 2.0  # s after the last uplink: the store brings its account of what is shown up to date meanwhile
Costs = dict[str, float]


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    rounds, rest = (2, 1.0) if quick else (9, REST)
    with broker(folder) as port:
        sites = [write_site(folder / f"ticks-{each}", each, modbus=free_port(), broker=port) for each in SIZES]
        with python("tests.bench.ticks", rounds, *(each.folder for each in sites), log=folder / "ticks.log") as ticking:
            measured: list[list[Costs]] = json.loads(line_of(ticking, 120))
        shares = [at_rest(site, rest, folder / "rest.log") for site in sites]
    columns = (
        "meters",
        "tick, nothing due us",
        "tick, all turn stale ms",
        "us/meter",
        "log lines ms",
        "at rest % of a core",
    )
    rows = [row_of(*each) for each in zip(SIZES, measured, shares, strict=True)]
    notes = (
        f"medians of {rounds} rounds, processor time; nothing due: the mean of {IDLE_TICKS} ticks",
        f"at rest: the service with its store and broker, {rest:g} s, no uplinks and no polls; user and system",
    )
    report.table("Silence", columns, rows, notes)


def row_of(meters: int, rounds: list[Costs], share: float) -> list[str]:
    idle, stale, lines = (report.median(each[name] for each in rounds) for name in ("idle", "stale", "lines"))
    return [
        str(meters),
        f"{idle * 1e6:.2f}",
        f"{stale * 1e3:.1f}",
        f"{stale / meters * 1e6:.1f}",
        f"{lines * 1e3:.1f}",
        f"{share * 100:.3f}",
    ]


def at_rest(site: BenchSite, seconds: float, log: Path) -> float:
    """The share of one core that the service takes while nothing happens."""
    with python("aggregator", "run", site.folder, log=log) as running:
        wait_for("the service listens", lambda: listens(site.modbus), 60)
        registers = Registers(site.modbus)
        wait_for("the service has the broker", lambda: bool(registers.read(1, 1)[1] & CONNECTED), 10)
        have_all_seen(site, registers, counter=1)
        registers.close()
        time.sleep(SETTLED)
        began, before = time.monotonic(), cpu_seconds_now(running.pid)
        time.sleep(seconds)
        return (cpu_seconds_now(running.pid) - before) / (time.monotonic() - began)


def measure(rounds: int, folders: list[Path]) -> list[list[Costs]]:
    """Seconds of the processor: by site, one set of figures a round."""
    clock = Clock()
    sites = [Site(load(folder).declared, clock.now()) for folder in folders]
    record = logs.Record(structlog.get_logger("site"))
    return [[measure_round(site, record, clock, each + 1) for each in range(rounds)] for site in sites]


def measure_round(site: Site, record: logs.Record, clock: Clock, counter: int) -> Costs:
    now = clock.now()
    for meter in range(len(site.states)):
        site.receive(topic(meter), uplink(meter, counter, volume=meter), retained=False, now=now)
    site.take_kept()
    began = time.process_time()
    for _ in range(IDLE_TICKS):
        site.tick(now)
    idle = (time.process_time() - began) / IDLE_TICKS
    then = now.monotonic + 7 * 86400.0  # any meter is stale by then
    began = time.process_time()
    notes = list(site.tick(Now(then, now.utc)))
    stale = time.process_time() - began
    if len(notes) != len(site.states):
        raise BenchError(f"{len(notes)} of {len(site.states)} meters turned stale")
    began = time.process_time()
    record.write(notes, Now(then + counter * 86400.0, now.utc))  # days apart, so that none is held back as a repeat
    return {"idle": idle, "stale": stale, "lines": time.process_time() - began}


if __name__ == "__main__":
    logs.configure("warning", for_people=False)
    print(json.dumps(measure(int(sys.argv[1]), [Path(each) for each in sys.argv[2:]])), flush=True)
