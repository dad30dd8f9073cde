"""Latency: from the moment an uplink is published until a poll over TCP reads its value.

The poller reads 125 registers, which hold six meters, and rests half a millisecond before it reads again; uplinks go
to those six in turn. The store is on: every uplink is committed to disk meanwhile. The baseline is a bare subscriber
to the same messages in the same run. All times are of the one monotonic clock.
"""

from __future__ import annotations

import json
import subprocess
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from aggregator.keeper import FILE
from aggregator.store.reader import history
from tests.bench import report
from tests.bench.consumers import connect, session, subscribe_all
from tests.bench.processes import BenchError, Registers, broker, free_port, line_of, listens, python, wait_for
from tests.bench.report import Target
from tests.bench.sites import FIRST, BenchSite, volume_address, volume_in, write_site

METERS = 100  # in the site
SENDING = 6  # meters whose blocks one read of 125 registers holds
READ = 125
EVERY = 0.0005  # s between polls
RATE = 500.0  # uplinks a second
TARGET = 10.0  # ms that 99 of 100 uplinks may take
CONNECTED = 1  # bit 0 of the gateway's state word, input register 1


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    count = 500 if quick else 5000
    with broker(folder) as port:
        site = write_site(folder / "latency", METERS, modbus=free_port(), broker=port)
        with (
            python("aggregator", "run", site.folder, log=folder / "latency.log"),
            python("tests.bench.latency", port, count, log=folder / "subscriber.log") as subscriber,
        ):
            wait_for("the service listens", lambda: listens(site.modbus), 20)
            registers = Registers(site.modbus)
            wait_for("the service has the broker", lambda: bool(registers.read(1, 1)[1] & CONNECTED), 10)
            line_of(subscriber, 10)
            with python("tests.bench.publisher", port, SENDING, RATE, count, 1, log=folder / "publisher.log") as sender:
                readable, period = watch(registers, count, sender)
                sent = json.loads(line_of(sender, 20))
            heard = json.loads(line_of(subscriber, 20))
            registers.close()
            wait_for("every uplink is stored", lambda: stored(site) == count, 10)
    print_table(delays(sent, readable), delays(sent, heard), period)


def stored(site: BenchSite) -> int:
    """How many uplinks the service has committed to disk."""
    return sum(1 for _ in history(site.folder / "data" / FILE, None, ["volume"], 0.0, time.time() + 60))


def watch(registers: Registers, count: int, sender: subprocess.Popen[str]) -> tuple[list[int], float]:
    """When each uplink's value, or a later one of the same meter, was first read, and the ms from poll to poll.

    Raises BenchError where values do not come.
    """
    readable = [0] * count
    shown = {(number % SENDING): number - SENDING for number in range(1, SENDING + 1)}  # as if the round before stood
    offsets = {meter: volume_address(meter) - FIRST for meter in shown}
    missing, polls, began = count, 0, time.monotonic()
    end = began + count / RATE + 20
    while missing:
        data = registers.read(FIRST, READ)
        now = time.perf_counter_ns()
        polls += 1
        for meter, at in offsets.items():
            volume = volume_in(data, at)
            for number in range(shown[meter] + SENDING, volume + 1, SENDING) if volume <= count else ():
                readable[number - 1] = now
                shown[meter] = number
                missing -= 1
        if time.monotonic() > end:
            raise BenchError(f"{missing} of {count} values never became readable (publisher: {sender.poll()})")
        time.sleep(EVERY)
    return readable, (time.monotonic() - began) / polls * 1e3


def delays(sent: Sequence[int], seen: Sequence[int]) -> list[float]:
    """Milliseconds between each pair of instants."""
    return [(late - early) / 1e6 for early, late in zip(sent, seen, strict=True)]


def print_table(readable: list[float], heard: list[float], period: float) -> None:
    columns = ("published to", "p50 ms", "to a", "p99 ms", "to a", "worst ms", "target p99 ms")
    rows: list[list[str | Target]] = []
    for name, each in (("readable register", readable), ("a: bare subscriber", heard)):
        p50, p99 = report.percentile(each, 0.5), report.percentile(each, 0.99)
        rows.append(
            [
                name,
                f"{p50:.2f}",
                f"{p50 / report.percentile(heard, 0.5):.2f}",
                f"{p99:.2f}",
                f"{p99 / report.percentile(heard, 0.99):.2f}",
                f"{max(each):.2f}",
                Target(p99, TARGET) if each is readable else "",
            ]
        )
    notes = (
        f"{len(heard)} uplinks at {RATE:g} a second, all committed to disk as well",
        f"a poll every {period:.2f} ms, which the first row includes",
        "a value that a later one replaced before it was read counts as readable when the later one was read",
    )
    report.table("Latency", columns, rows, notes)


def subscribe(port: int, count: int) -> None:
    """The bare subscriber: prints a line once it is subscribed, then the instants at which the messages came."""
    instants: list[int] = []
    done = threading.Event()
    client = session("subscriber")
    subscribe_all(client)
    client.on_subscribe = lambda *_: print("subscribed", flush=True)

    def take(*_: object) -> None:
        instants.append(time.perf_counter_ns())
        if len(instants) == count:
            done.set()

    client.on_message = take
    connect(client, port)
    client.loop_start()
    if not done.wait(60):
        raise SystemExit(f"{len(instants)} of {count} messages came")
    print(json.dumps(instants), flush=True)
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    import sys

    subscribe(int(sys.argv[1]), int(sys.argv[2]))
