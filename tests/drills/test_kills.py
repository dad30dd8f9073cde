"""The service is killed, again and again, while nodes report: nothing is lost, doubled, or shown as fresh."""

from __future__ import annotations

import itertools
import json
import random
import struct
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.core.reading import Reason
from tests.drills.conftest import METERS, undated

if TYPE_CHECKING:
    from tests.drills.conftest import Drill, History
    from tests.edges.caller import Caller

pytestmark = pytest.mark.peer("mosquitto")

KILLS = 50
UPLINKS = 20_000


def test_fifty_kills_lose_none_of_twenty_thousand_uplinks_and_store_none_twice(
    drill: Callable[..., Drill],
    until: Callable[..., Any],
    record_property: Callable[[str, object], None],
) -> None:
    seed = time.time_ns()
    print(f"random moments from {seed}")
    moments = random.Random(seed)
    there = drill()
    life = there.begin()
    polling = there.poll()
    stream = uplinks(there.build_uplink)
    sent = []
    untouched = 0
    began = time.monotonic()
    for _ in range(KILLS):
        burst = [next(stream) for _ in range(UPLINKS // KILLS)]
        sent += [there.nodes.client.publish("lns/alder-fen/node/up", each, qos=1) for each in burst]
        time.sleep(moments.uniform(0, 0.15))  # the moment of the kill is what this drill draws by lot
        life.kill()
        life = there.again()
        untouched += first_poll_shows_nothing_restored_as_good(life.client)
    took = time.monotonic() - began
    for each in sent:
        each.wait_for_publish(30)
    kept = there.kept
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
    drill: Callable[..., Drill],
    until: Callable[..., Any],
) -> None:
    """The worst moment for a kill: all is on disk, and the broker has been told of none of it."""
    there = drill()
    mute = there.begin("import aggregator.keeper; aggregator.keeper.Receipt.give = lambda self: None")
    rounds = [there.round(counter, flow=counter, volume=counter) for counter in range(1, 26)]
    messages = list(itertools.chain(*rounds)) if dated else undated(list(itertools.chain(*rounds)))
    there.nodes.send(*messages)
    kept = there.kept
    until(lambda: kept.rows() >= len(messages), what="all in the history")
    mute.kill()
    awake = there.again()
    until(lambda: awake.heard() >= len(messages), what="all of them once more")
    assert awake.client.figure("meters_good") == 0, "a message that came again has freshened a meter"
    awake.stop()
    assert kept.rows() == kept.distinct() == len(messages)


ALARM = "{field: flow, high: 100 m3/h, deadband: 5 m3/h, priority: high, latches: yes, may_be: 50 .. 200 m3/h}"
ALARM_POINT = """\
  alarm-point:
    input: {0: {alarm_state: flow high}, 1: {setpoint_of: flow high}}
    holding: {0: {setpoint_of: flow high}}
    coil: {0: acknowledge}
devices:
"""
ALARM_POINTS = """\
    place:
      - layout: alarm-point
        input: {from: 20000, every: 3}
        holding: {from: 35000, every: 2}
        coil: {from: 20000, every: 1}
        meters: [FT-101, FT-102, FT-103, FT-104, FT-105, FT-106, FT-107, FT-108]
"""
UNACKNOWLEDGED, ACKNOWLEDGED = 2, 3  # of the states, as config/README.md numbers them
LIVES = 16


def alarms_by_registers(client: Caller) -> dict[str, tuple[bool, float]]:
    """Whether each meter's alarm is acknowledged, and its limit."""
    words = client.registers(20000, 3 * METERS)
    found = {}
    for meter in range(METERS):
        state, *limit = words[3 * meter : 3 * meter + 3]
        assert state in {UNACKNOWLEDGED, ACKNOWLEDGED}, "a kill has ended an alarm"
        found[f"FT-{101 + meter}"] = state == ACKNOWLEDGED, struct.unpack(">f", struct.pack(">2H", *limit))[0]
    return found


def alarms_by_journal(kept: History) -> dict[str, tuple[bool, float]]:
    """The same, by what the journal says of each."""
    found = {f"FT-{101 + meter}": (False, 100.0) for meter in range(METERS)}
    for event, tag, facts in kept.ask("SELECT event, tag, facts FROM event ORDER BY id"):
        if event == "alarm acknowledged":
            found[tag] = True, found[tag][1]
        elif event == "setpoint changed":
            found[tag] = found[tag][0], json.loads(facts)["new"]
    return found


def test_kills_amid_acknowledging_and_setting_leave_registers_and_journal_telling_the_same(
    drill: Callable[..., Drill],
    until: Callable[..., Any],
    record_property: Callable[[str, object], None],
) -> None:
    """What is written just before a kill has happened whole or not at all; no alarm is lost or acknowledged by it."""
    seed = time.time_ns()
    print(f"random moments from {seed}")
    chance = random.Random(seed)
    everybody = "allow: [{from: any, may: [read, acknowledge, command]}]"
    there = drill(alarms=ALARM, allow=everybody)
    map_file = there.folder / "map.yaml"
    text = map_file.read_text().replace("devices:\n", ALARM_POINT).replace("    place:\n", ALARM_POINTS)
    map_file.write_text(text)
    kept, life = there.kept, there.begin()
    there.report(1, flow=300, volume=1)
    raised = "SELECT count(*) FROM event WHERE event = 'alarm raised'"
    until(lambda: kept.rows() == METERS and kept.ask(raised) == [(METERS,)], what="all alarms in the journal")
    lost = 0
    for number in range(LIVES):
        before = alarms_by_registers(life.client)
        meter, limit = number % METERS, 60.0 + number
        tag = f"FT-{101 + meter}"
        life.client.ask(struct.pack(">BHHBf", 16, 35000 + 2 * meter, 2, 4, limit))
        life.client.ask(struct.pack(">BHH", 5, 20000 + meter, 0xFF00))
        assert alarms_by_registers(life.client)[tag] == (True, limit)
        time.sleep(chance.uniform(0, 0.004))  # the moment of the kill is what this drill draws by lot
        life.kill()
        life = there.again()
        shown = alarms_by_registers(life.client)
        assert shown == alarms_by_journal(kept)
        was = before.pop(tag)
        assert shown.pop(tag) in {was, (was[0], limit), (True, limit)}
        assert shown == before, "a write to one alarm has changed another"
        lost += was != (True, limit) and alarms_by_journal(kept)[tag] == was
    record_property("kills", f"{lost} of {LIVES} writes came too late to be kept")
    print(f"{lost} of {LIVES} writes came too late to be kept")
    until(life.is_stored, what="the last life storing")
    life.client.ask(struct.pack(">BHHBf", 16, 35000, 2, 4, 199.0))
    until(lambda: alarms_by_journal(kept)["FT-101"][1] == 199.0, what="a change in the journal")
    life.kill()
    assert alarms_by_registers(there.again().client)["FT-101"][1] == 199.0, "what was on disk is exact"
