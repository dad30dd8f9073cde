"""What the pages cost: how soon the overview is seen, and what plant software notices of people who look.

The real `aggregator run` with its broker and every meter heard. The overview is loaded by Debian's chromium, with
nothing kept from before; pages that stay open are their live streams, read by another process.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import uvloop
from playwright.sync_api import Browser, sync_playwright

from aggregator.control import ask
from tests.bench import report
from tests.bench.load import drive
from tests.bench.processes import (
    LOOPBACK,
    BenchError,
    Registers,
    broker,
    cpu_seconds_now,
    free_port,
    line_of,
    listens,
    python,
    resident_megabytes,
    wait_for,
)
from tests.bench.report import Target
from tests.bench.sites import BenchSite, write_site
from tests.bench.size import CONNECTED, have_all_seen

FEW, MANY = 50, 3000
FOLLOW = 20  # pages that are open while plant software polls
MORE = 50  # pages that memory is told by, beyond as many that stand already
RATE = 500.0  # uplinks a second
CLIENTS = 8
SPARE = 3.0  # s that uplinks go on for beyond the polls, whose start takes its time
TARGET = 0.9  # of the polls without pages
SETTLED = 2.0  # s after a load or a start, so that what follows it is not part of the next figure
# Two frames after the first tile stands in the page it has been painted (HTML, update the rendering; from memory).
NOTICE = """
  window.seen = {};
  const note = (name) => { window.seen[name] ??= performance.now(); };
  const told = (name) => requestAnimationFrame(() => requestAnimationFrame(() => note(name)));
  new MutationObserver(() => {
    if (!window.seen.started && document.querySelector(".tile")) { window.seen.started = true; told("first"); }
    if (document.body?.dataset.drawn) told("all");
  }).observe(document, { subtree: true, childList: true, attributes: true, attributeFilter: ["data-drawn"] });
"""


@dataclass(slots=True)
class Looks:
    """Of each load of the overview: ms from navigation until the first tiles and all of them; ms of the server."""

    first: list[float] = field(default_factory=list)
    drawn: list[float] = field(default_factory=list)
    server: list[float] = field(default_factory=list)


@dataclass(slots=True)
class Running:
    """A site that runs, with its pages open to look; `counter` is that of the next uplinks."""

    site: BenchSite
    pid: int
    pages: int
    counter: int = 2

    @property
    def accepted(self) -> int:
        taken: int = ask(self.site.folder / "data", {"do": "status"}, 10)["uplinks_accepted"]
        return taken


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    looks = {}
    with broker(folder) as port:
        for meters in (FEW, MANY):
            with serve(folder / f"pages-{meters}", meters, port) as running:
                with browser() as chromium:
                    looks[meters] = look(running, chromium, rounds=2 if quick else 7)
                if meters == MANY:
                    print_looks(looks)
                    print_open(running, rounds=1 if quick else 3, seconds=1.0 if quick else 3.0)
                    print_polls(running, rounds=1 if quick else 5, seconds=0.5 if quick else 2.0)


@contextmanager
def browser() -> Iterator[Browser]:
    """Debian's chromium, that asks nobody outside."""
    with sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-background-networking", "--disable-component-update", "--no-first-run"]
        chromium = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=arguments)
        yield chromium
        chromium.close()


@contextmanager
def serve(folder: Path, meters: int, broker_port: int) -> Iterator[Running]:
    """A site that runs with every meter heard once."""
    site = write_site(folder, meters, modbus=free_port(), broker=broker_port)
    pages = free_port()
    with (folder / "site.yaml").open("a") as file:
        file.write(f"web: {{at: {LOOPBACK}:{pages}, open_to_look: yes}}\n")
    with python("aggregator", "run", site.folder, log=folder.with_suffix(".log")) as service:
        wait_for("the service listens", lambda: listens(site.modbus) and listens(pages), 60)
        registers = Registers(site.modbus)
        wait_for("the service has the broker", lambda: bool(registers.read(1, 1)[1] & CONNECTED), 10)
        have_all_seen(site, registers, counter=1)
        registers.close()
        time.sleep(SETTLED)
        yield Running(site, service.pid, pages)


# How soon the overview is seen


def look(running: Running, chromium: Browser, rounds: int) -> Looks:
    """Load the overview some times, each by a browser that knows nothing of it. The first only warms up."""
    looks = Looks()
    for round_ in range(rounds + 1):
        rest = idle_rate(running)
        began, used = time.perf_counter(), cpu_seconds_now(running.pid)
        seen = load(running, chromium)
        spent = cpu_seconds_now(running.pid) - used - rest * (time.perf_counter() - began)
        if round_:
            looks.first.append(seen["first"])
            looks.drawn.append(seen["all"])
            looks.server.append(spent * 1e3)
    return looks


def load(running: Running, chromium: Browser) -> dict[str, float]:
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    context.add_init_script(NOTICE)
    page = context.new_page()
    page.goto(f"http://{LOOPBACK}:{running.pages}/")
    page.wait_for_function("() => window.seen.first && window.seen.all", timeout=60_000)
    seen: dict[str, float] = page.evaluate("window.seen")
    if page.locator(".tile").count() != running.site.meters:
        raise BenchError(f"the overview shows {page.locator('.tile').count()} of {running.site.meters} meters")
    context.close()
    return seen


