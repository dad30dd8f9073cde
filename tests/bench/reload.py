"""A site's files taken anew while plant software polls: how long it takes, and the longest wait for an answer then.

The real `aggregator run` with its broker and every meter heard once; before each time a meter gets another name. The
baseline is the longest wait of the same poller in as long a time without.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

from aggregator.control import ask
from tests.bench import report
from tests.bench.processes import BenchError, Registers, broker, free_port, listens, python, wait_for
from tests.bench.report import Target
from tests.bench.sites import FIRST, BenchSite, volume_address, volume_in, write_site
from tests.bench.size import CONNECTED, have_all_seen

SIZES = (100, 3000)
READ = 125
EVERY = 0.0005  # s between polls
SETTLED = 2.0  # s after the last uplink, and after each reload: what follows it is not part of the next
TARGET = 50.0  # ms that a poller may wait
WITHIN = 60.0  # s for a reload


@dataclass(slots=True)
class Poller:
    """Reads over and over on a thread of its own; how long each answer took, in ms."""

    registers: Registers
    waits: list[float] = field(default_factory=list)
    problem: str = ""
    _going: bool = True

    def go_on(self) -> None:
        while self._going:
            began = time.perf_counter()
            try:
                self.registers.read(FIRST, READ)
            except (BenchError, OSError) as error:
                self.problem = str(error)
                return
            self.waits.append((time.perf_counter() - began) * 1e3)
            time.sleep(EVERY)

    def stop(self) -> None:
        self._going = False


@dataclass(slots=True)
class Figures:
    """Of each round: seconds that a reload took, longest wait during it and in as long a time without, in ms."""

    seconds: list[float] = field(default_factory=list)
    longest: list[float] = field(default_factory=list)
    without: list[float] = field(default_factory=list)


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    rounds = 1 if quick else 5
    rows: list[list[str | Target]] = []
    with broker(folder) as port:
        for meters in SIZES:
            site = write_site(folder / f"reload-{meters}", meters, modbus=free_port(), broker=port)
            figures = measure(site, rounds, folder / "reload.log")
            longest = max(figures.longest)
            rows.append(
                [
                    str(meters),
                    f"{report.median(figures.seconds):.2f}",
                    f"{report.median(figures.longest):.1f}",
                    Target(longest, TARGET, " ms"),
                    f"{max(figures.without):.1f}",
                ]
            )
    columns = ("meters", "reload s", "longest wait ms", "of all rounds", "without ms")
    notes = (
        f"{rounds} rounds, medians but where the longest of all is shown; a meter is renamed before each",
        f"wait: for the answer to a read of {READ} registers, asked every {EVERY * 1e3:g} ms over one connection",
    )
    report.table("Reload", columns, rows, notes)


def measure(site: BenchSite, rounds: int, log: Path) -> Figures:
    figures = Figures()
    with python("aggregator", "run", site.folder, log=log):
        wait_for("the service listens", lambda: listens(site.modbus), 60)
        registers = Registers(site.modbus)
        wait_for("the service has the broker", lambda: bool(registers.read(1, 1)[1] & CONNECTED), 10)
        have_all_seen(site, registers, counter=1)
        for round_ in range(rounds):
            time.sleep(SETTLED)
            measure_round(site, round_, figures)
        last = site.meters - 1
        if volume_in(registers.read(volume_address(last), 2)) != last:
            raise BenchError(f"meter {last} has lost what it had sent")
        registers.close()
    return figures


def measure_round(site: BenchSite, round_: int, figures: Figures) -> None:
    rename_a_meter(site, round_)
    registers = Registers(site.modbus, WITHIN)
    poller = Poller(registers)
    thread = threading.Thread(target=poller.go_on)
    thread.start()
    try:
        began, taken_before = time.perf_counter(), len(poller.waits)
        told = ask(site.folder / "data", {"do": "reload", "who": "bench"}, WITHIN)
        seconds = time.perf_counter() - began
        time.sleep(EVERY * 10)  # for the answer that was under way when the reload ended
        during = poller.waits[taken_before:]
        time.sleep(SETTLED)
        first = len(poller.waits)
        time.sleep(seconds)
        without = poller.waits[first:]
    finally:
        poller.stop()
        thread.join()
        registers.close()
    if poller.problem or told["generation"] != round_ + 1:
        raise BenchError(f"a reload was told as {told}; {poller.problem or 'every read was answered'}")
    figures.seconds.append(seconds)
    figures.longest.append(max(during))
    figures.without.append(max(without))


def rename_a_meter(site: BenchSite, round_: int) -> None:
    """Change one line, as somebody with an editor would."""
    path = site.folder / "meters.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(name_in(round_), name_in(round_ + 1), 1), encoding="utf-8")


def name_in(round_: int) -> str:
    """What the first meter is called before a round."""
    return "name: Point 0," if round_ == 0 else f"name: Point 0 renamed {round_},"
