"""The clocks: one that never jumps, one that dates things, and whether the second can be believed."""

from __future__ import annotations

import ctypes
import time

from aggregator.core.reading import Now

# Counts through a suspended gateway as well, which CLOCK_MONOTONIC does not: an age must not stand still with it.
STEADY = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised

_new = tuple.__new__
_read_clock, _read_wall_clock = time.clock_gettime, time.time


class Clock:
    """The machine's own clocks."""

    speed = 1.0

    def now(self) -> Now:
        """The present moment. Made without the named tuple's own constructor: every poll asks."""
        return _new(Now, (_read_clock(STEADY), _read_wall_clock()))

    def is_trusted(self) -> bool:
        """Whether the kernel says that something keeps the wall clock right (NTP, a radio or a satellite receiver)."""
        return kernel_keeps_time()


class FastClock(Clock):
    """Clocks that run `speed` times as fast from the moment they are made: an hour of site life in a minute."""

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self._start = super().now()

    def now(self) -> Now:
        real = super().now()
        gone = (real.monotonic - self._start.monotonic) * self.speed
        return Now(self._start.monotonic + gone, self._start.utc + gone)


def kernel_keeps_time() -> bool:
    """The kernel's synchronisation state (adjtimex(2)); False where the system has none."""
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (AttributeError, OSError):
        return False
    timex = ctypes.create_string_buffer(512)  # struct timex, all zero: modes = 0 only reads
    state: int = adjtimex(timex)
    return 0 <= state < TIME_ERROR
