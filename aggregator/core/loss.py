"""How much of a node's uplinks never came, over the last day: a ring of hours, each with what came and what was lost.

    hour    ... 07  08  09  10  11      a late frame corrects its own hour, and the hour in which it was missed
    came         4   4   3   4   1
    lost         0   0   1   0   0

The day ends with the newest frame, not with the present: a node that has fallen silent loses nothing that anybody knows
of, and its silence shows as age.
"""

from __future__ import annotations

from array import array

HOUR = 3600.0  # s
HOURS = 24


class Loss:
    """Counts by the hour in which the network heard, the newest HOURS of them. The newest hour is counted apart."""

    __slots__ = ("_cells", "came", "lost", "since", "until")

    def __init__(self) -> None:
        self._cells = array("q", bytes(2 * 8 * HOURS))  # of the hours before the newest
        self.since = self.until = 0.0  # of the newest hour, UTC s
        self.came = 0  # in the newest hour
        self.lost = 0

    def note(self, heard: float, came: int, lost: int) -> None:
        """Frames that came, and that were found missing, in the hour of `heard` (UTC s). Both may be negative."""
        if heard >= self.until:
            self._turn_to(int(heard // HOUR))
        if heard >= self.since:
            self.came += came
            self.lost += lost
        elif heard >= self.until - HOURS * HOUR:
            at = 2 * int(heard // HOUR % HOURS)
            self._cells[at] += came
            self._cells[at + 1] += lost

    def over_a_day(self) -> float | None:
        """Percent of a day's frames that never came, None where none is known of."""
        came = sum(self._cells[::2]) + self.came
        lost = max(0, sum(self._cells[1::2]) + self.lost)
        return 100 * lost / (came + lost) if came + lost > 0 else None

    def _turn_to(self, hour: int) -> None:
        """Begin a new hour: what stands in the ring between the old and the new one is of the day before."""
        cells, old = self._cells, int(self.since // HOUR)
        cells[2 * (old % HOURS)], cells[2 * (old % HOURS) + 1] = self.came, self.lost
        for passed in range(max(old + 1, hour - HOURS + 1), hour + 1):
            cells[2 * (passed % HOURS)] = cells[2 * (passed % HOURS) + 1] = 0
        self.came = self.lost = 0
        self.since, self.until = hour * HOUR, (hour + 1) * HOUR
