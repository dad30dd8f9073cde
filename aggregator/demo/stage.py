"""The whole thing on a desk: embedded broker, simulated nodes, and the real service between them and plant software."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from aggregator.clock import FastClock
from aggregator.config import Configuration
from aggregator.core.address_map import Shows, Table
from aggregator.core.encoding import Order
from aggregator.daemon import Service
from aggregator.demo.embedded import LOOPBACK, MQTT_VERSION, Access, embedded_broker
from aggregator.demo.fleet import Fleet, run_fleet
from aggregator.mqtt import Broker, Secret

REFRESH = 0.5  # s between two looks at the site


@dataclass(frozen=True, slots=True)
class Play:
    """How the demonstration runs. `lasts` is in real seconds, None until it is stopped."""

    speed: float
    seed: int
    port: int
    lasts: float | None


Look = Callable[[Service], None]
Looks = tuple[Look, Look, Look]
"""Shows the running site; called every half second on the service's own loop."""


async def perform(configuration: Configuration, play: Play, started: Look, look: Look, ended: Look) -> None:
    """Run a site with simulated nodes until it is stopped, or its time is up.

    Raises AggregatorError where the broker cannot start or the port is taken.
    """
    configuration = on_loopback(configuration, play.port)
    clock = FastClock(play.speed)
    with TemporaryDirectory(prefix="aggregator-demo-") as data:
        await _perform(configuration, play, clock, Path(data), (started, look, ended))


async def _perform(configuration: Configuration, play: Play, clock: FastClock, data: Path, looks: Looks) -> None:
    started, look, ended = looks
    async with embedded_broker() as access:
        service = Service(configuration, broker_at(access), clock, data)
        service.stop_on_signals()
        ready = asyncio.Event()
        async with asyncio.TaskGroup() as tasks:
            serving = tasks.create_task(service.run(ready.set), name="service")
            waiting = tasks.create_task(ready.wait(), name="start")
            await asyncio.wait({serving, waiting}, return_when="FIRST_COMPLETED")
            waiting.cancel()
            if serving.done():
                return
            started(service)
            fleet = run_fleet(configuration, access, now=clock.now, speed=play.speed, seed=play.seed)
            others = [
                tasks.create_task(fleet, name="fleet"),
                tasks.create_task(_watch(service, look), name="screen"),
            ]
            await asyncio.wait({serving}, timeout=play.lasts)
            service.stop()
            await serving
            for task in others:
                task.cancel()
        ended(service)


async def _watch(service: Service, look: Look) -> None:
    while True:
        look(service)
        await asyncio.sleep(REFRESH)


def on_loopback(configuration: Configuration, port: int) -> Configuration:
    """The same site with one listener, on this machine only."""
    listener = configuration.service.listeners[0].model_copy(update={"tcp": (LOOPBACK, port)})
    service = configuration.service.model_copy(update={"listeners": [listener]})
    return replace(configuration, service=service)


def broker_at(access: Access) -> Broker:
    """How the service reaches the embedded broker."""
    return Broker(access.host, access.port, MQTT_VERSION, "aggregator-demo", access.user, Secret(access.password))


def headline(configuration: Configuration, play: Play, program: Path) -> list[str]:
    """What is shown above the site: what it is, and the exact lines to poll it with from a second terminal.

    `program` is how this program was called.
    """
    left_out = Fleet(configuration, lambda seconds: seconds, play.seed).left_out
    lines = [
        f"{configuration.declared.name}, simulated; time runs {play.speed:g} times as fast. Ctrl-C ends it.",
        "Monitoring, not a safety function. To poll it from a second terminal:",
        *(f"  {line}" for line in poll_lines(configuration, play.port, program)),
    ]
    if left_out:
        lines.append(f"No uplink of site.yaml carries {', '.join(left_out)}; they stay silent.")
    return lines


def poll_lines(configuration: Configuration, port: int, program: Path) -> list[str]:
    """A line for our own poller and one for mbpoll, about the same meter's first value in the first device."""
    device = configuration.declared.devices[0]
    values = [entry for entry in device.entries() if entry.item.shows is Shows.VALUE and entry.table is Table.INPUT]
    if not values:
        return [f"{program} poll {configuration.folder} --port {port}"]
    floats = [entry for entry in values if entry.item.codec and entry.item.codec.encoding.type == "float32"]
    entry = (floats or values)[0]
    kind = "3"
    if floats and entry.item.codec:
        kind = "3:float -B" if entry.item.codec.encoding.word_order is Order.HIGH_FIRST else "3:float"
    return [
        f"{program} poll {configuration.folder} --port {port} --tag {entry.tag}",
        f"mbpoll -m tcp -a {device.unit_id} -p {port} -0 -r {entry.address} -c 1 -t {kind} -1 {LOOPBACK}",
    ]
