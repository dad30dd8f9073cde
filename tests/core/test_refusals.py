"""Refusals are all counted, and journalled once a minute for each kind and host."""

from __future__ import annotations

import pytest

from aggregator.core.keeping import KeptEvent
from aggregator.core.outbox import Outbox
from aggregator.core.reading import Now
from aggregator.core.refusals import Refusals, Refused
from aggregator.core.repeats import QUIET_FOR


@pytest.fixture
def outbox() -> Outbox:
    return Outbox()


def journal(outbox: Outbox) -> list[tuple[str, str, object]]:
    rows = [kept for kept in outbox.take() if isinstance(kept, KeptEvent)]
    return [(row.event, row.who, row.facts.get("repeated")) for row in rows]


def later(start: Now, seconds: float) -> Now:
    return Now(start.monotonic + seconds, start.utc + seconds)


def test_a_flood_of_refusals_is_counted_whole_and_is_two_lines(outbox: Outbox, start: Now) -> None:
    refusals = Refusals(outbox)
    for at in range(1000):
        refusals.refuse(Refused.NETWORK, "192.0.2.7", {"listener": "502"}, later(start, at / 100))
    assert refusals.counts == {Refused.NETWORK: 1000}
    refusals.tick(later(start, QUIET_FOR - 1))
    assert journal(outbox) == [("connection refused", "192.0.2.7", None)]
    refusals.tick(later(start, QUIET_FOR))
    assert journal(outbox) == [("connection refused", "192.0.2.7", 999)]


def test_another_host_and_another_kind_have_lines_of_their_own(outbox: Outbox, start: Now) -> None:
    refusals = Refusals(outbox)
    for refused in (Refused.NETWORK, Refused.WRITE):
        for host in ("192.0.2.7", "192.0.2.8"):
            refusals.refuse(refused, host, {}, start)
    assert len(journal(outbox)) == 4
