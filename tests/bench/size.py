"""Cost of size: what a site of 10, 100, 1000 and 3000 meters takes, each beside the site of 10.

Time an uplink: `Site.receive` alone, in a process of its own that holds all four sites and goes round them, so that
whatever else the machine does meets them alike. Start and memory: the real `aggregator run`, with a real broker.
"""

from __future__ import annotations

import gc
import json
import shutil
import sys
import time
from pathlib import Path

from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.core.site import Site
from tests.bench import report
from tests.bench.consumers import connect, session
from tests.bench.processes import (
    BenchError,
    Registers,
    broker,
    free_port,
    line_of,
    listens,
    python,
    resident_megabytes,
    wait_for,
)
from tests.bench.report import Target
from tests.bench.sites import BenchSite, topic, uplink, volume_address, volume_in, write_site

SIZES = (10, 100, 1000, 3000)
UPLINKS = 3000  # a site and round
FLAT, LARGEST_START, LARGEST_MEMORY = 1.3, 3.0, 200.0  # to the smallest site; s; MB
NEVER_SEEN, GOOD = 11, 7  # figures of the gateway block: meters never seen, meters good
CONNECTED = 1


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    rounds, starts = (2, 1) if quick else (9, 3)
    with broker(folder) as port:
        sites = [write_site(folder / f"size-{each}", each, modbus=free_port(), broker=port) for each in SIZES]
        started: dict[int, list[float]] = {each: [] for each in SIZES}
        memory: dict[int, tuple[float, float]] = {}
        for round_ in range(starts):
            for site in sites:
                seconds, memory[site.meters] = serve(site, folder / "size.log", counter=round_ + 1)
                started[site.meters].append(seconds)
    with python("tests.bench.size", rounds, *(site.folder for site in sites), log=folder / "receive.log") as measuring:
        costs: list[list[float]] = json.loads(line_of(measuring, 90))
    columns = (
        "meters",
        "us/uplink",
        "to 10",
        "target",
        "start s",
        "to 10",
        "target",
        "RSS MB start",
        "all seen",
        "to 10",
        "target",
    )
    rows = [row_of(each, costs[at], costs[0], started, memory) for at, each in enumerate(SIZES)]
    notes = (
        f"uplink: processor time of Site.receive, 8 decoded fields; medians of {rounds} rounds of {UPLINKS} a site",
        f"start: until the process answers a Modbus read, median of {starts}; RSS: VmRSS in units of 10^6 bytes",
    )
    report.table("Cost of size", columns, rows, notes)


def row_of(
    meters: int,
    costs: list[float],
    smallest: list[float],
    started: dict[int, list[float]],
    memory: dict[int, tuple[float, float]],
) -> list[str | Target]:
    seconds, base = report.median(started[meters]), report.median(started[SIZES[0]])
    fresh, seen = memory[meters]
    flat = report.ratio(costs, smallest)
    last = meters == SIZES[-1]
    return [
        str(meters),
        f"{report.median(costs):.1f}",
        f"{flat:.2f}",
        Target(flat, FLAT) if last else "",
        f"{seconds:.2f}",
        f"{seconds / base:.2f}",
        Target(seconds, LARGEST_START) if last else "",
        f"{fresh:.0f}",
        f"{seen:.0f}",
        f"{seen / memory[SIZES[0]][1]:.2f}",
        Target(seen, LARGEST_MEMORY) if last else "",
    ]


def serve(site: BenchSite, log: Path, counter: int) -> tuple[float, tuple[float, float]]:
    """Start the service and let every meter send once. Returns seconds to the first answer, MB before and after."""
    shutil.rmtree(site.folder / "data", ignore_errors=True)  # what the start before has stored
    began = time.perf_counter()
    with python("aggregator", "run", site.folder, log=log) as running:
        wait_for("the service listens", lambda: listens(site.modbus), 60, every=0.002)
        registers = Registers(site.modbus)
        registers.read(0, 1)
        seconds = time.perf_counter() - began
        wait_for("the service has the broker", lambda: bool(registers.read(1, 1)[1] & CONNECTED), 10)
        fresh = resident_megabytes(running.pid)
        if figure(registers, NEVER_SEEN) != site.meters:
            raise BenchError(f"a service just started shows {figure(registers, NEVER_SEEN)} meters never seen")
        have_all_seen(site, registers, counter)
        seen = resident_megabytes(running.pid)
        registers.close()
        running.terminate()  # in order, so that its acknowledgements reach the broker and nothing comes again
        running.wait(20)
    return seconds, (fresh, seen)


def figure(registers: Registers, at: int) -> int:
    """A whole number of one register."""
    return int.from_bytes(registers.read(at, 1), "big")


def have_all_seen(site: BenchSite, registers: Registers, counter: int) -> None:
    """Let every meter send once, and wait until all of that is in the registers."""
    let_all_send(site, counter)
    wait_for("every meter is seen", lambda: figure(registers, GOOD) == site.meters, 30)
    last = site.meters - 1
    if volume_in(registers.read(volume_address(last), 2)) != last:
        raise BenchError(f"meter {last} does not show what it sent")


def let_all_send(site: BenchSite, counter: int) -> None:
    """One uplink of every meter, meter m with the volume m."""
    client = session("publisher")
    connect(client, site.broker)
    client.loop_start()
    for meter in range(site.meters):
        sent = client.publish(topic(meter), uplink(meter, counter, volume=meter), 1)
    sent.wait_for_publish(30)
    client.disconnect()
    client.loop_stop()


def receive(rounds: int, folders: list[Path]) -> list[list[float]]:
    """Processor time an uplink, in microseconds: by site, one figure a round."""
    clock = Clock()
    sites = [Site(load(folder).declared, clock.now()) for folder in folders]
    costs: list[list[float]] = [[] for _ in sites]
    for round_ in range(-1, rounds):  # the first round, before which no meter has been seen, warms up
        for site, figures in zip(sites, costs, strict=True):
            cost = receive_round(site, round_ + 1, clock)
            if round_ >= 0:
                figures.append(cost)
    for site in sites:
        if site.figures.counts.accepted != (rounds + 1) * UPLINKS:
            raise BenchError(f"{site.figures.counts.accepted} uplinks were accepted")
    return costs


def receive_round(site: Site, round_: int, clock: Clock) -> float:
    meters = len(site.states)
    numbers = range(round_ * UPLINKS, (round_ + 1) * UPLINKS)
    messages = [(topic(each % meters), uplink(each % meters, 1 + each // meters, volume=each)) for each in numbers]
    gc.collect()
    began = time.process_time_ns()
    for name, message in messages:
        site.receive(name, message, retained=False, now=clock.now())
    return (time.process_time_ns() - began) / UPLINKS / 1000


if __name__ == "__main__":
    print(json.dumps(receive(int(sys.argv[1]), [Path(each) for each in sys.argv[2:]])), flush=True)
