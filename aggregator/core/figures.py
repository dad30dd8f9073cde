"""The gateway's own figures: how the whole site stands, kept up to date with each change, never counted anew."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from aggregator import __version__
from aggregator.core.errors import Refusal
from aggregator.core.gateway import whole_seconds
from aggregator.core.reading import Grade, Now, Reason, Value, grade_of


@dataclass(slots=True)
class Counts:
    """What has come in since the start."""

    accepted: int = 0
    duplicate: int = 0
    late: int = 0
    rejected: Counter[Refusal] = field(default_factory=Counter)


class Figures:
    """What the gateway block shows. The shell sets what only it can know: broker, clock and store."""

    def __init__(self, started: Now, fingerprint: int, reasons: Iterable[int]) -> None:
        self.started = started
        self.fingerprint = fingerprint
        self.counts = Counts()
        self.lost = 0  # gaps in the nodes' frame counters
        self.last_accepted: float | None = None  # monotonic
        self.broker_connected = False
        self.clock_trusted = False
        self.stored = False  # whether the store takes what it is given
        self._by_reasons = Counter(reasons)

    def move(self, before: int, after: int) -> None:
        """A meter's reasons have changed."""
        if before != after:
            self._by_reasons[before] -= 1
            self._by_reasons[after] += 1

    def figure(self, name: str, now: Now) -> Value | None:
        """A figure of the gateway block by its name (core/gateway.py lists them)."""
        uptime = now.monotonic - self.started.monotonic
        match name:
            case "heartbeat":
                return whole_seconds(uptime, 1)
            case "state":
                return self.broker_connected | self.clock_trusted << 1 | self.stored << 2
            case "map_fingerprint":
                return self.fingerprint
            case "uptime":
                return whole_seconds(uptime, 2)
            case "last_uplink_age":
                return None if self.last_accepted is None else int(now.monotonic - self.last_accepted)
            case "clock":
                return int(now.utc)
            case "version":
                return __version__
            case _:
                return self.count(name)

    def count(self, name: str) -> int:
        """A figure of the gateway block that counts meters or uplinks."""
        match name:
            case "meters_total":
                return self._by_reasons.total()
            case "meters_good" | "meters_uncertain" | "meters_bad":
                grade = Grade[name.removeprefix("meters_").upper()]
                return sum(count for reasons, count in self._by_reasons.items() if grade_of(reasons) is grade)
            case "meters_stale" | "meters_never_seen" | "meters_under_test":
                reason = Reason[name.removeprefix("meters_").upper()]
                return sum(count for reasons, count in self._by_reasons.items() if reasons & reason)
            case "uplinks_accepted":
                return self.counts.accepted
            case "uplinks_duplicate":
                return self.counts.duplicate
            case "uplinks_late":
                return self.counts.late
            case "uplinks_rejected":
                return self.counts.rejected.total()
            case "uplinks_lost":
                return self.lost
        raise KeyError(name)
