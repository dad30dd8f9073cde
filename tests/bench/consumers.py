"""The consumers that uplinks are measured with: `python -m tests.bench.consumers KIND FOLDER COUNT`.

Each is a process of its own. It resumes a session that holds COUNT messages, takes them all and prints one JSON line:

    durable   the whole service: broker link, site, image, register server and store
    readable  the same with the store left out
    link      the same broker link on the same loop, with a callback that only counts
    thread    the client library as it comes: its own thread, automatic acknowledgement, a callback that only counts
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as mqtt
import uvloop
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from aggregator import logs
from aggregator.clock import Clock
from aggregator.config.configuration import Configuration, load
from aggregator.core.keeping import Kept
from aggregator.daemon import Service
from aggregator.declared import broker_of
from aggregator.mqtt import AT_ONCE, Broker, BrokerLink
from tests.bench.processes import LOOPBACK
from tests.bench.sites import CLIENT, TOPIC

WITHIN = 60.0  # s for the whole backlog


class Counted:
    """Counts messages and notes when the first came and the last was done with."""

    def __init__(self, expected: int) -> None:
        self.expected = expected
        self.count = 0
        self._first = (0.0, 0.0)
        self._last = (0.0, 0.0)

    def begin(self) -> None:
        """A message has come."""
        if self.count == 0:
            self._first = (time.perf_counter(), time.process_time())

    def end(self) -> bool:
        """It has been taken. Returns whether it was the last."""
        self.count += 1
        if self.count != self.expected:
            return False
        self._last = (time.perf_counter(), time.process_time())
        return True

    def print(self, **facts: object) -> None:
        """Say how long it took, in seconds of the clock and of the processor."""
        seconds, cpu = (last - first for first, last in zip(self._first, self._last, strict=True))
        print(json.dumps({"count": self.count, "seconds": seconds, "cpu": cpu, **facts}), flush=True)


class CountedService(Service):
    """The service, which stops once it has taken what it was to take.

    An uplink counts once it is acknowledged: judged, in the image and, unless the store is left out, on disk.
    """

    def __init__(self, configuration: Configuration, counted: Counted, *, client: str, stores: bool) -> None:
        self.counted = counted
        broker = replace(broker_of(configuration.service.broker), client=client)
        super().__init__(configuration, broker, Clock(), configuration.data_folder)
        if not stores:
            self.keeper.put = acknowledge_at_once  # type: ignore[method-assign]

    def _take(self, topic: str, payload: bytes, retained: bool, acknowledge: Callable[[], object]) -> None:
        self.counted.begin()

        def count() -> None:
            acknowledge()
            if self.counted.end():
                self.stop()

        super()._take(topic, payload, retained, count)


def acknowledge_at_once(kept: Sequence[Kept], acknowledge: Callable[[], object] | None = None) -> None:
    """In place of the store: what it costs is what this leaves out."""
    if acknowledge is not None:
        acknowledge()


async def service(folder: Path, counted: Counted, *, client: str, stores: bool) -> None:
    serving = CountedService(load(folder), counted, client=client, stores=stores)
    async with asyncio.timeout(WITHIN):
        await serving.run()
    now = serving.clock.now()
    names = ("uplinks_accepted", "uplinks_rejected", "meters_good")
    figures = {name: serving.site.figures.figure(name, now) for name in names}
    counted.print(**figures)


async def durable(folder: Path, counted: Counted) -> None:
    await service(folder, counted, client=CLIENT, stores=True)


async def readable(folder: Path, counted: Counted) -> None:
    await service(folder, counted, client="readable", stores=False)


async def link(folder: Path, counted: Counted) -> None:
    done = asyncio.Event()

    def take(_topic: str, _payload: bytes, _retained: bool, acknowledge: Callable[[], object]) -> None:
        counted.begin()
        acknowledge()
        if counted.end():
            done.set()

    configuration = load(folder)
    topics = [envelope.topic for envelope in configuration.declared.envelopes]
    broker = broker_of(configuration.service.broker)
    bare = BrokerLink(Broker(broker.host, broker.port, client="link"), topics, take, lambda connected: None)
    running = asyncio.create_task(bare.run())
    async with asyncio.timeout(WITHIN):
        await done.wait()
    running.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await running  # so that the last acknowledgements reach the broker
    counted.print()


def thread(folder: Path, counted: Counted) -> None:
    done = threading.Event()

    def take(_client: mqtt.Client, _data: object, _message: mqtt.MQTTMessage) -> None:
        counted.begin()
        if counted.end():
            done.set()

    client = session("thread")
    client.on_message = take
    connect(client, load(folder).service.broker.port)
    client.loop_start()
    if not done.wait(WITHIN):
        raise SystemExit(f"only {counted.count} messages in {WITHIN:.0f} s")
    client.loop_stop()  # it sends the last acknowledgement, which is made after the callback
    client.disconnect()
    counted.print()  # who reads this ends the process


def session(name: str) -> mqtt.Client:
    """A client of MQTT 5 with nothing set but its name."""
    return mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)


def subscribe_all(client: mqtt.Client) -> None:
    """Have a client subscribe to every node's uplinks whenever it has connected."""

    def on_connect(_client: mqtt.Client, _data: object, _flags: object, _code: object, _properties: object) -> None:
        client.subscribe(TOPIC.format("+"), 1)

    client.on_connect = on_connect


def connect(client: mqtt.Client, port: int) -> None:
    """Connect with the session and the window that the broker link uses."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = AT_ONCE
    client.connect(LOOPBACK, port, clean_start=False, properties=properties)


if __name__ == "__main__":
    kind, where, expected = sys.argv[1], Path(sys.argv[2]), Counted(int(sys.argv[3]))
    logs.configure("warning", for_people=True)  # onto stderr; stdout is for the line that is read
    if kind == "thread":
        thread(where, expected)
    else:
        uvloop.run({"durable": durable, "readable": readable, "link": link}[kind](where, expected))
