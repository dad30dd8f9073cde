"""A site under trouble: a service that can be killed and is up again soon, its history, and clients that poll on.

The peers and the small site are those of tests/edges; here it has eight meters, so that one read of 125 registers shows
nearly all of it.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import statistics
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.edges.broker import Broker, Publisher
from tests.edges.caller import Caller
from tests.edges.conftest import broker, caller, command, free_port, publisher, service, site, until, uplink
from tests.nursery import Forked, Nursery

__all__ = ["broker", "caller", "command", "publisher", "service", "site", "until", "uplink"]

METERS = 8
FIRST = 100  # of the meters' input registers
STORED = 1 << 2  # of the gateway's state word
KEPT_BY_THE_BROKER = ("persistence true", "allow_anonymous true")


def connect(to: int, within: float = 15.0) -> Caller:
    """Connect as soon as the port takes connections."""
    deadline = time.monotonic() + within
    while True:
        try:
            return Caller.to(to)
        except OSError:
            assert time.monotonic() < deadline, f"nothing listens on {to}"
            time.sleep(0.002)


@dataclass
class Life:
    """One run of the service, in a process of its own."""

    process: Forked
    log_file: Path
    client: Caller  # connected as soon as the port took connections

    def kill(self) -> None:
        """End it at once, as a power cut does."""
        self.process.kill()
        self._wait()

    def stop(self) -> None:
        self.process.terminate()
        self._wait()
        assert self.events("stopped")

    def events(self, event: str) -> list[dict[str, Any]]:
        """The log's lines of one event."""
        whole = [line for line in self.log_file.read_text().splitlines() if line.endswith("}")]
        return [line for line in map(json.loads, whole) if line["event"] == event]

    def notes(self) -> str:
        """What the store has put into the log."""
        return "\n".join(line["note"] for line in self.events("store"))

    def is_stored(self) -> bool:
        """Whether the registers say that what comes is stored: bit 2 of the gateway's state."""
        return bool(self.client.figure("state") & STORED)

    def heard(self) -> int:
        """Uplinks that have come in, whatever became of them."""
        return sum(self.client.figure(f"uplinks_{name}") for name in ("accepted", "duplicate", "late", "rejected"))

    def _wait(self) -> None:
        self.client.sock.close()
        self.process.wait(15)


@pytest.fixture
def live(tmp_path: Path, nursery: Nursery) -> Iterator[Callable[..., Life]]:
    """Run a site folder that names its port: `live(folder, port, prelude="...")`, with Python to run first."""
    lives: list[Life] = []

    def run(folder: Path, at: int, prelude: str = "") -> Life:
        log_file = tmp_path / f"life-{len(lives)}.log"
        lives.append(Life(nursery.run(folder, log_file, prelude), log_file, connect(at)))
        return lives[-1]

    yield run
    for life in lives:
        if life.process.poll() is None:
            life.kill()
    for life in lives:
        assert "Traceback" not in life.log_file.read_text()


@dataclass
class History:
    """The database of a site, read with SQLite itself."""

    path: Path

    def ask(self, query: str) -> list[tuple[Any, ...]]:
        with contextlib.closing(sqlite3.connect(f"file:{self.path}?mode=ro", uri=True)) as connection:
            return connection.execute(query).fetchall()

    def rows(self) -> int:
        """Uplinks in it, 0 before it is there."""
        try:
            return int(self.ask("SELECT count(*) FROM uplink")[0][0])
        except sqlite3.OperationalError:
            return 0

    def distinct(self) -> int:
        """Uplinks in it that differ in node or counter."""
        return int(self.ask("SELECT count(*) FROM (SELECT DISTINCT node, counter FROM uplink)")[0][0])


@pytest.fixture
def history() -> Callable[[Path], History]:
    """The history of a site folder."""
    return lambda folder: History(folder / "data" / "history.db")


