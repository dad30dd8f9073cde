"""The whole thing on a desk: embedded broker, simulated nodes, and the real service between them and plant software."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from aggregator.clock import FastClock
from aggregator.config.configuration import Configuration
from aggregator.config.files import WebKeys
from aggregator.core.address_map import Shows, Table
from aggregator.core.encoding import Order
from aggregator.core.site import Site
from aggregator.daemon import Service
from aggregator.demo.embedded import LOOPBACK, MQTT_VERSION, Access, embedded_broker
from aggregator.demo.fleet import Fleet, run_fleet
from aggregator.demo.label import label_of
from aggregator.mqtt import Broker, Secret

REFRESH = 0.5  # s between two looks at the site


@dataclass(frozen=True, slots=True)
class Play:
    """How the demonstration runs. `lasts` (real seconds) is None until it is stopped; `data` is a folder of its own."""

    speed: float
    seed: int
    port: int
    pages: int
    lasts: float | None
    data: Path


Look = Callable[[Service], None]
Looks = tuple[Look, Look, Look]
"""Shows the running site; called every half second on the service's own loop."""


async def perform(configuration: Configuration, play: Play, started: Look, look: Look, ended: Look) -> None:
    """Run a site with simulated nodes until it is stopped, or its time is up.

    Raises AggregatorError where the broker cannot start or the port is taken.
    """
    configuration = on_loopback(configuration, play.port, play.pages)
    clock = FastClock(play.speed)
    async with embedded_broker() as access:
        service = Service(configuration, broker_at(access), clock, play.data)
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


def on_loopback(configuration: Configuration, port: int, pages: int) -> Configuration:
    """The same site with one listener, and pages that anybody may look at, on this machine only."""
    listener = configuration.service.listeners[0].model_copy(
        update={"tcp": (LOOPBACK, port), "serial": None, "tls": None}
    )
    web = WebKeys.model_validate({"at": f"{LOOPBACK}:{pages}", "open_to_look": "yes"})
    service = configuration.service.model_copy(update={"listeners": [listener], "web": web})
    return replace(configuration, service=service)


def broker_at(access: Access) -> Broker:
    """How the service reaches the embedded broker."""
    return Broker(access.host, access.port, MQTT_VERSION, "aggregator-demo", access.user, Secret(access.password))


class Headline:
    """What is shown above the site: what it is, and what to type or open from a second terminal.

    `program` is how this program was called.
    """

    def __init__(self, configuration: Configuration, play: Play, program: str) -> None:
        self._configuration = configuration
        self._play = play
        self._program = program
        fleet = Fleet(configuration, lambda seconds: seconds, play.seed)
        left_out = ", ".join(fleet.left_out)
        self._silent = [f"No uplink of site.yaml carries {left_out}; they stay silent."] if left_out else []
        self._unlinked = fleet.unlinked

    def lines(self, service: Service) -> list[str]:
        """The lines that are of use as the running site now stands."""
        configuration, play = self._configuration, self._play
        return [
            f"{configuration.declared.name}, simulated; time runs {play.speed:g} times as fast. Ctrl-C ends it.",
            "Monitoring, not a safety function. To poll it from a second terminal:",
            *(f"  {line}" for line in poll_lines(configuration, play.port, self._program)),
            f"Pages to look at: http://{LOOPBACK}:{play.pages}/",
            *first_lines(service),
            *(f"  {line}" for line in self._asking("alarms")),
            *self._link_lines(service.site),
            *self._silent,
        ]

    def _link_lines(self, site: Site) -> list[str]:
        """How to link the node that sits on no meter; nothing once it does, or its meter has another."""
        if self._unlinked is None:
            return []
        tag, node = self._unlinked.meter.tag, self._unlinked.node
        if node in site.by_node or site.states[tag].node is not None:
            return []
        return [
            f"{tag} has no node yet. One that fits: {label_of(node)}",
            "  Link it under Linking" + "".join(f", or: {line}" for line in self._asking("link", tag, node)),
        ]

    def _asking(self, *words: str) -> list[str]:
        """The line that asks the demonstration; none where the site says itself where its data stand."""
        if self._configuration.service.storage.folder:
            return []
        asked = f"{self._program} {' '.join(words)} --site {self._configuration.folder}"
        return [f"STATE_DIRECTORY={self._play.data} {asked}"]


def first_lines(service: Service) -> list[str]:
    """Where the first person is set up, and with which code; nothing once there is one."""
    server = service.front.server
    code = server.first_code if server is not None else None
    if server is None or code is None:
        return []
    return [f"  To act there, open {server.url}first with the code {code}"]


def poll_lines(configuration: Configuration, port: int, program: str) -> list[str]:
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
