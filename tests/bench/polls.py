"""Polls: reads of 125 registers a second, beside the Modbus library's server and a bare echo on the same loop.

One process drives all connections, so on two cores the server has one to itself. Where the client is the bottleneck
the ratio of the rates flatters the slower server; the server's own processor time a request does not.
"""

from __future__ import annotations

import contextlib
import gc
import subprocess
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import uvloop

from tests.bench import report
from tests.bench.load import drive
from tests.bench.processes import BenchError, Registers, cpu_seconds, free_port, line_of, python
from tests.bench.report import Target
from tests.bench.sites import volume_address, volume_in, write_site

METERS = 100
ALONE = ("ours", "library", "echo")
PIPELINED = ("ours", "echo")  # the library's server is not asked: it answers one request of several that come at once
SHOWN = {"ours": "register server", "library": "a: library's server", "echo": "b: bare echo"}


@dataclass(slots=True)
class Figures:
    """What the rounds of one case measured for one server, one entry a round."""

    rates: list[float] = field(default_factory=list)
    costs: list[float] = field(default_factory=list)  # processor time a request, in microseconds
    p50: list[float] = field(default_factory=list)  # milliseconds
    p99: list[float] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Case:
    """A load: so many clients, each with so many requests in flight."""

    clients: int
    in_flight: int = 1

    def __str__(self) -> str:
        return f"{self.clients} client{'s' if self.clients > 1 else ''}, {self.in_flight} in flight each"


TARGET_CASE = Case(8)
TARGETS = {"library": 6.0, "echo": 0.75}  # how many times the baseline's rate the register server's must be
CASES = (Case(1), Case(8), Case(64), Case(8, in_flight=8))


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    rounds, seconds = (1, 0.2) if quick else (5, 1.0)
    site = write_site(folder / "polls", METERS, modbus=free_port())
    with contextlib.ExitStack() as stack:
        servers: dict[str, tuple[subprocess.Popen[str], int]] = {}
        for kind in ALONE:
            server = stack.enter_context(python("tests.bench.servers", kind, site.folder, log=folder / f"{kind}.log"))
            servers[kind] = (server, int(line_of(server, 20)))
        for kind in ("ours", "library"):
            check_values(servers[kind][1])
        rows = []
        for case in CASES:
            figures: dict[str, Figures] = defaultdict(Figures)
            for _ in range(rounds):
                for kind in ALONE if case.in_flight == 1 else PIPELINED:
                    measure(figures[kind], *servers[kind], case, seconds)
            rows += rows_of(case, figures)
    columns = (
        "reads of 125 registers",
        "server",
        "requests/s",
        "lowest, highest",
        "to a",
        "to b",
        "target",
        "CPU us",
        "to b",
        "p50 ms",
        "p99 ms",
    )
    notes = (
        f"medians over {rounds} interleaved rounds of {seconds:g} s, ratios taken round by round; every answer checked",
        "CPU: processor time of the server alone, user and system, a request; `to b` is how much more that is than b's",
    )
    report.table("Polls", columns, rows, notes)


def check_values(port: int) -> None:
    """Both servers must hold the values that the uplinks carried, or their speed means nothing."""
    registers = Registers(port)
    for meter in (0, METERS // 2, METERS - 1):
        shown = volume_in(registers.read(volume_address(meter), 2))
        if shown != meter:
            raise BenchError(f"meter {meter} shows the volume {shown}")
    registers.close()


def measure(figures: Figures, server: subprocess.Popen[str], port: int, case: Case, seconds: float) -> None:
    gc.collect()
    before = cpu_seconds(server.pid)
    served = uvloop.run(drive(port, case.clients, case.in_flight, seconds))
    figures.rates.append(served.answers / served.seconds)
    figures.costs.append((cpu_seconds(server.pid) - before) / served.answers * 1e6)
    figures.p50.append(report.percentile(served.latencies, 0.5) / 1e6)
    figures.p99.append(report.percentile(served.latencies, 0.99) / 1e6)


def rows_of(case: Case, figures: dict[str, Figures]) -> list[list[str | Target]]:
    rows: list[list[str | Target]] = []
    for kind, each in figures.items():
        to_library = report.ratio(each.rates, figures["library"].rates) if "library" in figures else None
        rows.append(
            [
                "" if rows else str(case),
                SHOWN[kind],
                f"{report.median(each.rates):,.0f}",
                f"{min(each.rates) / 1e3:.0f}k, {max(each.rates) / 1e3:.0f}k",
                "-" if to_library is None else f"{to_library:.2f}",
                f"{report.ratio(each.rates, figures['echo'].rates):.2f}",
                target_of(case, kind, figures),
                f"{report.median(each.costs):.1f}",
                f"{report.ratio(each.costs, figures['echo'].costs):.2f}",
                f"{report.median(each.p50):.3f}",
                f"{report.median(each.p99):.3f}",
            ]
        )
    return rows


def target_of(case: Case, kind: str, figures: dict[str, Figures]) -> str | Target:
    """The bounds hold for the case of 8 clients; the one to each baseline stands in that baseline's row."""
    if case == TARGET_CASE and kind in TARGETS:
        return Target(report.ratio(figures["ours"].rates, figures[kind].rates), TARGETS[kind], floor=True)
    return ""
