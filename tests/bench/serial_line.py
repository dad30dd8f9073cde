"""A serial line: reads of 125 registers a second along a pseudo-terminal, beside the Modbus library's server.

A pseudo-terminal carries bytes at once, so what is measured is the servers. A real line at the same settings needs
far longer for the bytes themselves, which is shown beside it.
"""

from __future__ import annotations

import contextlib
import os
import select
import struct
import subprocess
import time
import tty
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

from aggregator.core.rtu import is_sound, sealed
from aggregator.core.serial_line import Wire
from tests.bench import report
from tests.bench.processes import BenchError, cpu_seconds, free_port, line_of, python
from tests.bench.servers import BAUD, MOST, UNIT
from tests.bench.sites import volume_address, volume_in, write_site

METERS = 100
WITHIN = 5.0  # s for an answer
SETTLED = 0.5  # s after which every server has heard silence
SHOWN = {"ours": "serial server", "library": "a: library's server"}


@dataclass(slots=True)
class Line:
    """The far end of a line, and the server on the near one."""

    server: subprocess.Popen[str]
    end: int

    def read(self, start: int, count: int) -> bytes:
        """The bytes of `count` input registers. Raises BenchError for anything but the answer to this request."""
        os.write(self.end, sealed(struct.pack(">BBHH", UNIT, 4, start, count)))
        size, answer, until = 5 + 2 * count, b"", time.monotonic() + WITHIN
        while len(answer) < size:
            if not select.select([self.end], [], [], max(0.0, until - time.monotonic()))[0]:
                raise BenchError(f"no answer within {WITHIN:g} s, but {answer.hex()}")
            answer += os.read(self.end, size - len(answer))
        if not is_sound(answer) or answer[:3] != bytes((UNIT, 4, 2 * count)):
            raise BenchError(f"the read of {start} was answered with {answer.hex()}")
        return answer[3:-2]


@dataclass(slots=True)
class Figures:
    """What the rounds measured for one server, one entry a round."""

    rates: list[float] = field(default_factory=list)
    costs: list[float] = field(default_factory=list)  # processor time a request, in microseconds
    p50: list[float] = field(default_factory=list)  # milliseconds
    p99: list[float] = field(default_factory=list)


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    rounds, seconds = (1, 0.2) if quick else (5, 1.0)
    site = write_site(folder / "serial", METERS, modbus=free_port())
    figures: dict[str, Figures] = defaultdict(Figures)
    with contextlib.ExitStack() as stack:
        lines = {kind: line_to(kind, site.folder, folder, stack) for kind in SHOWN}
        time.sleep(SETTLED)
        for line in lines.values():
            check_values(line)
        for _ in range(rounds):
            for kind, line in lines.items():
                measure(figures[kind], line, seconds)
    wire = Wire(BAUD, parity=False, stop_bits=2)
    longest = (8 + 5 + 2 * MOST) * wire.character + 2 * wire.silence
    notes = (
        f"one request at a time; medians over {rounds} interleaved rounds of {seconds:g} s; every answer checked",
        f"a real line at {BAUD} baud carries at most {1 / longest:.0f} of these a second",
        f"before each answer there are {wire.silence * 1000:g} ms of silence, which the library does not keep",
    )
    columns = ("reads of 125 registers", "requests/s", "to a", "CPU us", "p50 ms", "p99 ms")
    report.table("Serial line", columns, [row_of(kind, figures) for kind in SHOWN], notes)


def line_to(kind: str, site: Path, folder: Path, stack: contextlib.ExitStack) -> Line:
    """Start a server on the near end of a new line."""
    far, near = os.openpty()
    for end in (far, near):
        tty.setraw(end)
        stack.callback(os.close, end)
    server = stack.enter_context(
        python("tests.bench.servers", kind, site, os.ttyname(near), log=folder / f"line-{kind}.log")
    )
    line_of(server, 20)
    return Line(server, far)


def check_values(line: Line) -> None:
    """Both servers must hold the values that the uplinks carried, or their speed means nothing."""
    for meter in (0, METERS // 2, METERS - 1):
        shown = volume_in(line.read(volume_address(meter), 2))
        if shown != meter:
            raise BenchError(f"meter {meter} shows the volume {shown}")


def measure(figures: Figures, line: Line, seconds: float) -> None:
    latencies: list[int] = []
    before, began = cpu_seconds(line.server.pid), time.perf_counter()
    while (now := time.perf_counter()) - began < seconds:
        line.read(100 + len(latencies) % 1000, MOST)
        latencies.append(int((time.perf_counter() - now) * 1e9))
    figures.rates.append(len(latencies) / (now - began))
    figures.costs.append((cpu_seconds(line.server.pid) - before) / len(latencies) * 1e6)
    figures.p50.append(report.percentile(latencies, 0.5) / 1e6)
    figures.p99.append(report.percentile(latencies, 0.99) / 1e6)


def row_of(kind: str, figures: dict[str, Figures]) -> list[str]:
    each = figures[kind]
    return [
        SHOWN[kind],
        f"{report.median(each.rates):,.0f}",
        f"{report.ratio(each.rates, figures['library'].rates):.2f}",
        f"{report.median(each.costs):.0f}",
        f"{report.median(each.p50):.2f}",
        f"{report.median(each.p99):.2f}",
    ]
