"""All nodes of a site, and their messages on their way to the broker, in scaled time."""

from __future__ import annotations

import asyncio
import heapq
import itertools
import math
from collections.abc import Callable, Container, Iterator
from dataclasses import replace
from random import Random
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from aggregator.config.configuration import Configuration
from aggregator.core.errors import AggregatorError
from aggregator.core.meter import Meter
from aggregator.core.reading import Now
from aggregator.core.uplink import Envelope
from aggregator.demo.embedded import Access
from aggregator.demo.nodes import Message, Node, Traits, Utc, over_range_field, sends_decoded, sends_raw

SILENT_AFTER = 4  # reporting intervals
OVER_RANGE = (2, 5)  # reporting intervals: from when until when
LOSES_EVERY, DOUBLES_EVERY = 4, 3  # frames
ANSWER_WITHIN = 10.0  # s for the broker to accept or refuse
FIRST_FREE = 0x0A1D_EF00_0000_012D  # DevEUI of the node that sits on no meter, or the next that is free
WAITING = 10_000  # messages kept while the broker is away; then new ones are dropped, as a network would


class NoBroker(AggregatorError):
    """The fleet cannot reach the broker, or is refused by it."""


class Fleet:
    """Every linked meter's node, and one more. The same configuration, seed and times make the same messages.

    `left_out` are the tags of linked meters that no uplink of site.yaml can carry. `unlinked` is a node that sits on no
    meter yet, wired to the first one that has none in the files; None where each has one.
    """

    def __init__(self, configuration: Configuration, utc: Utc, seed: int = 1) -> None:
        declared = configuration.declared
        self.left_out: list[str] = []
        carried: list[tuple[Meter, Envelope]] = []
        for meter in declared.meters:
            envelopes = carriers(meter, declared.envelopes)
            if meter.node is not None and envelopes:
                carried.append((meter, envelopes[len(carried) % len(envelopes)]))
            elif meter.node is not None:
                self.left_out.append(meter.tag)
        self.traits = cast_parts([meter for meter, _ in carried], seed)
        self.nodes = [
            Node(meter, envelope, utc, f"{seed} {meter.tag}", self.traits.get(meter.tag, Traits()))
            for meter, envelope in carried
        ]
        self.unlinked = _unlinked(configuration, utc, seed)

    def messages(self) -> Iterator[Message]:
        """Every message from the beginning on, by time, without end unless all nodes fall silent. Call it once."""
        queue: list[tuple[float, int, Node | Message]] = []
        order = 0
        nodes = self.nodes if self.unlinked is None else [*self.nodes, self.unlinked]
        for order, node in enumerate(nodes):
            heapq.heappush(queue, (node.next_report, order, node))
        while queue:
            _, _, due = heapq.heappop(queue)
            if isinstance(due, Message):
                yield due
                continue
            for message in due.report():
                order += 1
                heapq.heappush(queue, (message.at, order, message))
            if math.isfinite(due.next_report):
                order += 1
                heapq.heappush(queue, (due.next_report, order, due))


def _unlinked(configuration: Configuration, utc: Utc, seed: int) -> Node | None:
    """The node that sits on no meter yet."""
    declared = configuration.declared
    for meter in declared.meters:
        envelopes = carriers(meter, declared.envelopes) if meter.node is None else []
        if envelopes:
            node = free_node({each.node for each in declared.meters})
            return Node(replace(meter, node=node), envelopes[0], utc, f"{seed} {meter.tag}")
    return None


def free_node(taken: Container[str | None]) -> str:
    """A DevEUI that no meter of the files has."""
    return next(node for number in itertools.count(FIRST_FREE) if (node := f"{number:016x}") not in taken)


def carriers(meter: Meter, envelopes: tuple[Envelope, ...]) -> list[Envelope]:
    """The envelopes that can carry a meter's uplinks: raw ones where its profile has a payload, else decoded ones."""
    raw = [envelope for envelope in envelopes if sends_raw(meter.profile, envelope)]
    return raw or [envelope for envelope in envelopes if sends_decoded(meter.profile, envelope)]