def idle_rate(running: Running, seconds: float = 1.0) -> float:
    """Processor time a second that the service takes when nobody asks."""
    used, began = cpu_seconds_now(running.pid), time.perf_counter()
    time.sleep(seconds)
    return (cpu_seconds_now(running.pid) - used) / (time.perf_counter() - began)


def print_looks(looks: dict[int, Looks]) -> None:
    columns = ("overview", "first tiles ms", "all drawn ms", "slowest ms", "server ms")
    rows = [
        [
            f"{meters} meters",
            f"{report.median(each.first):.0f}",
            f"{report.median(each.drawn):.0f}",
            f"{max(each.drawn):.0f}",
            f"{report.median(each.server):.1f}",
        ]
        for meters, each in looks.items()
    ]
    notes = (
        f"medians of {len(looks[MANY].first)} loads in chromium, from navigation; nothing in its cache, 1280 x 900",
        "server: processor time of the service for the page, its files, every line and the start of its stream",
    )
    report.table("Overview", columns, rows, notes)


# What open pages take


def print_open(running: Running, rounds: int, seconds: float) -> None:
    """Processor time of a live update and memory of an open page."""
    used: dict[int, list[float]] = {0: [], 1: [], FOLLOW: []}
    for _ in range(rounds):
        for pages, into in used.items():
            into.append(update_cost(running, pages, seconds) * 1e3)
    columns = ("open pages", "server ms a second", "more than none", "each page")
    rows = []
    for pages, each in used.items():
        more = report.median(one - none for one, none in zip(each, used[0], strict=True))
        rows.append([str(pages), f"{report.median(each):.1f}", f"{more:.1f}", f"{more / pages:.2f}" if pages else ""])
    notes = (
        f"{running.site.meters} meters, {RATE:g} uplinks a second; one update a second, which tells every change",
        f"medians over {rounds} interleaved rounds of {seconds:g} s, differences taken round by round",
        f"an open page takes {memory_of_a_page(running):.1f} kB of the service's memory (VmRSS, {MORE} beyond as many)",
    )
    report.table("Live updates", columns, rows, notes)


def memory_of_a_page(running: Running) -> float:
    """By how many kB the service grows with each page that follows."""
    with following(running, MORE):
        before = resident_megabytes(running.pid)
        with following(running, MORE):
            return (resident_megabytes(running.pid) - before) * 1000 / MORE


def update_cost(running: Running, pages: int, seconds: float) -> float:
    """Processor time of the service a second, in which one update is told, while uplinks arrive."""
    cost = 0.0

    def watch() -> None:
        nonlocal cost
        used, began = cpu_seconds_now(running.pid), time.perf_counter()
        time.sleep(seconds)
        cost = (cpu_seconds_now(running.pid) - used) / (time.perf_counter() - began)

    with following(running, pages):
        with_uplinks(running, seconds, watch)
    return cost


@contextmanager
def following(running: Running, pages: int) -> Iterator[None]:
    """So many pages follow meanwhile."""
    if not pages:
        yield
        return
    with python("tests.bench.followers", running.pages, pages, log=running.site.folder / "followers.log") as followers:
        line_of(followers, 30)
        time.sleep(SETTLED)  # every line is told to the first page
        yield
        if followers.poll() is not None:
            raise BenchError(f"the followers ended with {followers.returncode}")


# What plant software notices


def with_uplinks(running: Running, seconds: float, meanwhile: Callable[[], Any]) -> None:
    """Do something that takes so long while uplinks arrive; every one of them must be taken in the end."""
    count = int((seconds + SPARE) * RATE)
    before = running.accepted
    with python(
        "tests.bench.publisher",
        running.site.broker,
        running.site.meters,
        RATE,
        count,
        running.counter,
        log=running.site.folder / "publisher.log",
    ) as sender:
        running.counter += count // running.site.meters + 1
        wait_for("uplinks arrive", lambda: running.accepted > before, 20)
        meanwhile()
        if sender.poll() is not None:
            raise BenchError("the uplinks ended before the polls: their spare time was too short")
        line_of(sender, 30)
    wait_for("every uplink is taken", lambda: running.accepted == before + count, 10)


def print_polls(running: Running, rounds: int, seconds: float) -> None:
    """Polls a second with pages open and without, while uplinks arrive."""
    rates: dict[int, list[float]] = {0: [], FOLLOW: []}

    def polled(into: list[float]) -> Callable[[], None]:
        def poll() -> None:
            served = uvloop.run(drive(running.site.modbus, CLIENTS, 1, seconds))
            into.append(served.answers / served.seconds)

        return poll

    for _ in range(rounds):
        for pages, into in rates.items():
            with following(running, pages):
                with_uplinks(running, seconds, polled(into))
    ratio = report.ratio(rates[FOLLOW], rates[0])
    rows: list[list[str | Target]] = [
        [str(pages), f"{report.median(each):,.0f}", Target(ratio, TARGET, floor=True) if pages else ""]
        for pages, each in rates.items()
    ]
    notes = (
        f"{running.site.meters} meters, {RATE:g} uplinks a second, {CLIENTS} clients that ask again once answered",
        f"medians over {rounds} interleaved rounds of {seconds:g} s, the ratio taken round by round",
        "publisher, broker, polls and the pages' readers share the processor with the service",
    )
    report.table("Polls with open pages", ("open pages", "requests/s", "to none"), rows, notes)
