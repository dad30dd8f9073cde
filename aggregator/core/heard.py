"""Nodes that are heard and sit on no meter: since when, how well, and what they last sent.

Their messages are set aside in the store like all that cannot be taken, and after a restart this is made of those. Both
are bounded: a broker that serves other sites too may carry any number of nodes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from aggregator.core.uplink import NO_RADIO, Radio, Uplink

MOST_NODES = 300  # the ones heard last
NEWEST = 5  # uplinks of each that can be looked at
LARGEST = 8192  # bytes of a message whose uplink is kept; a network server's JSON around 242 bytes is smaller


class HeardUplink(NamedTuple):
    """An uplink as it came, and when it arrived (UTC s)."""

    at: float
    topic: str
    uplink: Uplink


@dataclass(slots=True)
class HeardNode:
    """A node as it was heard. `first` and `last` are UTC s; `radio` is of its last uplink, `newest` at the end."""

    node: str
    first: float
    last: float
    count: int = 0
    radio: Radio = NO_RADIO
    newest: deque[HeardUplink] = field(default_factory=lambda: deque(maxlen=NEWEST))


class HeardNodes:
    """The nodes that sit on no meter, those heard longest ago first."""

    def __init__(self) -> None:
        self._nodes: dict[str, HeardNode] = {}

    def __len__(self) -> int:
        return len(self._nodes)

    def __iter__(self) -> Iterator[HeardNode]:
        """The one heard last comes first."""
        return reversed(self._nodes.values())

    def get(self, node: str) -> HeardNode | None:
        return self._nodes.get(node)

    def note(self, topic: str, uplink: Uplink, size: int, at: float) -> None:
        """A node that sits on no meter was heard, at `at` (UTC s), by a message of `size` bytes."""
        known = self._nodes.pop(uplink.node, None) or HeardNode(uplink.node, at, at)
        known.last = max(known.last, at)
        known.count += 1
        known.radio = uplink.radio
        if size <= LARGEST:
            known.newest.append(HeardUplink(at, topic, uplink))
        self._nodes[uplink.node] = known
        if len(self._nodes) > MOST_NODES:
            del self._nodes[next(iter(self._nodes))]

    def forget(self, node: str) -> HeardNode | None:
        """The node sits on a meter from now on. Returns what was known of it."""
        return self._nodes.pop(node, None)