def cast_parts(meters: list[Meter], seed: int) -> dict[str, Traits]:
    """Which meters show what can go wrong: at most every other one, each in one part."""
    random = Random(f"{seed} parts")  # noqa: S311 - a simulation, nothing secret
    free = random.sample(meters, len(meters))
    parts: dict[str, Traits] = {}

    def give(fits: Callable[[Meter], bool], traits: Callable[[Meter], Traits]) -> None:
        meter = next((each for each in free if fits(each)), None)
        if meter is not None and 2 * (len(parts) + 1) <= len(meters):
            free.remove(meter)
            parts[meter.tag] = traits(meter)

    begin, end = OVER_RANGE
    give(
        lambda meter: over_range_field(meter.profile) is not None,
        lambda meter: Traits(over_range=(begin * meter.reports_every, end * meter.reports_every)),
    )
    give(lambda _: True, lambda meter: Traits(silent_from=SILENT_AFTER * meter.reports_every))
    give(lambda _: True, lambda _: Traits(loses_every=LOSES_EVERY))
    give(lambda _: True, lambda _: Traits(doubles_every=DOUBLES_EVERY))
    return parts


async def run_fleet(
    configuration: Configuration,
    access: Access,
    *,
    now: Callable[[], Now],
    speed: float = 1.0,
    seed: int = 1,
    sent: Callable[[Message], None] | None = None,
) -> None:
    """Publish the messages of a site's nodes with QoS 1, each at its time, until cancelled or all are silent.

    `now` is the clock that the site runs on, `speed` how many of its seconds pass in a real one; the simulation begins
    at the moment of the call. `sent` hears of each message, on this event loop. Raises NoBroker where the broker does
    not take the fleet in; once connected, a broker that goes away is waited for.
    """
    start = now()
    fleet = Fleet(configuration, lambda seconds: start.utc + seconds, seed)
    client = await connected(access)
    try:
        for message in fleet.messages():
            gone = now().monotonic - start.monotonic
            await asyncio.sleep(max(0.0, (message.at - gone) / speed))
            client.publish(message.topic, message.text, qos=1)
            if sent is not None:
                sent(message)
    finally:
        await disconnected(client)


async def connected(access: Access) -> mqtt.Client:
    """A client that the broker has let in, its network loop on a thread of its own. Raises NoBroker."""
    # The embedded broker speaks MQTT 3.1.1 only, and every other one speaks it too.
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.username_pw_set(access.user, access.password)
    client.max_queued_messages_set(WAITING)
    try:
        async with asyncio.timeout(ANSWER_WITHIN):
            reason = await _answer(client, access)
        if reason.is_failure:
            raise NoBroker(f"the broker at {access.host}:{access.port} refuses the user {access.user}: {reason}.")
    except BaseException as error:
        await disconnected(client)
        if isinstance(error, OSError):  # TimeoutError is one
            what = f"no broker answers at {access.host}:{access.port}: {error or 'no answer in time'}"
            raise NoBroker(f"{what}. Start one, or check address and port.") from error
        raise
    return client


async def _answer(client: mqtt.Client, access: Access) -> ReasonCode:
    """Connect, and wait for what the broker says to it."""
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[ReasonCode] = loop.create_future()

    def take(reason: ReasonCode) -> None:
        if not answer.done():
            answer.set_result(reason)

    def on_connect(_client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        loop.call_soon_threadsafe(take, reason)

    client.on_connect = on_connect
    await asyncio.to_thread(client.connect, access.host, access.port)
    client.loop_start()
    return await answer


async def disconnected(client: mqtt.Client) -> None:
    """Leave the broker and end the client's thread."""
    client.disconnect()
    await asyncio.to_thread(client.loop_stop)
