"""A gateway without a battery clock starts in 1970 and is set later: ages go on, and the history is put right."""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from structlog.testing import capture_logs

from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.core.keeping import ClockState
from aggregator.daemon import Service
from aggregator.declared import broker_of
from tests.drills.conftest import METERS, undated

if TYPE_CHECKING:
    from tests.drills.conftest import Drill
    from tests.edges.caller import Caller

pytestmark = pytest.mark.peer("mosquitto")

AGES = range(101, 101 + 16 * METERS, 16)  # registers


class SetClock(Clock):
    """The machine's clock as if it had been started in 1970 and could be set."""

    def __init__(self) -> None:
        super().__init__(lambda: time.time() + self.ahead)
        self.ahead = 86400.0 - time.time()
        self.trusted = False

    def is_trusted(self) -> bool:
        return self.trusted


@pytest.fixture
def clock() -> SetClock:
    return SetClock()


class Serve:
    """Runs the service of a folder in a thread here, on the clock that can be set; returns its port."""

    def __init__(self, clock: SetClock) -> None:
        self._clock = clock
        self._running: list[tuple[asyncio.AbstractEventLoop, Service, threading.Thread]] = []

    def __call__(self, folder: Path) -> int:
        ready = threading.Event()

        async def run() -> None:
            configuration = load(folder)
            service = Service(configuration, broker_of(configuration.service.broker), self._clock, folder / "data")
            self._running.append((asyncio.get_running_loop(), service, thread))
            await service.run(ready.set)

        thread = threading.Thread(target=lambda: asyncio.run(run()), name="service", daemon=True)
        thread.start()
        assert ready.wait(15)
        return self._running[-1][1].listening.servers[0].port

    def stop(self) -> None:
        """End what runs."""
        while self._running:
            loop, service, thread = self._running.pop()
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(service.stop)
            thread.join(15)
            assert not thread.is_alive()


@pytest.fixture
def serve(clock: SetClock) -> Iterator[Serve]:
    serving = Serve(clock)
    yield serving
    serving.stop()


@pytest.fixture
def first_round(
    drill: Callable[..., Drill], serve: Serve, caller: Callable[[int], Caller], until: Callable[..., Any]
) -> Callable[[], tuple[Drill, Caller]]:
    """Run the site on the clock as it is set, until a round of uplinks that nobody dates is in its history."""

    def run() -> tuple[Drill, Caller]:
        there = drill()
        client = caller(serve(there.folder))
        until(there.broker.subscriptions, what="the subscription")
        there.nodes.send(*undated(there.round(1)))
        there.until_kept(METERS)
        return there, client

    return run


@pytest.fixture
def said() -> Iterator[list[Any]]:
    """The lines of the log, as they are written."""
    with capture_logs() as lines:
        yield lines


def ages(client: Caller) -> list[int]:
    return [client.registers(at, 1)[0] for at in AGES]


