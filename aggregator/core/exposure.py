"""Exposure: time-weighted averages of irregular samples, and mixtures of gases that act alike.

    concentration   |   +-----+           each sample holds until the next one comes,
                    |   |     +---+       but no longer than `hold`: then nothing is known,
                    |---+     |   |  ...  and the time counts as uncovered
                    +---------------> time
                          window    now

29 CFR 1910.1000(d)(1): E = (C1 T1 + C2 T2 + ... + Cn Tn) / 8, time without exposure counting as zero. Time of which
nothing is known counts as zero there as well, which would flatter a radio that was out of reach; so an average always
comes with the share of the window that is really covered. (d)(2): for a mixture, Em = C1/L1 + C2/L2 + ... + Cn/Ln,
to stay below 1.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from typing import NamedTuple


class Average(NamedTuple):
    """A time-weighted average in the samples' unit, and the share of its window that samples cover, 0 to 1."""

    value: float
    covered: float


class Exposure:
    """The samples of one field over the longest window that is asked of it. Times are monotonic seconds."""

    __slots__ = ("_at", "_values", "hold", "longest")

    def __init__(self, longest: float, hold: float) -> None:
        self.longest = longest
        self.hold = hold  # s that a sample is taken to hold on
        self._at: list[float] = []
        self._values: list[float | None] = []

    def add(self, at: float, value: float | None) -> None:
        """Add a sample, whenever it comes; None is a sensor that cannot measure. One of the same moment is replaced."""
        place = bisect_left(self._at, at)
        if place < len(self._at) and self._at[place] == at:
            self._values[place] = value
            return
        self._at.insert(place, at)
        self._values.insert(place, value)
        # The sample before the window's beginning still holds into it.
        old = bisect_left(self._at, self._at[-1] - self.longest) - 1
        if old > 0:
            del self._at[:old], self._values[:old]

    def samples(self) -> Iterator[tuple[float, float | None]]:
        """Every sample it still needs, oldest first."""
        return zip(self._at, self._values, strict=True)

    def average(self, window: float, now: float) -> Average:
        """The average over the last `window` seconds."""
        begin, total, covered = now - window, 0.0, 0.0
        for number, (at, value) in enumerate(zip(self._at, self._values, strict=True)):
            following = self._at[number + 1] if number + 1 < len(self._at) else now
            start, end = max(at, begin), min(following, at + self.hold, now)
            if value is not None and end > start:
                total += value * (end - start)
                covered += end - start
        return Average(total / window, covered / window)

    def highest(self, window: float, now: float) -> float | None:
        """The highest value that held at any moment of the last `window` seconds; None where nothing is known."""
        begin = now - window
        following = [*self._at[1:], now]
        pairs = zip(self._at, following, self._values, strict=True)
        held = [value for at, end, value in pairs if value is not None and min(end, at + self.hold) >= begin]
        return max(held, default=None)


def mixture(shares: Iterable[tuple[float, float]]) -> float:
    """The equivalent exposure of gases that act alike: each concentration over its limit, summed; to stay below 1."""
    return sum(concentration / limit for concentration, limit in shares)