@dataclass
class Pollers:
    """Clients that read 125 registers over and over, and what became of each request."""

    port: int
    every: float
    waits: list[float] = field(default_factory=list)
    cut: int = 0  # requests that a connection took with it when it ended
    unanswered: int = 0  # requests that a standing connection left without an answer
    _stop: threading.Event = field(default_factory=threading.Event)
    _threads: list[threading.Thread] = field(default_factory=list)

    def start(self, many: int = 3) -> None:
        self._threads = [threading.Thread(target=self._run, name=f"poller {at}") for at in range(many)]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(30)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                client = Caller.to(self.port)
            except OSError:  # the service is down
                self._stop.wait(0.01)
                continue
            with client.sock:
                self._poll(client)

    def _poll(self, client: Caller) -> None:
        while not self._stop.is_set():
            began = time.monotonic()
            try:
                client.registers(FIRST, 125)
            except TimeoutError:
                self.unanswered += 1
                return
            except OSError:
                self.cut += 1
                return
            self.waits.append(time.monotonic() - began)
            self._stop.wait(self.every)

    def report(self) -> str:
        return (
            f"{len(self.waits)} answers to 3 pollers, longest wait {1000 * max(self.waits):.0f} ms, "
            f"median {1000 * statistics.median(self.waits):.1f} ms; {self.cut} cut off, {self.unanswered} unanswered"
        )


@pytest.fixture
def pollers(record_property: Callable[[str, object], None]) -> Iterator[Callable[..., Pollers]]:
    """Three clients that poll until the test ends or stops them; every request must have got its answer."""
    started: list[Pollers] = []

    def start(at: int, every: float = 0.05) -> Pollers:
        started.append(Pollers(at, every))
        started[-1].start()
        return started[-1]

    yield start
    for each in started:
        each.stop()
        record_property("pollers", each.report())
        print(each.report())
        assert each.unanswered == 0


@pytest.fixture
def new_port() -> Callable[[], int]:
    """Ports that nobody listens on, a new one at each call."""
    return free_port


@pytest.fixture
def small(site: Callable[..., Path]) -> Callable[..., tuple[Path, int]]:
    """Write the small site with eight meters, at a port that stays; `keepalive=5` and such go to `site`."""

    def write(broker_port: int, **keys: Any) -> tuple[Path, int]:
        at = free_port()
        return site(broker_port, meters=METERS, tcp=f"127.0.0.1:{at}", **keys), at

    return write


@dataclass
class Drill:
    """The small site with eight meters: its broker, the nodes' network, its history, and one life after the other."""

    broker: Broker
    folder: Path
    port: int
    nodes: Publisher
    kept: History
    client: str
    build_uplink: Callable[..., bytes]
    live: Callable[..., Life]
    poll_on: Callable[..., Pollers]
    until: Callable[..., Any]

    def begin(self, prelude: str = "", within: float = 15.0) -> Life:
        """The first life, once it has subscribed."""
        life = self.again(prelude)
        self.until(lambda: self.broker.subscriptions(self.client), within, "the subscription")
        return life

    def again(self, prelude: str = "") -> Life:
        """Another life of the same folder, as soon as its port takes connections."""
        return self.live(self.folder, self.port, prelude)

    def poll(self, every: float = 0.05) -> Pollers:
        """Clients that poll on."""
        return self.poll_on(self.port, every)

    def round(self, counter: int, ago: float = 0.0, **fields: object) -> list[bytes]:
        """An uplink of each meter."""
        return [self.build_uplink(counter, meter, ago, **fields) for meter in range(METERS)]

    def report(self, counter: int, ago: float = 0.0, **fields: object) -> None:
        """Have each meter send an uplink."""
        self.nodes.send(*self.round(counter, ago, **fields))

    def until_kept(self, uplinks: int, within: float = 15.0) -> None:
        """Wait until so many uplinks are in the history."""
        self.until(lambda: self.kept.rows() == uplinks, within, f"{uplinks} uplinks in the history")


def undated(messages: list[bytes]) -> list[bytes]:
    """The same from a network that does not date them."""
    return [each.replace(b'"received_at"', b'"not_kept"') for each in messages]


@pytest.fixture
def drill(
    broker: Callable[..., Broker],
    publisher: Callable[[Broker], Publisher],
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    history: Callable[[Path], History],
    pollers: Callable[..., Pollers],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
) -> Callable[..., Drill]:
    """Build it: `drill("persistence true", keepalive=5)`, the broker's lines and what `site` takes; nothing runs yet.

    `on` is a broker that is there already, `through` what lies on the way to it.
    """

    def build(
        *lines: str,
        on: Broker | None = None,
        through: Callable[[int], int] | None = None,
        client: str = "alder-fen-test",
        **keys: Any,
    ) -> Drill:
        there = on or broker(*(lines or KEPT_BY_THE_BROKER))
        folder, at = small(through(there.port) if through else there.port, client=client, **keys)
        return Drill(there, folder, at, publisher(there), history(folder), client, uplink, live, pollers, until)

    return build
