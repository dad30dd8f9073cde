"""The broker dies, the network is cut, a second service appears: everything comes, once, and as old as it is."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.drills.conftest import History, Life, Pollers
    from tests.edges.conftest import Broker, Publisher

pytestmark = pytest.mark.peer("mosquitto")

KEPT_BY_THE_BROKER = ("persistence true", "autosave_on_changes true", "autosave_interval 1", "allow_anonymous true")
METERS = 8
BROKER_CONNECTED = 1 << 0
AGES = range(101, 101 + 16 * METERS, 16)  # registers


def ages(life: Life) -> list[int]:
    """Each meter's age in seconds."""
    return [life.client.registers(at, 1)[0] for at in AGES]


def test_a_broker_that_is_killed_under_way_loses_nothing_the_service_had_and_what_it_loses_is_counted(
    broker: Callable[..., Broker],
    publisher: Callable[[Broker], Publisher],
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    history: Callable[[Path], History],
    pollers: Callable[..., Pollers],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
) -> None:
    there = broker(*KEPT_BY_THE_BROKER)
    folder, port = small(there.port)
    life = live(folder, port)
    until(there.subscriptions, what="the subscription")
    polling = pollers(port)
    nodes = publisher(there)
    nodes.client.reconnect_delay_set(1, 1)
    sent = []
    burst = 12 * METERS
    for killed in range(3):
        for number in range(killed * burst, (killed + 1) * burst):
            message = uplink(number // METERS + 1, number % METERS)
            sent.append(nodes.client.publish("lns/alder-fen/node/up", message, qos=1))
        there.kill()
        until(lambda: not life.client.figure("state") & BROKER_CONNECTED, what="bit 0 of the state off")
        there.start()
        until(lambda: life.client.figure("state") & BROKER_CONNECTED, what="the broker found again")
        until(nodes.client.is_connected, what="the nodes' network connected again")
    for each in sent:
        each.wait_for_publish(30)
        assert each.is_published()
    nodes.send(*(uplink(3 * burst // METERS + 1, meter) for meter in range(METERS)))
    kept = history(folder)
    newest = f"SELECT count(*) FROM uplink WHERE counter = {3 * burst // METERS + 1}"
    until(lambda: kept.rows() and kept.ask(newest) == [(METERS,)], what="the last round in the history")
    assert kept.rows() == kept.distinct()
    assert kept.rows() == life.client.figure("uplinks_accepted") + life.client.figure("uplinks_late")
    high, low = life.client.registers(24, 2)
    assert high << 16 | low == 3 * burst + METERS - kept.rows(), "what went with the broker is not counted as lost"
    assert polling.cut == 0


@pytest.fixture
def line(new_port: Callable[[], int]) -> Iterator[Callable[[int], tuple[int, subprocess.Popen[bytes]]]]:
    """A network line to a port here that can be cut without a word, by stopping what forwards."""
    started: list[subprocess.Popen[bytes]] = []

    def lay(to: int) -> tuple[int, subprocess.Popen[bytes]]:
        here = new_port()
        command = ["socat", f"TCP-LISTEN:{here},bind=127.0.0.1,fork,reuseaddr", f"TCP:127.0.0.1:{to}"]
        started.append(subprocess.Popen(command, stderr=subprocess.DEVNULL))
        return here, started[-1]

    yield lay
    for each in started:
        to_all_of(each, signal.SIGKILL)
        each.wait(10)


def to_all_of(wire: subprocess.Popen[bytes], number: int) -> None:
    """Send a signal to what listens, and to what it has started for each connection."""
    children = Path(f"/proc/{wire.pid}/task/{wire.pid}/children").read_text().split()
    for pid in (wire.pid, *map(int, children)):
        os.kill(pid, number)


@pytest.mark.peer("socat")
def test_uplinks_that_wait_behind_a_cut_line_arrive_as_old_as_they_are(
    broker: Callable[..., Broker],
    publisher: Callable[[Broker], Publisher],
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    history: Callable[[Path], History],
    pollers: Callable[..., Pollers],
    line: Callable[[int], tuple[int, subprocess.Popen[bytes]]],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
) -> None:
    there = broker(*KEPT_BY_THE_BROKER)
    near, wire = line(there.port)
    folder, port = small(near, keepalive=5)
    life = live(folder, port)
    until(there.subscriptions, 30, "the subscription")
    polling = pollers(port)
    nodes = publisher(there)
    nodes.send(*(uplink(1, meter, ago=1000) for meter in range(METERS)))
    until(lambda: life.heard() == METERS, what="the first round")
    to_all_of(wire, signal.SIGSTOP)
    for counter in range(2, 12):
        nodes.send(*(uplink(counter, meter, ago=1000 - 10 * counter) for meter in range(METERS)))
    until(lambda: not life.client.figure("state") & BROKER_CONNECTED, 20, "bit 0 of the state off")
    assert min(ages(life)) >= 1000
    to_all_of(wire, signal.SIGCONT)
    until(lambda: life.client.figure("uplinks_accepted") == 11 * METERS, 30, "what had waited")
    assert min(ages(life)) >= 890
    before = time.monotonic(), ages(life)
    nodes.send(*(uplink(counter, meter, ago=1000 - 10 * counter) for counter in (9, 10, 11) for meter in range(METERS)))
    until(lambda: life.client.figure("uplinks_duplicate") >= 3 * METERS, what="the doubles")
    for then, now in zip(before[1], ages(life), strict=True):
        assert then <= now <= then + time.monotonic() - before[0] + 1
    kept = history(folder)
    until(lambda: kept.rows() >= 11 * METERS, what="all in the history")
    assert kept.rows() == kept.distinct() == 11 * METERS
    assert polling.cut == 0


def test_a_backlog_with_doubles_and_retained_messages_is_counted_once(
    broker: Callable[..., Broker],
    publisher: Callable[[Broker], Publisher],
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    history: Callable[[Path], History],
    pollers: Callable[..., Pollers],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
) -> None:
    there = broker("persistence true", "allow_anonymous true")
    folder, port = small(there.port)
    first = live(folder, port)
    until(there.subscriptions, what="the subscription")
    first.stop()
    nodes = publisher(there)
    for number in range(10):
        nodes.send(uplink(9000 + number, flow=999), topic=f"lns/alder-fen/kept-{number}/up", retain=True)
    backlog = []
    for number in range(5000):
        message = uplink(
            number // METERS + 1, number % METERS, ago=600 - number / 10, flow=number % 1000, volume=number
        )
        backlog += [message, message] if number % 10 == 0 else [message]
    nodes.send(*backlog)
    life = live(folder, port)
    polling = pollers(port)
    # The ten that were published while the session stood come live; the broker hands them on as retained at subscribe.
    until(lambda: life.heard() >= 5500 + 10, 30, "the backlog")
    kept = history(folder)
    until(lambda: kept.distinct() >= 5000, what="all in the history")
    assert life.client.figure("uplinks_duplicate") >= 500
    assert kept.rows() == kept.distinct()
    assert kept.ask("SELECT count(DISTINCT counter || '/' || node) FROM uplink WHERE counter < 9000") == [(5000,)]
    assert polling.cut == 0


def test_two_services_of_one_client_id_share_the_uplinks_and_neither_counts_one_twice(
    broker: Callable[..., Broker],
    publisher: Callable[[Broker], Publisher],
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    history: Callable[[Path], History],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
) -> None:
    there = broker("persistence true", "allow_anonymous true")
    folder, port = small(there.port)
    other, other_port = small(there.port, name="other")
    life = live(folder, port)
    until(there.subscriptions, what="the subscription")
    second = live(other, other_port)
    nodes = publisher(there)
    for number in range(0, 2000, 100):
        nodes.send(
            *(uplink(each // METERS + 1, each % METERS, flow=1, volume=1) for each in range(number, number + 100))
        )
        time.sleep(0.1)  # so that they take the session from each other while uplinks come
    mine, its = history(folder), history(other)

    def keys() -> set[tuple[Any, ...]]:
        both: set[tuple[Any, ...]] = set()
        for each in (mine, its):
            if each.path.exists():
                both |= set(each.ask("SELECT deveui, counter FROM uplink JOIN node ON node.id = uplink.node"))
        return both

    until(lambda: len(keys()) == 2000, 30, "every uplink in one of the histories")
    assert mine.rows() == mine.distinct()
    assert its.rows() == its.distinct()
    assert life.client.figure("heartbeat") >= 0
    assert life.events("no broker"), "the log of the first says nothing about the second"
    assert second.client.figure("uplinks_accepted") + life.client.figure("uplinks_accepted") >= 1


def test_a_second_service_on_the_same_data_serves_and_says_that_it_stores_nothing(
    small: Callable[..., tuple[Path, int]], live: Callable[..., Life], until: Callable[..., Any]
) -> None:
    folder, port = small(9)
    life = live(folder, port)
    until(life.is_stored, what="the first storing")
    _, second_port = small(9)  # the same folder, now with another port
    second = live(folder, second_port)
    assert not second.is_stored()
    assert "another store is writing this file" in second.events("nothing is being stored")[0]["reason"]
    life.stop()
    until(second.is_stored, 40, "the second storing once the first has let go")