def test_setting_the_clock_moves_no_age_and_corrects_what_was_dated_before(
    first_round: Callable[[], tuple[Drill, Caller]],
    clock: SetClock,
    until: Callable[..., Any],
    said: list[Any],
) -> None:
    there, client = first_round()
    kept, arrived = there.kept, time.time()
    assert kept.ask("SELECT DISTINCT clock FROM uplink") == [(ClockState.UNTRUSTED,)]
    assert not client.figure("state") & 2
    until(lambda: min(ages(client)) >= 2, what="two seconds of age")

    # By hand to the wrong year first, then by a time source, and back and forth.
    for step, trusted in ((1e9, False), (-clock.ahead - 1e9, True), (-7200.0, True), (7200.0, True)):
        before = ages(client)
        began = time.monotonic()
        clock.ahead += step
        clock.trusted = trusted
        wall = int(clock.now().utc)
        until(lambda: client.registers(28, 2)[0] << 16 | client.registers(28, 2)[1] >= wall, what="the new time")  # noqa: B023 - called at once
        until(lambda: bool(client.figure("state") & 2) is trusted, what="bit 1 of the state")  # noqa: B023 - as above
        time_for_a_tick = client.figure("heartbeat")
        until(lambda: client.figure("heartbeat") >= time_for_a_tick + 2, what="two ticks")  # noqa: B023 - as above
        for then, now in zip(before, ages(client), strict=True):
            assert then <= now <= then + time.monotonic() - began + 1, "an age has jumped with the clock"

    assert any(line["event"] == "clock set" for line in said)
    told = [json.loads(facts)["by"] for (facts,) in kept.ask("SELECT facts FROM event WHERE event = 'clock set'")]
    assert told[0] == 1e9
    assert told[1] > 0
    assert told[2:] == [-7200.0, 7200.0], "each step is in the journal"
    until(lambda: kept.ask("SELECT DISTINCT clock FROM uplink") == [(ClockState.CORRECTED,)], what="the correction")
    for at, when in kept.ask("SELECT at, arrived FROM uplink"):
        assert at == when, "an uplink that nobody dated counts as of its arrival"
        assert abs(when / 1000 - arrived) < 5
    there.report(2, ago=60)
    there.until_kept(2 * METERS)
    assert kept.ask("SELECT DISTINCT clock FROM uplink WHERE counter = 2") == [(ClockState.TRUSTED,)]
    assert all(60 <= age <= 75 for age in ages(client))
    clock.trusted = False  # the time source has been away for so long that the kernel gives up
    until(lambda: not client.figure("state") & 2, what="bit 1 of the state off")
    assert all(60 <= age <= 80 for age in ages(client))


def test_a_gateway_that_starts_in_1970_dates_nothing_before_what_it_has_stored(
    first_round: Callable[[], tuple[Drill, Caller]],
    serve: Serve,
    clock: SetClock,
    caller: Callable[[int], Caller],
    until: Callable[..., Any],
    said: list[Any],
) -> None:
    clock.ahead, clock.trusted = -3600.0, True  # an hour ago
    there, _ = first_round()
    kept = there.kept
    serve.stop()
    (last,) = kept.ask("SELECT max(arrived) FROM uplink WHERE clock = 0")[0]

    clock.ahead, clock.trusted = 86400.0 - time.time(), False  # the power was away, and the clock has no battery
    client = caller(serve(there.folder))
    until(lambda: client.figure("state") & 1, what="the broker connected")
    assert client.figure("meters_stale") == METERS, "nobody knows how old it is"
    assert client.registers(28, 2)[0] << 16 | client.registers(28, 2)[1] >= last // 1000
    there.nodes.send(*undated(there.round(2)))
    there.until_kept(2 * METERS)
    assert client.figure("meters_good") == METERS
    second = "SELECT min(at), max(at), max(clock) FROM uplink WHERE counter = 2"
    earliest, latest, state = kept.ask(second)[0]
    assert last <= earliest <= latest < last + 60_000, "dated on from what was stored"
    assert state == ClockState.UNTRUSTED
    assert any(line["event"] == "clock behind what is stored" for line in said)

    before, began = ages(client), time.monotonic()
    clock.ahead, clock.trusted = 0.0, True
    until(lambda: kept.ask(second)[0][2] == ClockState.CORRECTED, what="the correction")
    earliest, latest, _ = kept.ask(second)[0]
    assert time.time() - 60 <= earliest / 1000 <= latest / 1000 <= time.time()
    assert kept.ask("SELECT max(arrived) FROM uplink WHERE counter = 1") == [(last,)]
    for then, now in zip(before, ages(client), strict=True):
        assert then <= now <= then + time.monotonic() - began + 1, "an age has jumped with the clock"
    there.nodes.send(*undated(there.round(3)))
    there.until_kept(3 * METERS)
    assert kept.ask("SELECT DISTINCT clock FROM uplink WHERE counter = 3") == [(ClockState.TRUSTED,)]
