"""How much the store keeps, and what it raises."""

from __future__ import annotations

from dataclasses import dataclass

from aggregator.core.errors import AggregatorError


class StoreError(AggregatorError):
    """The store cannot do what is asked of it; the message says why and what to do."""


class GivenUp(StoreError):
    """Nobody waits for the answer any longer."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the store may grow to. None is no limit.

    `keep_days` holds for uplinks, `keep_journal_days` for events, counted from arrival. `most_bytes` is the size of the
    database file; the write-ahead log beside it takes some 2 MB more. `most_waiting` is how many uplinks may wait in
    memory while the disk takes none. `hold_back` (s) lets a commit wait for more uplinks: fewer writes for a flash
    card, later acknowledgement to the broker.
    """

    keep_days: float | None = 730.0
    keep_journal_days: float | None = 3650.0
    most_bytes: int | None = 2_000_000_000
    most_aside: int = 1000
    most_waiting: int = 50_000
    hold_back: float = 0.0
