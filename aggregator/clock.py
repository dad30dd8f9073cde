"""The clocks: one that never jumps, one that dates things, and whether the second can be believed."""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from functools import partial

from aggregator.core.reading import Now

# Counts through a suspended gateway as well, which CLOCK_MONOTONIC does not: an age must not stand still with it.
STEADY = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised

_new = tuple.__new__
_read_clock = time.clock_gettime


class Clock:
    """The machine's own clocks; `machine` reads the one that dates things (UTC s)."""

    speed = 1.0

    def __init__(self, machine: Callable[[], float] = time.time) -> None:
        self._machine = machine
        self._wall = machine
        self.monotonic: Callable[[], float] = partial(_read_clock, STEADY)  # of `now`, alone

    def now(self) -> Now:
        """The present moment. Made without the named tuple's own constructor: every poll asks."""
        return _new(Now, (_read_clock(STEADY), self._wall()))

    @property
    def goes_on(self) -> bool:
        """Whether the machine's clock was found to be too early, and dates go on from a later time."""
        return self._wall is not self._machine

    def go_on_from(self, earliest: float) -> float:
        """Date nothing before `earliest` (UTC s), which is over for sure. Returns how far (s) the machine's is behind.

        A gateway without a battery clock starts years ago. Until somebody sets it, time goes on from there: it is still
        wrong, but what comes after is dated after what came before. A clock that is kept right needs no such help.
        """
        machine, steady = self._machine, _read_clock(STEADY)
        behind = earliest - machine()
        if behind <= 0 or self.is_trusted():
            return 0.0
        over = earliest - steady
        self._wall = lambda: max(machine(), over + _read_clock(STEADY))
        return behind

    def go_by_machine(self) -> None:
        """Date things by the machine's clock alone."""
        self._wall = self._machine

    def is_trusted(self) -> bool:
        """Whether the kernel says that something keeps the wall clock right (NTP, a radio or a satellite receiver)."""
        return kernel_keeps_time()


class FastClock(Clock):
    """Clocks that run `speed` times as fast from the moment they are made: an hour of site life in a minute."""

    def __init__(self, speed: float) -> None:
        super().__init__()
        self.speed = speed
        self._start = super().now()
        self.monotonic = lambda: self.now().monotonic

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
