"""The gateway's own figures: how the whole site stands, kept up to date with each change, never counted anew."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from aggregator import __version__
from aggregator.core.errors import Refusal
from aggregator.core.gateway import MOST, days_until, whole_seconds
from aggregator.core.reading import Grade, Now, Reason, Value, grade_of

ALARM_PERIOD = 600.0  # s: EEMUA 191 counts alarms by ten minutes


@dataclass(slots=True)
class Counts:
    """What has come in since the start."""

    accepted: int = 0
    duplicate: int = 0
    late: int = 0
    rejected: Counter[Refusal] = field(default_factory=Counter)


class Figures:
    """What the gateway block shows. The shell sets what only it can know: broker, clock, store, lines, certificates."""

    def __init__(self, started: Now, fingerprint: int, reasons: Iterable[int]) -> None:
        self.started = started
        self.fingerprint = fingerprint
        self.counts = Counts()
        self.lost = 0  # gaps in the nodes' frame counters
        self.last_accepted: float | None = None  # monotonic
        self.broker_connected = False
        self.clock_trusted = False
        self.meters_in_alarm = 0
        self.alarms_unacknowledged = 0
        # How many alarms were announced in the last so many seconds before a monotonic one.
        self.announced_within: Callable[[float, float], int] = lambda _seconds, _monotonic: 0
        self.stored = False  # whether the store takes what it is given
        self.store_waiting = 0  # uplinks not yet safe on disk
        self.store_dropped = 0  # rows given up because too many waited
        self.history_set_aside = False  # whether it was found unusable since the start
        self.client_contested = False  # whether another service seems to use the client id at the broker
        self.generation = 0  # how often the site's files have been taken anew since the start
        self.files_refused = False  # whether the last change of the files was not taken
        self.clock_sets = 0  # how often the wall clock was set since the start
        self.serial_away = 0  # bit 0: the first serial line cannot be used
        self.listener_away = False  # whether a listener of a network is not open
        self.certificate_ends: float | None = None  # UTC s, of the first to end
        self._by_reasons = Counter(reasons)

    def go_on(self, before: Figures, reasons: Iterable[int]) -> None:
        """Count on from those of the site before its files were taken anew; `reasons` are those of its meters now."""
        self._by_reasons = Counter(reasons)
        self.started, self.counts, self.lost = before.started, before.counts, before.lost
        self.last_accepted = before.last_accepted
        self.serial_away, self.listener_away = before.serial_away, before.listener_away
        self.broker_connected, self.stored = before.broker_connected, before.stored
        self.clock_trusted, self.clock_sets = before.clock_trusted, before.clock_sets
        self.store_waiting, self.store_dropped = before.store_waiting, before.store_dropped
        self.history_set_aside, self.client_contested = before.history_set_aside, before.client_contested
        self.generation = before.generation + 1

    def queue(self, waiting: int, dropped: int) -> bool:
        """Set how many uplinks wait for the disk and how many rows were given up. Tells whether that shows."""
        before = self.store_waiting, self.store_dropped
        self.store_waiting, self.store_dropped = min(waiting, MOST), min(dropped, MOST)
        return before != (self.store_waiting, self.store_dropped)

    def move(self, before: int, after: int) -> None:
        """A meter's reasons have changed."""
        if before != after:
            self._by_reasons[before] -= 1
            self._by_reasons[after] += 1

    def figure(self, name: str, now: Now) -> Value | None:
        """A figure of the gateway block by its name (core/gateway.py lists them)."""
        uptime = now.monotonic - self.started.monotonic
        match name:
            case "heartbeat" | "uptime":
                return whole_seconds(uptime, 1 if name == "heartbeat" else 2)
            case "state":
                return self._state()
            case "map_fingerprint":
                return self.fingerprint
            case "last_uplink_age":
                return None if self.last_accepted is None else int(now.monotonic - self.last_accepted)
            case "certificate_days":
                return None if self.certificate_ends is None else days_until(self.certificate_ends, now)
            case "clock":
                return int(now.utc)
            case "version":
                return __version__
            case "alarms_last_10_min":
                return self.announced_within(ALARM_PERIOD, now.monotonic)
            case (
                "meters_in_alarm"
                | "alarms_unacknowledged"
                | "serial_away"
                | "generation"
                | "store_waiting"
                | "store_dropped"
            ):
                return int(getattr(self, name))
            case _:
                return self.count(name)

    def _state(self) -> int:
        bits = (
            self.broker_connected,
            self.clock_trusted,
            self.stored,
            self.files_refused,
            self.history_set_aside,
            self.client_contested,
            self.listener_away,
        )
        return sum(on << bit for bit, on in enumerate(bits))

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
