"""A running total that carries on across wrap, reset, swap and restart of the meter's own counter.

    meter's counter   ... 99 999 996   99 999 998         3          ->  wrapped at 10^8: 5 more
    meter's counter   ... 48 213       48 214       12    14         ->  began anew: a single odd value is held, the
                                                                         second confirms it, and only what grew counts

A wrap is believed only where the counter stood near its end and could have come round in the time that passed; a
counter that falls otherwise was reset or belongs to another meter. What was used up unseen in between cannot be known
and is not invented: the total stands still for that step and the journal says so. Totals never fall and are kept as
64-bit floats or integers, never as float32 (from 16 777 216 on that loses whole counts; IEEE 754-2019 section 3.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

MARGIN = 1.5  # how much more than the greatest rate a step may be: clocks and intervals are not exact
NEAR_END = 0.9  # part of the counter's span from which on it may be about to wrap


class Step(StrEnum):
    """What one value of the counter did to the total."""

    BEGAN = "began"
    GREW = "grew"
    WRAPPED = "wrapped"
    HELD = "held"
    BEGAN_ANEW = "began anew"


@dataclass(frozen=True, slots=True)
class Counting:
    """How a meter's counter counts; None where nobody said.

    `wraps_at` is the count at which it shows zero again, in the field's unit; `fastest` the most it grows in a second.
    """

    wraps_at: float | None = None
    fastest: float | None = None


@dataclass(frozen=True, slots=True)
class Total:
    """A total as it stands: `so_far` in the field's unit, the counter's `last` value, and a value waiting for its like.

    `at` is the monotonic or UTC second of the last value; only differences of it are used. It is minus infinity where
    nobody can tell any more: then every growth is possible.
    """

    so_far: float
    last: float
    at: float
    doubted: float | None = None

    def told_by(self, value: object) -> bool:
        """Whether the field's newest reading, of that value, tells all that is needed to carry on but `so_far`."""
        return self.doubted is None and value == self.last


def count(total: Total | None, value: float, at: float, counting: Counting) -> tuple[Total, Step]:
    """The total after the counter showed `value` at second `at`, and what that was."""
    if total is None:
        return Total(value, value, at), Step.BEGAN
    elapsed = max(0.0, at - total.at)
    grown = value - total.last
    if grown >= 0 and _possible(grown, elapsed, counting):
        return Total(total.so_far + grown, value, at), Step.GREW
    wrapped = _wrapped(total.last, value, counting)
    if wrapped is not None and _possible(wrapped, elapsed, counting):
        return Total(total.so_far + wrapped, value, at), Step.WRAPPED
    if total.doubted is not None:
        again = value - total.doubted
        if again >= 0 and _possible(again, elapsed, counting):
            return Total(total.so_far + again, value, at), Step.BEGAN_ANEW
    return Total(total.so_far, total.last, total.at, value), Step.HELD


def _possible(grown: float, elapsed: float, counting: Counting) -> bool:
    """Whether the counter can have grown by so much in the time. Without a greatest rate every growth is possible."""
    return counting.fastest is None or grown <= counting.fastest * elapsed * MARGIN


def _wrapped(last: float, value: float, counting: Counting) -> float | None:
    """How far the counter went if it came round, None where it cannot have."""
    end = counting.wraps_at
    if end is None or value >= last or not NEAR_END * end <= last <= end:
        return None
    return value + end - last


def carry_on(total: Total | None, so_far: float, value: float | None, at: float) -> Total:
    """The total set by hand, as when a meter is exchanged: `value` is what the new counter shows, if that is known."""
    last = value if value is not None else total.last if total is not None else 0.0
    return Total(so_far, last, at)
