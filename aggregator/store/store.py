"""The store as the service sees it: put and be told, read back, and never a refusal to go on."""

from __future__ import annotations

from collections.abc import Callable, Collection, Generator, Iterator, Sequence
from pathlib import Path

from aggregator.core.keeping import ClockState, Kept, KeptEvent, KeptFrame, Remembered
from aggregator.store import reader
from aggregator.store.limits import Limits, StoreError
from aggregator.store.reader import AsideRow, HistoryRow
from aggregator.store.rows import Correction, Forget, Order
from aggregator.store.writer import Commit, Committed, SetAside, Writer, call_each

OPENING = 30.0  # s to wait for the file at the start; a disk that takes longer is waited for in the background


class Store:
    """History, journal, messages set aside and states, in one SQLite file. TABLES.md says how they stand in it."""

    def __init__(self, path: Path, writer: Writer) -> None:
        self._path = path
        self._writer = writer

    @classmethod
    def open(cls, path: Path, limits: Limits, on_committed: Committed = call_each) -> Store:
        """Open or begin the file, and start the thread that writes. Never fails: `problem` and `notes` say what is.

        `on_committed` gets the `done`s of one commit together, in the thread that writes; by default each is called
        there.
        """
        writer = Writer(path, limits, on_committed)
        writer.tried.wait(OPENING)
        return cls(path, writer)

    def close(self, within: float = 10.0) -> int:
        """Write what waits, in so many seconds at most. Returns how many uplinks are still not safe."""
        self._writer.close(within)
        return self.waiting

    # What the service gives

    def put(self, kept: Sequence[Kept], done: Callable[[], None] | None = None) -> None:
        """Have rows kept, in this order. Returns at once; `done` is called once they are safe on disk.

        It is never called for a put of which anything had to be dropped: the broker still has that. With no rows,
        `done` is called when all that was put before is safe. Raises StoreError after `close`.
        """
        self._put(kept, done)

    def forget_aside(self, ids: Collection[int]) -> None:
        """Drop messages set aside that have been replayed or are not wanted."""
        self._put([Forget(tuple(ids))], None)

    def correct_clock(self, since: float, until: float, by: float, clock: ClockState = ClockState.CORRECTED) -> None:
        """Move by `by` (s) what this run has dated by its untrusted clock between two times (UTC s by that clock).

        Moved are arrivals, the times that count as arrivals, and events; what nodes and network said stays as it is.
        `clock` is what they are worth then: moved by one that is not trusted either, they may be moved once more.
        """
        self._put([Correction(since, until, by, clock)], None)

    def let_age(self, now: float) -> None:
        """Drop what is older than may be kept, little by little. `now` (UTC s) must be from a clock that is right."""
        self._writer.let_age(now)

    def _put(self, orders: Sequence[Order], done: Callable[[], None] | None) -> None:
        if self._writer.backlog.closing:
            raise StoreError("the store is closed")
        self._writer.backlog.put(orders, done)

    # How it goes

    @property
    def problem(self) -> str | None:
        """Why nothing is being stored now, as a sentence; None while all goes well."""
        return self._writer.problem

    @property
    def notes(self) -> tuple[str, ...]:
        """What has happened to the file that somebody should know, oldest first: the last hundred sentences."""
        return tuple(self._writer.notes)

    @property
    def set_aside(self) -> tuple[SetAside, ...]:
        """The files that could not be used since the start, oldest first."""
        return tuple(self._writer.set_aside)

    @property
    def waiting(self) -> int:
        """Uplinks, and messages to set aside, that were put and are not yet safe."""
        return self._writer.backlog.waiting

    @property
    def committed(self) -> int:
        """Uplinks and messages set aside that are safe, since the start."""
        return self._writer.committed

    @property
    def dropped(self) -> int:
        """Rows that were given up because too many waited, since the start."""
        return self._writer.backlog.dropped

    @property
    def bytes_written(self) -> int | None:
        """Bytes handed to the kernel for the disk since the start, as it counts them for the writing thread (`wchar`).

        It counts log, checkpoints and all; what file system and flash write beyond that is not in it. None where the
        kernel does not count.
        """
        return self._writer.bytes_written()

    @property
    def last_commit(self) -> Commit | None:
        """The figures of the newest commit."""
        return self._writer.last_commit

    # What it gives back

    def remembered(self) -> dict[str, Remembered]:
        """What is known of each meter, by tag. A file that cannot be read remembers nothing, and a note says why."""
        try:
            return reader.remembered(self._path)
        except StoreError as error:
            self._writer.notes.append(f"nothing is remembered: {error}")
            return {}

    def recent_frames(self) -> Iterator[KeptFrame]:
        """The frames of the last days, in order of arrival. Raises StoreError."""
        return reader.frames(self._path)

    def earliest(self) -> float | None:
        """The UTC second before which it cannot be now: the newest that a clock kept right has dated.

        None where there is none among what came last. Raises StoreError.
        """
        return reader.newest_trusted(self._path)

    def history(
        self, tags: Collection[str] | None, fields: Collection[str] | None, since: float, until: float
    ) -> Iterator[HistoryRow]:
        """Readings of some meters and fields (None: all), `since` <= at < `until`, in time order. Raises StoreError."""
        return reader.history(self._path, tags, fields, since, until)

    def journal(self, since: float, until: float) -> Iterator[KeptEvent]:
        """Events, `since` <= at < `until`, in time order. Raises StoreError."""
        return reader.journal(self._path, since, until)

    def aside(self, after: int = 0) -> Generator[AsideRow]:
        """Messages set aside, oldest first: those beyond the id `after`. Raises StoreError."""
        return reader.aside(self._path, after)
