"""Which of its times an uplink counts as of: what the node's clock said, else the network's, else its arrival here.

    observed   the node's own clock      believed within what its envelope declares (`NodeClock`)
    received   the network's clock       believed within what any clock may be off by (`ORDINARY`)
    arrived    the gateway's clock       always there

Another clock is held against the gateway's. Where that one was never set, every other is in its future, and what comes
counts from its arrival.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from aggregator.core.reading import Now, Reason, Times

_new = tuple.__new__  # as in judge: one is made at every uplink

NODE_CLOCK_OFF = int(Reason.NODE_CLOCK_OFF)

AHEAD = 60.0  # s that another clock may run ahead of this one before it is not believed
OLDEST = 31 * 86400.0  # s; a time further back than any node buffers is a clock that was never set


@dataclass(frozen=True, slots=True)
class NodeClock:
    """What a node's clock can say and be right: not before a moment (UTC s), not further back or ahead than (s)."""

    not_before: float = -math.inf
    oldest: float = OLDEST
    ahead: float = AHEAD

    def believes(self, moment: float, now: float) -> bool:
        """Whether a time (UTC s) can be true, `now` being the gateway's."""
        return moment >= self.not_before and now - self.oldest <= moment <= now + self.ahead


ORDINARY = NodeClock()


def believable(moment: float | None, now: Now) -> bool:
    """Whether the network's time can be true by this clock: not in the future, not older than any node buffers."""
    return moment is not None and now.utc - OLDEST <= moment <= now.utc + AHEAD


def heard_at(received: float | None, now: Now) -> float:
    """When a frame was heard: the network's time (UTC s), or where that can't be believed, that of its arrival."""
    return received if received is not None and now.utc - OLDEST <= received <= now.utc + AHEAD else now.utc


def moment_of(value: object) -> float:
    """UTC seconds from RFC 3339 text or from a number of seconds since 1970. Raises ValueError, which says what it is.

    >>> moment_of("2027-01-15T08:00:00Z"), moment_of(1800000000)
    (1800000000.0, 1800000000.0)
    """
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError as error:
            raise ValueError("not an RFC 3339 time") from error
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e11:
        raise ValueError("not a time")
    return float(value)


def _holds(
    observed: float, received: float | None, now: Now, last_observed: float | None, node_clock: NodeClock
) -> bool:
    """Whether a node's clock can be right."""
    if not node_clock.believes(observed, now.utc) or (received is not None and observed > received + node_clock.ahead):
        return False
    return last_observed is None or observed >= last_observed


def time_of(
    observed: float | None,
    received: float | None,
    now: Now,
    last_observed: float | None = None,
    node_clock: NodeClock = ORDINARY,
) -> tuple[Times, int]:
    """An uplink's times, and NODE_CLOCK_OFF where the node's clock said something impossible.

    Impossible is the future, long before now, before what is declared, or earlier than `last_observed`, what it said in
    a frame before this one.

    Age counts from `observed` where that is believable, else from `received`, else from arrival. A gateway whose own
    clock runs ahead makes readings look older than they are, never fresher; one whose clock was never set finds every
    other in the future, and counts from arrival.
    """
    age = 0.0
    reasons = 0
    if observed is not None and _holds(observed, received, now, last_observed, node_clock):
        age = now.utc - observed
    else:
        reasons = NODE_CLOCK_OFF if observed is not None else 0
        if received is not None and believable(received, now):
            age = now.utc - received
    return _new(Times, (observed, received, now.utc, now.monotonic - max(0.0, age))), reasons
