"""Replaying what was set aside: each message is taken as of when it came, and forgotten once what it brought is safe.

What is still refused stays where it is. A message that was taken meanwhile by another road is known by its counter and
forgotten too; the store keeps no uplink twice.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from aggregator.core.errors import AggregatorError, DecodeError
from aggregator.core.keeping import Kept, KeptUplink
from aggregator.core.outbox import Note
from aggregator.core.reading import Now
from aggregator.core.site import Declared, Site
from aggregator.store import AsideRow, Limits, Store

WRITTEN_WITHIN = 60.0  # s for all that a replay brought to be on disk

Put = Callable[[Sequence[Kept], Callable[[], None]], None]
"""Has rows kept, and calls what it is given once they are safe."""


class NotStored(AggregatorError):
    """The store does not take what was replayed; the messages stay set aside."""


@dataclass(slots=True)
class Replayed:
    """What became of the messages: shown, only kept in the history, known already, refused once more by reason."""

    shown: int = 0
    late: int = 0
    known: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    safe: list[int] = field(default_factory=list)  # ids of messages that can be forgotten

    @property
    def taken(self) -> int:
        return self.shown + self.late + self.known

    def take(self, site: Site, rows: Iterable[AsideRow], now: Now, put: Put) -> list[Note]:
        """Replay some messages. Returns what is to be noted."""
        notes: list[Note] = []
        for row in rows:
            message = row.kept
            try:
                notes += site.replay(message.topic, message.message, arrived=message.at, now=now)
            except DecodeError as error:
                self.refused[str(error.refusal)] += 1
                continue
            kept = site.take_kept()
            self._count(kept)
            put(kept, partial(self.safe.append, row.id))
        return notes

    def _count(self, kept: Sequence[Kept]) -> None:
        uplink = next((each for each in kept if isinstance(each, KeptUplink)), None)
        if uplink is None:
            self.known += 1
        elif uplink.late:
            self.late += 1
        else:
            self.shown += 1

    def as_answer(self) -> dict[str, object]:
        """The counts, by the words that people read."""
        return {"shown": self.shown, "late": self.late, "known": self.known, "refused": dict(self.refused)}


def replay_files(declared: Declared, path: Path, limits: Limits, now: Now, *, clock_trusted: bool) -> Replayed:
    """Replay on a store's file that no service is using. Raises StoreError and NotStored."""
    store = Store.open(path, limits)
    try:
        if store.problem:
            raise NotStored(f"{store.problem}. Nothing was replayed.")
        site = Site(declared, now)
        site.restore(store.remembered(), now)
        site.set_clock_trusted(clock_trusted)
        replayed = Replayed()
        replayed.take(site, store.aside(), now, store.put)
        written = threading.Event()
        store.put((), written.set)
        if not written.wait(WRITTEN_WITHIN):
            raise NotStored(f"{store.problem or 'the disk is too slow'}. Messages stay set aside until they are safe.")
        store.forget_aside(replayed.safe)
    finally:
        store.close()
    return replayed
