"""The service is killed, again and again, while nodes report: nothing is lost, doubled, or shown as fresh."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.core.reading import Reason

if TYPE_CHECKING:
    from tests.drills.conftest import History, Life, Pollers
    from tests.edges.conftest import Broker, Caller, Publisher

pytestmark = pytest.mark.peer("mosquitto")

KILLS = 50
UPLINKS = 20_000
METERS = 8


def test_fifty_kills_lose_none_of_twenty_thousand_uplinks_and_store_none_twice(
    broker: Callable[..., Broker],
    publisher: Callable[[Broker], Publisher],
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    history: Callable[[Path], History],
    pollers: Callable[..., Pollers],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
    record_property: Callable[[str, object], None],
) -> None:
    seed = time.time_ns()
    print(f"random moments from {seed}")
    moments = random.Random(seed)
    there = broker("persistence true", "allow_anonymous true")
    folder, port = small(there.port)
    nodes = publisher(there)
    life = live(folder, port)
    until(there.subscriptions, what="the subscription")
    polling = pollers(port)
    stream = uplinks(uplink)
    sent = []
    untouched = 0
    began = time.monotonic()
    for _ in range(KILLS):
        burst = [next(stream) for _ in range(UPLINKS // KILLS)]
        sent += [nodes.client.publish("lns/alder-fen/node/up", each, qos=1) for each in burst]
        time.sleep(moments.uniform(0, 0.15))  # the moment of the kill is what this drill draws by lot
        life.kill()
        life = live(folder, port)
        untouched += first_poll_shows_nothing_restored_as_good(life.client)
    took = time.monotonic() - began
    for each in sent:
        each.wait_for_publish(30)
    kept = history(folder)
    until(lambda: kept.rows() >= UPLINKS, 30, "the last uplink in the history")
    assert kept.distinct() == UPLINKS
    assert kept.rows() == UPLINKS
    assert untouched >= KILLS // 2, "the first polls came too late to see what was restored"
    assert polling.cut <= 6 * KILLS  # one that connects while the process is being torn down is cut once more
    record_property("kills", f"{KILLS} kills in {took:.1f} s; {untouched} first polls before any uplink")
    print(f"{KILLS} kills in {took:.1f} s; {untouched} first polls before any uplink")


def uplinks(uplink: Callable[..., bytes]) -> Iterator[bytes]:
    for number in range(UPLINKS):
        yield uplink(number // METERS + 1, meter=number % METERS, flow=number % 1000, volume=number)


def first_poll_shows_nothing_restored_as_good(client: Caller) -> bool:
    """Whether nothing had come from the broker yet, so that all that was shown was restored."""
    began = time.monotonic()
    gateway = client.registers(0, 40)
    meters = client.registers(100, 125)
    assert time.monotonic() - began < 1.0
    for status in meters[::16]:
        assert status & 3 != 1 or not status & Reason.RESTORED, "restored, and shown as good"
    nothing_came = gateway[16] == gateway[17] == gateway[20] == gateway[21] == 0
    if nothing_came:
        assert gateway[7] == 0, "a meter is good although nothing has come since the start"
    return nothing_came


@pytest.mark.parametrize("dated", [True, False], ids=["dated by the network", "not dated"])
def test_what_was_stored_but_not_acknowledged_is_not_counted_again(
    dated: bool,
    broker: Callable[..., Broker],
    publisher: Callable[[Broker], Publisher],
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    history: Callable[[Path], History],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
) -> None:
    """The worst moment for a kill: all is on disk, and the broker has been told of none of it."""
    there = broker("persistence true", "allow_anonymous true")
    folder, port = small(there.port)
    mute = live(folder, port, "import aggregator.keeper; aggregator.keeper.Receipt.give = lambda self: None")
    until(there.subscriptions, what="the subscription")
    messages = [
        uplink(counter, meter, flow=counter, volume=counter) for counter in range(1, 26) for meter in range(METERS)
    ]
    if not dated:
        messages = [each.replace(b'"received_at"', b'"not_kept"') for each in messages]
    publisher(there).send(*messages)
    kept = history(folder)
    until(lambda: kept.rows() >= len(messages), what="all in the history")
    mute.kill()
    awake = live(folder, port)
    until(lambda: awake.heard() >= len(messages), what="all of them once more")
    assert awake.client.figure("meters_good") == 0, "a message that came again has freshened a meter"
    awake.stop()
    assert kept.rows() == kept.distinct() == len(messages)
