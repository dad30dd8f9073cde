"""Nodes that sit on no meter, and how many of them are known."""

from __future__ import annotations

from aggregator.core.heard import LARGEST, MOST_NODES, NEWEST, HeardNodes
from aggregator.core.uplink import Radio, Uplink


def uplink(node: int, counter: int = 1, rssi: float = -100.0) -> Uplink:
    return Uplink(f"{node:016x}", counter, 2, None, None, None, b"\x01", Radio(rssi))


def test_the_node_heard_last_comes_first() -> None:
    heard = HeardNodes()
    for at, node in enumerate((1, 2, 3, 1)):
        heard.note("lns/a/up", uplink(node), 100, float(at))
    assert [int(each.node, 16) for each in heard] == [1, 3, 2]
    first = heard.get(f"{1:016x}")
    assert first is not None
    assert (first.first, first.last, first.count) == (0.0, 3.0, 2)


def test_any_number_of_nodes_take_bounded_room() -> None:
    heard = HeardNodes()
    for at in range(MOST_NODES + 10):
        for counter in range(NEWEST + 2):
            heard.note("lns/a/up", uplink(at, counter), 100, float(at))
    assert len(heard) == MOST_NODES
    assert heard.get(f"{9:016x}") is None
    known = heard.get(f"{10:016x}")
    assert known is not None
    assert (known.count, [each.uplink.counter for each in known.newest]) == (NEWEST + 2, [2, 3, 4, 5, 6])


def test_a_message_too_large_to_be_looked_at_counts_all_the_same() -> None:
    heard = HeardNodes()
    heard.note("lns/a/up", uplink(1, rssi=-80.0), LARGEST + 1, 1.0)
    (node,) = heard
    assert (node.count, node.radio.rssi, list(node.newest)) == (1, -80.0, [])


def test_a_node_that_sits_on_a_meter_is_forgotten() -> None:
    heard = HeardNodes()
    heard.note("lns/a/up", uplink(1), 100, 1.0)
    assert heard.forget(f"{1:016x}") is not None
    assert heard.forget(f"{1:016x}") is None
    assert len(heard) == 0
