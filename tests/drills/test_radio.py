"""A bad day on the radio ends with the same registers as a clean one, and what was lost is counted."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest

from tests.drills.conftest import METERS

if TYPE_CHECKING:
    from tests.drills.conftest import Drill, Life

pytestmark = pytest.mark.peer("mosquitto")

REPORTS = 90  # of each meter, one every quarter of an hour: most of a day
EVERY = 900.0  # s
REJOIN = 60  # the report with which each node's frame counter begins anew
WRAPS_AT = 100_000  # m3
COUNTS = f"volume: {{unit: m3, counts: {{wraps_at: {WRAPS_AT} m3, fastest: 400 m3/h}}}}"
AGE = 1  # the register in each block that differs as the runs do


def day_of(meter: int, uplink: Callable[..., bytes], now: float) -> list[bytes]:
    """A meter's uplinks, none lost. Its counter passes its end in the afternoon."""
    day = []
    for at in range(REPORTS):
        counter = at + 500 if at < REJOIN else at - REJOIN
        volume = (WRAPS_AT - 500 - 10 * meter + 10 * at) % WRAPS_AT
        message = json.loads(uplink(counter, meter, flow=40 + at % 7, volume=volume))
        message["received_at"] = now - 60 - EVERY * (REPORTS - 1 - at)
        day.append(json.dumps(message).encode())
    return day


def spoil(day: list[bytes], chance: random.Random) -> tuple[list[bytes], int]:
    """30 % lost, 10 % doubled, 5 % hours late; also how many were lost.

    The first and last of each session come in time, so that what is missing shows as a gap.
    """
    kept: list[tuple[float, bytes]] = []
    lost = 0
    for at, message in enumerate(day):
        ends = at in {0, REJOIN - 1, REJOIN, REJOIN + 1, REPORTS - 2, REPORTS - 1}
        drawn = 1.0 if ends else chance.random()
        if drawn < 0.30:
            lost += 1
        elif drawn < 0.35:
            last = (REJOIN if at < REJOIN else REPORTS) - 1.5
            kept.append((min(last, at + chance.randint(4, 20)), message))
        else:
            kept += [(float(at), message)] * (2 if drawn < 0.45 else 1)
    return [message for _, message in sorted(kept, key=lambda each: each[0])], lost


def test_a_bad_radio_day_ends_with_the_registers_of_a_clean_one_and_its_losses_counted(
    drill: Callable[..., Drill], uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    chance = random.Random(7)
    now = time.time()
    days = [day_of(meter, uplink, now) for meter in range(METERS)]
    spoilt = [spoil(day, chance) for day in days]
    lost = sum(each for _, each in spoilt)
    roads = {"clean": days, "bad": [day for day, _ in spoilt]}
    registers, totals = {}, {}
    there: Drill | None = None
    for name, messages in roads.items():
        there = drill(on=there and there.broker, name=name, client=name)
        profile = there.folder / "profiles" / "gas-point.yaml"
        profile.write_text(profile.read_text().replace("volume: {unit: m3}", COUNTS))
        life = there.begin()
        polling = there.poll()
        there.nodes.send(*(each for day in messages for each in day))
        sent = sum(map(len, messages))
        until(lambda: life.heard() == sent, what="the whole day")  # noqa: B023 - called at once
        words = life.client.registers(100, 125)
        registers[name] = [word for at, word in enumerate(words) if at % 16 != AGE]
        kept = there.kept
        there.until_kept(METERS * REPORTS - (lost if name == "bad" else 0))
        assert kept.rows() == kept.distinct()
        totals[name] = kept.ask(TOTALS)
        assert lost_of(life) == (lost if name == "bad" else 0)
        assert life.client.figure("uplinks_duplicate") == sent - kept.rows()
        assert polling.cut == 0
        life.stop()
    assert registers["bad"] == registers["clean"]
    assert registers["clean"][0] & 3 == 1, "the last report of the day is good"
    assert totals["bad"] == totals["clean"]
    assert len(totals["clean"]) == METERS
    assert lost > METERS * REPORTS / 5


# Each meter's running total at the end of the day.
TOTALS = """
    SELECT tag, value FROM history WHERE field = 'volume total' AND late = 0
    AND at = (SELECT max(at) FROM history AS newer WHERE newer.tag = history.tag AND newer.late = 0) ORDER BY tag
"""


def lost_of(life: Life) -> int:
    high, low = life.client.registers(24, 2)
    return high << 16 | low
