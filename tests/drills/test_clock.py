"""A gateway without a battery clock starts in 1970 and is set later: ages go on, and the history is put right."""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.clock import Clock
from aggregator.config import load
from aggregator.core.keeping import ClockState
from aggregator.core.reading import Now
from aggregator.daemon import Service, broker_of

if TYPE_CHECKING:
    from tests.drills.conftest import History
    from tests.edges.conftest import Broker, Caller, Publisher

pytestmark = pytest.mark.peer("mosquitto")

METERS = 8
AGES = range(101, 101 + 16 * METERS, 16)  # registers


class SetClock(Clock):
    """The machine's clock as if it had been started in 1970 and could be set."""

    def __init__(self) -> None:
        self.ahead = 86400.0 - super().now().utc
        self.trusted = False

    def now(self) -> Now:
        real = super().now()
        return Now(real.monotonic, real.utc + self.ahead)

    def is_trusted(self) -> bool:
        return self.trusted


@pytest.fixture
def clock() -> SetClock:
    return SetClock()


@pytest.fixture
def serve(clock: SetClock) -> Iterator[Callable[[Path], int]]:
    """Run the service of a folder in a thread here, on the clock that can be set; returns its port."""
    running: list[tuple[asyncio.AbstractEventLoop, Service, threading.Thread]] = []

    def start(folder: Path) -> int:
        ready = threading.Event()

        async def run() -> None:
            configuration = load(folder)
            service = Service(configuration, broker_of(configuration.service.broker), clock, folder / "data")
            running.append((asyncio.get_running_loop(), service, thread))
            await service.run(ready.set)

        thread = threading.Thread(target=lambda: asyncio.run(run()), name="service", daemon=True)
        thread.start()
        assert ready.wait(15)
        return running[-1][1].servers[0].port

    yield start
    for loop, service, thread in running:
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(service.stop)
        thread.join(15)
        assert not thread.is_alive()


def ages(client: Caller) -> list[int]:
    return [client.registers(at, 1)[0] for at in AGES]


def test_setting_the_clock_moves_no_age_and_corrects_what_was_dated_before(
    broker: Callable[..., Broker],
    publisher: Callable[[Broker], Publisher],
    small: Callable[..., tuple[Path, int]],
    serve: Callable[[Path], int],
    clock: SetClock,
    caller: Callable[[int], Caller],
    history: Callable[[Path], History],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
) -> None:
    there = broker("persistence true", "allow_anonymous true")
    folder, _ = small(there.port)
    client = caller(serve(folder))
    until(there.subscriptions, what="the subscription")
    nodes = publisher(there)
    undated = [uplink(1, meter).replace(b'"received_at"', b'"not_kept"') for meter in range(METERS)]
    arrived = time.time()
    nodes.send(*undated)
    kept = history(folder)
    until(lambda: kept.rows() == METERS, what="the first round in the history")
    assert kept.ask("SELECT DISTINCT clock FROM uplink") == [(ClockState.UNTRUSTED,)]
    assert not client.figure("state") & 2
    until(lambda: min(ages(client)) >= 2, what="two seconds of age")

    for step, trusted in ((-clock.ahead, True), (-7200.0, True), (7200.0, True)):
        before = ages(client)
        began = time.monotonic()
        clock.ahead += step
        clock.trusted = trusted
        wall = int(clock.now().utc)
        until(lambda: client.registers(28, 2)[0] << 16 | client.registers(28, 2)[1] >= wall, what="the new time")  # noqa: B023 - called at once
        until(lambda: client.figure("state") & 2, what="bit 1 of the state")
        time_for_a_tick = client.figure("heartbeat")
        until(lambda: client.figure("heartbeat") >= time_for_a_tick + 2, what="two ticks")  # noqa: B023 - as above
        for then, now in zip(before, ages(client), strict=True):
            assert then <= now <= then + time.monotonic() - began + 1, "an age has jumped with the clock"

    until(lambda: kept.ask("SELECT DISTINCT clock FROM uplink") == [(ClockState.CORRECTED,)], what="the correction")
    for at, when in kept.ask("SELECT at, arrived FROM uplink"):
        assert at == when, "an uplink that nobody dated counts as of its arrival"
        assert abs(when / 1000 - arrived) < 5
    nodes.send(*(uplink(2, meter, ago=60) for meter in range(METERS)))
    until(lambda: kept.rows() == 2 * METERS, what="the second round")
    assert kept.ask("SELECT DISTINCT clock FROM uplink WHERE counter = 2") == [(ClockState.TRUSTED,)]
    assert all(60 <= age <= 75 for age in ages(client))
