"""Uplinks: messages a second from the broker into readable registers, beside consumers that only count.

Each round queues one backlog for three sessions at once; the consumers then drain theirs one after the other, with
nothing else running. Each is a process of its own and measures itself, from the first message to the last.
"""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

from paho.mqtt.reasoncodes import ReasonCode

from tests.bench import report
from tests.bench.consumers import connect, session, subscribe_all
from tests.bench.processes import BenchError, broker, free_port, line_of, python, wait_for
from tests.bench.report import Target
from tests.bench.sites import CLIENT, BenchSite, topic, uplink, write_site

METERS = 100
# consumer -> client id, and so its session
KINDS = {"readable": "readable", "durable": CLIENT, "link": "link", "thread": "thread"}
SHOWN = {
    "readable": "readable register",
    "durable": "stored and readable",
    "link": "a: bare broker link",
    "thread": "b: bare subscriber",
}
TARGET = 0.4  # of b's rate


@dataclass(slots=True)
class Figures:
    """What the rounds measured for one consumer, one entry a round."""

    rates: list[float] = field(default_factory=list)
    costs: list[float] = field(default_factory=list)  # processor time a message, in microseconds


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    rounds, count = (1, 1000) if quick else (5, 10_000)
    figures: dict[str, Figures] = defaultdict(Figures)
    with broker(folder) as port:
        site = write_site(folder / "uplinks", METERS, modbus=free_port(), broker=port)
        for name in KINDS.values():
            open_session(name, port)
        for round_ in range(rounds):
            queue_backlog(port, count, first_counter=1 + round_ * count)
            for kind in KINDS:
                drain(figures[kind], kind, site, count, folder / f"{kind}.log")
    notes = (
        f"{count:,} messages of 8 decoded fields from {METERS} meters, QoS 1, MQTT 5; medians over {rounds} rounds",
        "readable: judged and in the registers. stored: committed to disk as well, and only then acknowledged",
        "a: our broker link, which only counts. b: the client library as it comes, which only counts",
        "the backlog stands at the broker before they begin, and it delivers as fast as a takes: it holds up no other",
    )
    columns = ("broker to", "messages/s", "lowest, highest", "to a", "to b", "target", "CPU us", "to b")
    report.table("Uplinks", columns, [row_of(kind, figures) for kind in KINDS], notes)


def row_of(kind: str, figures: dict[str, Figures]) -> list[str | Target]:
    each = figures[kind]
    share = report.ratio(each.rates, figures["thread"].rates)
    return [
        SHOWN[kind],
        f"{report.median(each.rates):,.0f}",
        f"{min(each.rates):,.0f}, {max(each.rates):,.0f}",
        f"{report.ratio(each.rates, figures['link'].rates):.2f}",
        f"{share:.2f}",
        Target(share, TARGET, floor=True) if kind in ("readable", "durable") else "",
        f"{report.median(each.costs):.1f}",
        f"{report.ratio(each.costs, figures['thread'].costs):.2f}",
    ]


def open_session(name: str, port: int) -> None:
    """Have the broker keep messages for a client that is away."""
    client = session(name)
    subscribed: list[list[ReasonCode]] = []
    subscribe_all(client)
    client.on_subscribe = lambda _client, _data, _mid, codes, _properties: subscribed.append(codes)
    connect(client, port)
    client.loop_start()
    wait_for(f"the session of {name}", lambda: bool(subscribed), 5)
    client.disconnect()
    client.loop_stop()
    if any(code.is_failure for code in subscribed[0]):
        raise BenchError(f"the broker refuses the subscription of {name}")


def queue_backlog(port: int, count: int, first_counter: int) -> None:
    """Publish so many messages and wait until the broker has acknowledged them all."""
    client = session("publisher")
    acknowledged: list[int] = []
    client.on_publish = lambda _client, _data, mid, _code, _properties: acknowledged.append(mid)
    client.max_inflight_messages_set(0)
    connect(client, port)
    client.loop_start()
    for at in range(count):
        meter = at % METERS
        client.publish(topic(meter), uplink(meter, first_counter + at // METERS, volume=at), 1)
    wait_for("the broker has the backlog", lambda: len(acknowledged) == count, 30)
    client.disconnect()
    client.loop_stop()


def drain(figures: Figures, kind: str, site: BenchSite, count: int, log: Path) -> None:
    """Let a consumer take what its session holds. Raises BenchError where something is missing or was not taken."""
    with python("tests.bench.consumers", kind, site.folder, count, log=log) as running:
        facts = json.loads(line_of(running, 70))
    if facts["count"] != count or facts.get("uplinks_accepted", count) != count or facts.get("uplinks_rejected", 0):
        raise BenchError(f"{kind} took not all of {count} messages: {facts}")
    figures.rates.append((count - 1) / facts["seconds"])
    figures.costs.append(facts["cpu"] / count * 1e6)
