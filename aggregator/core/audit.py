"""The record of what clients write: who, which item, what it held, what was asked for, and what came of it.

Each write that changes something is a line of the journal. One that changes nothing, and a scratch register that a
panel writes each second, is a line a minute with how often it came; so is a command that reads back as zero.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from aggregator.core.address_map import COMMANDS, Shows
from aggregator.core.errors import ModbusError
from aggregator.core.image import Write
from aggregator.core.outbox import Note, Outbox
from aggregator.core.reading import Now
from aggregator.core.repeats import Repeats

EVENT = "register written"
OFTEN = (Shows.SCRATCH, *COMMANDS)
"""What is told once a minute: what comes of a command is an event of its own each time."""
Line = tuple[Write, str, str]
"""A write, what came of it, and why it was refused."""


class Audit:
    """Puts writes on record."""

    def __init__(self, outbox: Outbox) -> None:
        self._outbox = outbox
        self._repeats: Repeats[Line] = Repeats()

    def refused(self, writes: Iterable[Write], error: ModbusError, now: Now) -> list[Note]:
        """Journal the items of one request that was refused. Returns the same for the log."""
        result = f"exception {error.code:02X}"
        return [note for write in writes for note in self._written((write, result, error.why), now)]

    def done(self, writes: Iterable[Write], now: Now, left: Callable[[Write], int]) -> list[Note]:
        """Journal the items of one request that was carried out. Returns the same for the log.

        `left` gives how many alarms stay unacknowledged that a write was to acknowledge: it was answered, and not done.
        """
        return [note for write in writes for note in self._written((write, _result(left(write)), ""), now)]

    def tick(self, now: Now) -> list[Note]:
        """Say how often came again what has been held back for long enough."""
        return [self._note(line, repeated, now) for line, repeated in self._repeats.over(now.monotonic)]

    def _written(self, line: Line, now: Now) -> list[Note]:
        write, result, _ = line
        if write.item.shows not in OFTEN and write.old != write.value:
            return [self._note(line, 0, now)]
        kind = (write.who.rpartition(":")[0], write.place, result)
        repeated = self._repeats.tell(kind, line, now.monotonic)
        return [] if repeated is None else [self._note(line, repeated, now)]

    def _note(self, line: Line, repeated: int, now: Now) -> Note:
        write, result, why = line
        facts = {
            "register": write.place,
            "item": write.item.title,
            "old": write.old,
            "new": write.value,
            "result": result,
            **({"why": why} if why else {}),
            **({"repeated": repeated} if repeated else {}),
        }
        return self._outbox.event(EVENT, write.tag, now, facts, who=write.who)


def _result(left: int) -> str:
    return "done" if not left else f"answered, {left} alarm{'s stay' if left > 1 else ' stays'} unacknowledged"
