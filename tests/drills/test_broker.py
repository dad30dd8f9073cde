"""The broker dies, the network is cut, a second service appears: everything comes, once, and as old as it is."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.drills.conftest import METERS

if TYPE_CHECKING:
    from tests.drills.conftest import Drill, Life

pytestmark = pytest.mark.peer("mosquitto")

KEPT_AT_EACH_CHANGE = ("persistence true", "autosave_on_changes true", "autosave_interval 1", "allow_anonymous true")
BROKER_CONNECTED, CLIENT_CONTESTED = 1 << 0, 1 << 5  # of the state
AGES = range(101, 101 + 16 * METERS, 16)  # registers


def ages(life: Life) -> list[int]:
    """Each meter's age in seconds."""
    return [life.client.registers(at, 1)[0] for at in AGES]


def test_a_broker_that_is_killed_under_way_loses_nothing_the_service_had_and_what_it_loses_is_counted(
    drill: Callable[..., Drill],
    until: Callable[..., Any],
) -> None:
    there = drill(*KEPT_AT_EACH_CHANGE)
    life = there.begin()
    polling = there.poll()
    there.nodes.client.reconnect_delay_set(1, 1)
    sent = []
    burst = 12 * METERS
    for killed in range(3):
        for number in range(killed * burst, (killed + 1) * burst):
            message = there.build_uplink(number // METERS + 1, number % METERS)
            sent.append(there.nodes.client.publish("lns/alder-fen/node/up", message, qos=1))
        there.broker.kill()
        until(lambda: not life.client.figure("state") & BROKER_CONNECTED, what="bit 0 of the state off")
        there.broker.start()
        until(lambda: life.client.figure("state") & BROKER_CONNECTED, what="the broker found again")
        until(there.nodes.client.is_connected, what="the nodes' network connected again")
    for each in sent:
        each.wait_for_publish(30)
        assert each.is_published()
    there.report(3 * burst // METERS + 1)
    kept = there.kept
    newest = f"SELECT count(*) FROM uplink WHERE counter = {3 * burst // METERS + 1}"
    until(lambda: kept.rows() and kept.ask(newest) == [(METERS,)], what="the last round in the history")
    assert kept.rows() == kept.distinct()
    assert kept.rows() == life.client.figure("uplinks_accepted") + life.client.figure("uplinks_late")
    high, low = life.client.registers(24, 2)
    assert high << 16 | low == 3 * burst + METERS - kept.rows(), "what went with the broker is not counted as lost"
    assert polling.cut == 0


@dataclass
class Line:
    """A network line to a port here that can be cut without a word, by stopping what forwards."""

    here: int
    wire: subprocess.Popen[bytes] | None = None

    def lay(self, to: int) -> int:
        """Lay it; returns the port of its near end."""
        ends = [f"TCP-LISTEN:{self.here},bind=127.0.0.1,fork,reuseaddr", f"TCP:127.0.0.1:{to}"]
        self.wire = subprocess.Popen(["socat", *ends], stderr=subprocess.DEVNULL)
        return self.here

    def cut(self) -> None:
        self._signal(signal.SIGSTOP)

    def mend(self) -> None:
        self._signal(signal.SIGCONT)

    def take_up(self) -> None:
        """Remove it."""
        if self.wire:
            self._signal(signal.SIGKILL)
            self.wire.wait(10)

    def _signal(self, number: int) -> None:
        """Send a signal to what listens, and to what it has started for each connection."""
        assert self.wire
        pid = self.wire.pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        for each in (pid, *map(int, children)):
            os.kill(each, number)


@pytest.fixture
def line(new_port: Callable[[], int]) -> Iterator[Line]:
    laid = Line(new_port())
    yield laid
    laid.take_up()


@pytest.mark.peer("socat")
def test_uplinks_that_wait_behind_a_cut_line_arrive_as_old_as_they_are(
    drill: Callable[..., Drill],
    until: Callable[..., Any],
    line: Line,
) -> None:
    there = drill(*KEPT_AT_EACH_CHANGE, through=line.lay, keepalive=5)
    life = there.begin(within=30)
    polling = there.poll()
    there.report(1, ago=1000)
    until(lambda: life.heard() == METERS, what="the first round")
    line.cut()
    for counter in range(2, 12):
        there.report(counter, ago=1000 - 10 * counter)
    until(lambda: not life.client.figure("state") & BROKER_CONNECTED, 20, "bit 0 of the state off")
    assert min(ages(life)) >= 1000
    line.mend()
    until(lambda: life.client.figure("uplinks_accepted") == 11 * METERS, 30, "what had waited")
    assert min(ages(life)) >= 890
    before = time.monotonic(), ages(life)
    for counter in (9, 10, 11):
        there.report(counter, ago=1000 - 10 * counter)
    until(lambda: life.client.figure("uplinks_duplicate") >= 3 * METERS, what="the doubles")
    for then, now in zip(before[1], ages(life), strict=True):
        assert then <= now <= then + time.monotonic() - before[0] + 1
    kept = there.kept
    until(lambda: kept.rows() >= 11 * METERS, what="all in the history")
    assert kept.rows() == kept.distinct() == 11 * METERS
    assert polling.cut == 0


def test_a_backlog_with_doubles_and_retained_messages_is_counted_once(
    drill: Callable[..., Drill],
    until: Callable[..., Any],
) -> None:
    there = drill()
    first = there.begin()
    first.stop()
    for number in range(10):
        there.nodes.send(
            there.build_uplink(9000 + number, flow=999), topic=f"lns/alder-fen/kept-{number}/up", retain=True
        )
    backlog = []
    for number in range(5000):
        message = there.build_uplink(
            number // METERS + 1, number % METERS, ago=600 - number / 10, flow=number % 1000, volume=number
        )
        backlog += [message, message] if number % 10 == 0 else [message]
    there.nodes.send(*backlog)
    life = there.again()
    polling = there.poll()
    # The ten that were published while the session stood come live; the broker hands them on as retained at subscribe.
    until(lambda: life.heard() >= 5500 + 10, 30, "the backlog")
    kept = there.kept
    until(lambda: kept.distinct() >= 5000, what="all in the history")
    assert life.client.figure("uplinks_duplicate") >= 500
    assert kept.rows() == kept.distinct()
    assert kept.ask("SELECT count(DISTINCT counter || '/' || node) FROM uplink WHERE counter < 9000") == [(5000,)]
    assert polling.cut == 0


def test_two_services_of_one_client_id_share_the_uplinks_and_neither_counts_one_twice(
    drill: Callable[..., Drill],
    until: Callable[..., Any],
) -> None:
    there = drill()
    other = drill(on=there.broker, name="other")
    life = there.begin()
    second = other.again()
    for number in range(0, 2000, 100):
        messages = [
            there.build_uplink(each // METERS + 1, each % METERS, flow=1, volume=1)
            for each in range(number, number + 100)
        ]
        there.nodes.send(*messages)
        time.sleep(0.1)  # so that they take the session from each other while uplinks come
    mine, its = there.kept, other.kept

    def keys() -> set[tuple[Any, ...]]:
        both: set[tuple[Any, ...]] = set()
        for each in (mine, its):
            if each.path.exists():
                both |= set(each.ask("SELECT deveui, counter FROM uplink JOIN node ON node.id = uplink.node"))
        return both

    until(lambda: len(keys()) == 2000, 30, "every uplink in one of the histories")
    assert mine.rows() == mine.distinct()
    assert its.rows() == its.distinct()
    for each, its_own in ((life, mine), (second, its)):
        taken = each.client.figure("uplinks_accepted") + each.client.figure("uplinks_late")
        until(lambda: (its_own.rows() if its_own.path.exists() else 0) == taken, what="what it took in its history")  # noqa: B023 - called at once
        until(lambda: each.client.figure("state") & CLIENT_CONTESTED, 30, "bit 5 of the state")  # noqa: B023 - as above
    contested = "SELECT count(*) FROM event WHERE event = 'client id contested'"
    until(lambda: mine.ask(contested) == its.ask(contested) == [(1,)], what="it in both journals")


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
