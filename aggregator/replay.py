"""Replaying what was set aside or recorded: each message is taken as of when it came.

One that was set aside is forgotten once what it brought is safe; what is still refused stays where it is. A message
that was taken meanwhile by another road is known by its counter and forgotten too; the store keeps no uplink twice.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import NamedTuple

from aggregator.core.errors import AggregatorError, DecodeError
from aggregator.core.keeping import Kept, KeptUplink
from aggregator.core.outbox import Note
from aggregator.core.reading import Now
from aggregator.core.site import Declared, Site
from aggregator.recording import messages_of
from aggregator.store import AsideRow, Limits, Store

WRITTEN_WITHIN = 60.0  # s for all that a replay brought to be on disk

Put = Callable[[Sequence[Kept], Callable[[], None] | None], None]
"""Has rows kept, and calls what it is given once they are safe."""


class Came(NamedTuple):
    """A message as it came, at `at` (UTC s); `id` is what one that was set aside is forgotten by."""

    at: float
    topic: str
    message: bytes
    id: int | None = None


def set_aside(rows: Iterable[AsideRow]) -> Iterator[Came]:
    """Messages set aside, to be taken once more."""
    return (Came(row.kept.at, row.kept.topic, row.kept.message, row.id) for row in rows)


def recorded(path: Path) -> Iterator[Came]:
    """The messages of a recording, without what the broker had retained. Raises WrongRecording and OSError."""
    return (Came(each.at, each.topic, each.message) for each in messages_of(path) if not each.retained)


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

    def take(self, site: Site, messages: Iterable[Came], now: Now, put: Put) -> list[Note]:
        """Replay some messages. Returns what is to be noted."""
        notes: list[Note] = []
        for each in messages:
            try:
                notes += site.replay(each.topic, each.message, arrived=each.at, now=now)
            except DecodeError as error:
                self.refused[str(error.refusal)] += 1
                continue
            kept = site.take_kept()
            self._count(kept)
            put(kept, None if each.id is None else partial(self.safe.append, each.id))
        return notes

    def _count(self, kept: Sequence[Kept]) -> None:
        uplinks = [each for each in kept if isinstance(each, KeptUplink)]  # several where it carried a batch
        if not uplinks:
            self.known += 1
        elif all(each.late for each in uplinks):
            self.late += 1
        else:
            self.shown += 1

    def as_answer(self) -> dict[str, object]:
        """The counts, by the words that people read."""
        return {"shown": self.shown, "late": self.late, "known": self.known, "refused": dict(self.refused)}


def replay_files(
    declared: Declared, path: Path, limits: Limits, now: Now, *, clock_trusted: bool, recording: Path | None = None
) -> Replayed:
    """Replay what was set aside, or a recording, on a store's file that no service is using.

    Raises StoreError and NotStored, and for a recording WrongRecording and OSError.
    """
    store = Store.open(path, limits)
    try:
        if store.problem:
            raise NotStored(f"{store.problem}. Nothing was replayed.")
        site = Site(declared, now)
        site.restore(store.remembered(), now, store.recent_frames())
        site.set_clock_trusted(clock_trusted)
        replayed = Replayed()
        messages = set_aside(store.aside()) if recording is None else recorded(recording)
        replayed.take(site, messages, now, store.put)
        written = threading.Event()
        store.put((), written.set)
        if not written.wait(WRITTEN_WITHIN):
            raise NotStored(f"{store.problem or 'the disk is too slow'}. Replay them once more when it is well.")
        store.forget_aside(replayed.safe)
    finally:
        store.close()
    return replayed
