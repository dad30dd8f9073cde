"""Run the measurements: `python -m tests.bench [--quick] [--only polls,uplinks,...]`.

Targets that are missed are printed in bold and change nothing else: figures depend on the machine and on what else it
does. What makes a figure meaningless, a wrong answer or a lost uplink for instance, ends the bench with an error.
"""

from __future__ import annotations

import argparse
import signal
import sys
import tempfile
import time
from pathlib import Path

from tests.bench import (
    alarms,
    busy,
    connections,
    latency,
    pages,
    polls,
    reload,
    report,
    serial_line,
    size,
    store,
    ticks,
    uplinks,
)
from tests.bench.processes import BenchError

PARTS = {
    "polls": polls.run,
    "serial": serial_line.run,
    "connections": connections.run,
    "uplinks": uplinks.run,
    "latency": latency.run,
    "busy": busy.run,
    "alarms": alarms.run,
    "ticks": ticks.run,
    "size": size.run,
    "reload": reload.run,
    "store": store.run,
    "pages": pages.run,
}
TIME_LIMIT = 1200  # s; the kernel ends the bench then, and its processes with it


def main() -> int:
    """Run what was asked for. Returns the exit code: 1 where a figure could not be taken."""
    parser = argparse.ArgumentParser(prog="tests.bench", description="Measure the service on this machine.")
    parser.add_argument("--quick", action="store_true", help="a smoke run: every case once, figures mean little")
    parser.add_argument("--only", default=",".join(PARTS), help=f"some of: {', '.join(PARTS)}")
    asked = parser.parse_args()
    names = asked.only.split(",")
    if unknown := [name for name in names if name not in PARTS]:
        parser.error(f"there is no part {', '.join(unknown)}")
    signal.alarm(TIME_LIMIT)
    began = time.monotonic()
    report.machine()
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        try:
            for name in names:
                PARTS[name](Path(folder), quick=asked.quick)
        except BenchError as error:
            report.console.print(f"\n{error}", style="bold red")
            for log in sorted(Path(folder).glob("*.log")):
                if text := log.read_text()[-2000:]:
                    report.console.print(f"--- {log.name}\n{text}", markup=False)
            return 1
    report.console.print(f"\ntook {time.monotonic() - began:.0f} s")
    return 0


sys.exit(main())
