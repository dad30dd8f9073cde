"""What clients were refused: counted by kind, and put into the journal once a minute for each kind and host."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from enum import StrEnum

from aggregator.core.outbox import Outbox
from aggregator.core.reading import Now
from aggregator.core.repeats import Repeats

Told = tuple[str, str, Mapping[str, object]]


class Refused(StrEnum):
    """What was refused. The values are the events of the journal."""

    NETWORK = "connection refused"
    CROWD = "connection closed for another"
    HEADER = "stream is not Modbus"
    UNFINISHED = "request left unfinished"
    WRITE = "write refused"
    PACE = "client slowed down"
    TLS = "TLS handshake failed"
    ROLE = "role without rights"


class Refusals:
    """Everything refused at all listeners of a site."""

    def __init__(self, outbox: Outbox) -> None:
        self.counts: Counter[Refused] = Counter()
        self._outbox = outbox
        self._repeats: Repeats[Told] = Repeats()

    def refuse(self, refused: Refused, host: str, facts: Mapping[str, object], now: Now) -> None:
        """Count a refusal, and journal it if it is the first of its kind and host for a minute."""
        self.counts[refused] += 1
        repeated = self._repeats.tell((refused, host), (refused, host, facts), now.monotonic)
        if repeated is not None:
            self._journal((refused, host, facts), repeated, now)

    def tick(self, now: Now) -> None:
        """Journal how often came again what has been held back for long enough."""
        for told, repeated in self._repeats.over(now.monotonic):
            self._journal(told, repeated, now)

    def _journal(self, told: Told, repeated: int, now: Now) -> None:
        event, host, facts = told
        more = {"repeated": repeated} if repeated else {}
        self._outbox.event(event, None, now, {**facts, **more}, who=host, warning=True)
