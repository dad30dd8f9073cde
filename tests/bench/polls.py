"""Polls: reads of 125 registers a second, beside the Modbus library's server, a bare echo and a server in C.

The first two run on the same kind of loop as the register server; the one in C, on libmodbus, waits with epoll(7) and
takes one request of a ready connection at a time, which is how that library reads. The register server serves three
devices, each to some of the clients, keeps its accounts, and lets in by network.

One process drives all connections, so on two cores the server has one to itself. Where the client is the bottleneck
the ratio of the rates flatters the slower server; the server's own processor time a request does not.
"""

from __future__ import annotations

import contextlib
import gc
import ssl
import subprocess
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import uvloop

from tests.bench import report
from tests.bench.load import drive
from tests.bench.processes import BenchError, Registers, cpu_seconds, free_port, line_of, process, python
from tests.bench.report import Target
from tests.bench.servers import certificates, write_tables
from tests.bench.sites import volume_address, volume_in, write_site
from tests.conftest import find_peer
from tests.edges.libmodbus import build

METERS = 100
DEVICES = 3
ALONE = ("ours", "library", "echo", "c", "ours-tls", "echo-tls")
# The library's server is not asked: it answers one request of several that come at once.
PIPELINED = ("ours", "echo", "c", "ours-tls", "echo-tls")
PROGRAMS = ("gcc", "libmodbus")  # what the server in C is built with
SHOWN = {
    "ours": "register server",
    "library": "a: library's server",
    "echo": "b: bare echo",
    "c": "c: C server, libmodbus",
    "ours-tls": "register server, TLS",
    "echo-tls": "b: bare echo, TLS",
}

COLUMNS = (
    "reads of 125 registers",
    "server",
    "requests/s",
    "lowest, highest",
    "to a",
    "to b",
    "to c",
    "target",
    "CPU us",
    "to b",
    "p50 ms",
    "p99 ms",
)


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


# How many times the baseline's rate the register server's must be.
TARGETS = {Case(8): {"library": 6.0, "echo": 0.8, "c": 1.0}, Case(64, in_flight=8): {"c": 2.0}}
CASES = (Case(1), Case(8), Case(64), Case(8, in_flight=8), Case(64, in_flight=8))


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    rounds, seconds = (1, 0.2) if quick else (5, 1.0)
    site = write_site(folder / "polls", METERS, modbus=free_port(), devices=DEVICES)
    with contextlib.ExitStack() as stack:
        tls = certificates(site.folder)
        servers: dict[str, tuple[subprocess.Popen[str], int]] = {}
        missing = [name for name in PROGRAMS if find_peer(name) is None]
        for kind in ALONE:
            if kind == "c" and missing:
                continue
            starting = c_server(site.folder, folder) if kind == "c" else our_server(kind, site.folder, folder)
            server = stack.enter_context(starting)
            servers[kind] = (server, int(line_of(server, 20)))
        for kind in ("ours", "library", "c"):
            if kind in servers:
                check_values(servers[kind][1])
        rows = []
        for case in CASES:
            figures: dict[str, Figures] = defaultdict(Figures)
            for _ in range(rounds):
                for kind in [each for each in (ALONE if case.in_flight == 1 else PIPELINED) if each in servers]:
                    measure(figures[kind], *servers[kind], case, seconds, tls if kind.endswith("-tls") else None)
            rows += rows_of(case, figures)
            if missing:
                rows.append(["", SHOWN["c"], f"not installed: {' '.join(missing)}", *[""] * (len(COLUMNS) - 3)])
    notes = (
        f"medians over {rounds} interleaved rounds of {seconds:g} s, ratios taken round by round; every answer checked",
        "CPU: processor time of the server alone, user and system, a request; `to b` is to b, over TLS to b over TLS",
        f"{DEVICES} devices, each asked by some of the clients; accounts kept, the right to read given by network",
    )
    report.table("Polls", COLUMNS, rows, notes)


def our_server(kind: str, site: Path, folder: Path) -> contextlib.AbstractContextManager[subprocess.Popen[str]]:
    """One of the servers on this Python's loop."""
    return python("tests.bench.servers", kind, site, log=folder / f"{kind}.log")


def c_server(site: Path, folder: Path) -> contextlib.AbstractContextManager[subprocess.Popen[str]]:
    """The server on libmodbus, built here, with the registers that ours shows."""
    program = build("gcc", folder)
    return process(str(program), "serve", *map(str, write_tables(site)), log=folder / "c.log")


def check_values(port: int) -> None:
    """Every server must hold the values that the uplinks carried, or their speed means nothing."""
    registers = Registers(port)
    for meter in (0, METERS // 2, METERS - 1):
        shown = volume_in(registers.read(volume_address(meter), 2))
        if shown != meter:
            raise BenchError(f"meter {meter} shows the volume {shown}")
    registers.close()


def measure(
    figures: Figures,
    server: subprocess.Popen[str],
    port: int,
    case: Case,
    seconds: float,
    tls: ssl.SSLContext | None = None,
) -> None:
    gc.collect()
    before = cpu_seconds(server.pid)
    served = uvloop.run(drive(port, case.clients, case.in_flight, seconds, tls, DEVICES))
    figures.rates.append(served.answers / served.seconds)
    figures.costs.append((cpu_seconds(server.pid) - before) / served.answers * 1e6)
    figures.p50.append(report.percentile(served.latencies, 0.5) / 1e6)
    figures.p99.append(report.percentile(served.latencies, 0.99) / 1e6)


def rows_of(case: Case, figures: dict[str, Figures]) -> list[list[str | Target]]:
    rows: list[list[str | Target]] = []
    for kind, each in figures.items():
        echo = figures["echo-tls" if kind.endswith("-tls") else "echo"]
        rows.append(
            [
                "" if rows else str(case),
                SHOWN[kind],
                f"{report.median(each.rates):,.0f}",
                f"{min(each.rates) / 1e3:.0f}k, {max(each.rates) / 1e3:.0f}k",
                to(figures.get("library"), each),
                f"{report.ratio(each.rates, echo.rates):.2f}",
                to(figures.get("c"), each),
                target_of(case, kind, figures),
                f"{report.median(each.costs):.1f}",
                f"{report.ratio(each.costs, echo.costs):.2f}",
                f"{report.median(each.p50):.3f}",
                f"{report.median(each.p99):.3f}",
            ]
        )
    return rows


def to(baseline: Figures | None, figures: Figures) -> str:
    """How many times the baseline's rate that is, where it was measured."""
    return "-" if baseline is None else f"{report.ratio(figures.rates, baseline.rates):.2f}"


def target_of(case: Case, kind: str, figures: dict[str, Figures]) -> str | Target:
    """The bound to each baseline stands in that baseline's row."""
    bound = TARGETS.get(case, {}).get(kind)
    return "" if bound is None else Target(report.ratio(figures["ours"].rates, figures[kind].rates), bound, floor=True)
