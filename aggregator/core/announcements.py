"""When alarms were announced: what the figures of the last minutes and of the last day are counted from."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection

from aggregator.core.alarm import Key

MOST = 65534  # as many as the register that counts them can show
SPARE = 4096  # more that are let stand before the oldest go, so that few announcements have to move the others


class Announcements:
    """Each with its monotonic second and whose it was, the newest last."""

    def __init__(self) -> None:
        self._times: list[float] = []
        self._keys: list[Key] = []

    def add(self, key: Key, monotonic: float) -> None:
        """Note that an alarm is announced."""
        self._times.append(monotonic)
        self._keys.append(key)
        if len(self._times) > MOST + SPARE:
            self._forget_oldest()

    def go_on(self, before: Announcements) -> None:
        """Count on from those of a site that ran before this one."""
        self._times[:0] = before._times
        self._keys[:0] = before._keys
        self._forget_oldest()

    def within(self, seconds: float, monotonic: float, keys: Collection[Key] | None = None) -> int:
        """How many alarms, or of those with these keys, were announced in the last so many seconds; at most `MOST`."""
        since = bisect_right(self._times, monotonic - seconds)
        found = len(self._times) - since if keys is None else sum(key in keys for key in self._keys[since:])
        return min(found, MOST)

    def _forget_oldest(self) -> None:
        del self._times[:-MOST], self._keys[:-MOST]
