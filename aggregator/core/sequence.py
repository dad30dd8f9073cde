"""Which uplinks are new: a node's frame counter tells first-heard from doubled, late and lost.

A LoRaWAN node counts its uplinks (TS001 section 4.3.1.5, `from memory`); every radio that hears one hands on the same
count. The network server's 32-bit count is taken as it is: nothing is rebuilt from 16 bits here.
"""

from __future__ import annotations

from enum import Enum

REMEMBERED = 64  # counters per node; doubles come within seconds, and late frames within a few dozen
SAME_FRAME = 60.0  # s within which radios hand on one frame; the same counter much later is another frame
OVERTAKEN = 8  # frames that can overtake each other on their way here


class Arrival(Enum):
    """What a counter says about its uplink."""

    NEW = "new"
    DUPLICATE = "duplicate"
    LATE = "late"
    RESTARTED = "restarted"


class Sequence:
    """One node's counters: the newest, the last few heard, and how many never came."""

    __slots__ = ("_recent", "_unread", "heard", "last", "lost")

    def __init__(self) -> None:
        self.last: int | None = None  # the newest counter, None before the first uplink that has one
        self.heard = 0.0  # when that was heard, UTC s
        self.lost = 0  # counters between the first and the newest that never came
        self._recent: dict[int, None] = {}
        self._unread: dict[int, None] = {}  # came and could not be read: neither lost nor known as a double

    def place(self, counter: int | None, heard: float) -> Arrival:
        """Where an uplink stands among those already heard, noting it. A node without counters is always new.

        `heard` (UTC s: the network's time, else arrival here) tells a node that began anew from a frame that comes
        late: a lower counter heard clearly later is a new session.
        """
        if counter is None:
            return Arrival.NEW
        if self.last is None or counter > self.last:
            if self.last is not None:
                self.lost += counter - self.last - 1
            return self._note(counter, heard, Arrival.NEW)
        if counter == self.last and counter not in self._recent:  # the newest, which could not be read at first
            return self._note(counter, heard, Arrival.NEW)
        if counter in self._recent and heard < self.heard + SAME_FRAME:
            return Arrival.DUPLICATE
        if heard <= self.heard or (self.last - counter <= OVERTAKEN and heard < self.heard + SAME_FRAME):
            self._fill_gap(counter)
            return Arrival.LATE
        self._recent.clear()
        self._unread.clear()
        return self._note(counter, heard, Arrival.RESTARTED)

    def place_again(self, counter: int | None, heard: float) -> Arrival:
        """As `place`, for a message that was set aside and comes back much later.

        One heard before the newest is late, whatever its counter says: that may be of a session that has ended since.
        """
        if counter is None or self.last is None or heard >= self.heard - SAME_FRAME:
            return self.place(counter, heard)
        if counter not in self._recent:
            self._fill_gap(counter)
        return Arrival.LATE

    def forget(self, counter: int | None) -> None:
        """An uplink that was placed could not be read: it is no double when it comes again, after the fix."""
        if counter is not None and self._recent.pop(counter, self) is None:
            _remember(counter, self._unread)

    def resume(self, counter: int | None, heard: float) -> None:
        """Go on from before a restart: `counter` was the newest, heard at `heard` (UTC s)."""
        if counter is not None:
            self._note(counter, heard, Arrival.NEW)

    def _note(self, counter: int, heard: float, arrival: Arrival) -> Arrival:
        self.last = counter
        self.heard = heard
        _remember(counter, self._recent)
        return arrival

    def _fill_gap(self, counter: int) -> None:
        """A counter that was passed over has come; it had been counted as lost unless it came before, unread."""
        _remember(counter, self._recent)
        if counter not in self._unread:
            self.lost = max(0, self.lost - 1)


def _remember(counter: int, among: dict[int, None]) -> None:
    among[counter] = None
    if len(among) > REMEMBERED:
        del among[next(iter(among))]
