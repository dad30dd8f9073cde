"""Silence is an event: which meter has to be looked at next, because a reading of it may have gone stale."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator

from aggregator.core.meter import MeterState


class Silence:
    """When to look at each meter.

    An uplink only ever brings a look forward; one that comes too early is put off, so the cost is about one look a
    meter and interval, however many uplinks there are and however many meters keep silent.
    """

    def __init__(self) -> None:
        self._looks: list[tuple[float, str]] = []
        self._holds: dict[str, float] = {}  # by tag, the look that holds; an entry of another instant is passed over

    def heard(self, state: MeterState, since: float) -> None:
        """New readings, as old as `since`, are shown: see to it that the meter is looked at in time."""
        if since + state.shortest_limit < self._holds.get(state.meter.tag, math.inf):
            self.look_at(state)

    def look_at(self, state: MeterState) -> None:
        """Have a meter looked at when its next reading goes stale."""
        tag, due = state.meter.tag, state.next_expiry()
        if due < self._holds.get(tag, math.inf):
            self._holds[tag] = due
            heapq.heappush(self._looks, (due, tag))

    def due(self, monotonic: float) -> Iterator[str]:
        """The tags to look at by now, each once. Call `look_at` again for each."""
        while self._looks and self._looks[0][0] <= monotonic:
            due, tag = heapq.heappop(self._looks)
            if self._holds.get(tag) == due:
                del self._holds[tag]
                yield tag

    def next(self) -> float:
        """The monotonic instant of the next look, infinite where there is none."""
        return self._looks[0][0] if self._looks else math.inf
