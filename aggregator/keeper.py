"""Between the site and its store: what goes to disk, and which uplinks may be acknowledged for it.

    uplink -> site -> put(kept, acknowledge) -> store commits -> acknowledge -> the broker forgets it

An uplink is acknowledged once it is safe on disk. Where the disk takes nothing for longer than `PATIENCE`, waiting on
would stop the broker's flow, and with it every fresh reading: then uplinks are acknowledged while they wait in memory,
the registers say that nothing is stored, and what waits is written as soon as the disk takes it again.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import structlog

from aggregator.core.errors import Refusal
from aggregator.core.keeping import ClockState, Kept, KeptFrame, Remembered
from aggregator.core.reading import Now, Value
from aggregator.core.substitute import SUBSTITUTED
from aggregator.store import Limits, Store, StoreError

FILE = "history.db"
PATIENCE = 10.0  # s
SETTLE_WITHIN = 1.0  # s for the last acknowledgements before the broker link ends
CLOSE_WITHIN = 10.0  # s for what waits to be written when the service stops
AGE_EVERY = 600.0  # s between two looks for what is too old to keep

log = structlog.get_logger("store")


class Receipt:
    """The acknowledgement of one uplink, given once."""

    __slots__ = ("_give", "given")

    def __init__(self, give: Callable[[], object]) -> None:
        self._give = give
        self.given = False

    def give(self) -> None:
        """Acknowledge, unless that has been done."""
        if not self.given:
            self.given = True
            self._give()


class Keeper:
    """Owns the store. All but the opening and closing run on the event loop."""

    def __init__(self, folder: Path, limits: Limits) -> None:
        self.path = (folder / FILE).resolve()
        self._limits = limits
        self._loop = asyncio.get_running_loop()
        self._outstanding: deque[Receipt] = deque()
        self._failing_since: float | None = None
        self._said: str | None = None  # the problem that stands in the log
        self._set_aside_told = 0  # of the files set aside, those that were handed on
        self._told = 0  # of the store's notes, those that do
        self._aged = 0.0
        self.store: Store

    async def open(self) -> Mapping[str, Remembered]:
        """Open the store and return what it remembers. Never fails: `problem` says what is wrong."""
        self.store = await asyncio.to_thread(Store.open, self.path, self._limits, self._committed)
        remembered = await asyncio.to_thread(self.store.remembered)
        self._say()
        if self.store.problem is None:
            log.info("store opened", file=str(self.path), meters_remembered=len(remembered))
        return remembered

    async def recent_frames(self) -> Sequence[KeptFrame]:
        """The frames of the last days before the end, in order of arrival."""
        try:
            return await asyncio.to_thread(lambda: list(self.store.recent_frames()))
        except StoreError as error:
            log.warning("recent frames unknown", reason=str(error))
            return ()

    async def earliest(self) -> float | None:
        """The UTC second before which it cannot be now, by what is stored; None where nothing tells."""
        try:
            return await asyncio.to_thread(self.store.earliest)
        except StoreError:
            return None  # it has been said

    async def unknown_nodes(self) -> Sequence[tuple[float, str, bytes]]:
        """When (UTC s), topic and message of what is set aside of nodes that sit on no meter, oldest first."""

        def read() -> list[tuple[float, str, bytes]]:
            rows = (row.kept for row in self.store.aside())
            return [(each.at, each.topic, each.message) for each in rows if each.reason == Refusal.UNKNOWN_NODE]

        try:
            return await asyncio.to_thread(read)
        except StoreError as error:
            log.warning("nodes that sit on no meter unknown", reason=str(error))
            return ()

    async def samples(self, tag: str, fields: Sequence[str], since: float) -> list[tuple[str, float, Value | None]]:
        """Field, when (UTC s) and value of a meter's readings since then, what was entered by hand left out."""

        def read() -> list[tuple[str, float, Value | None]]:
            rows = self.store.history([tag], fields, since, math.inf)
            return [(row.field, row.at, row.value) for row in rows if not row.reasons & SUBSTITUTED]

        try:
            return await asyncio.to_thread(read)
        except StoreError as error:
            log.warning("averages begin anew", tag=tag, reason=str(error))
            return []

    async def close(self) -> None:
        """Write what waits."""
        left = await asyncio.to_thread(self.store.close, CLOSE_WITHIN)
        if left:
            log.warning("not everything could be stored", uplinks=left)

    @property
    def problem(self) -> str | None:
        """Why nothing is being stored now, None while all goes well."""
        return self.store.problem

    def newly_set_aside(self) -> Sequence[Mapping[str, object]]:
        """The files that could not be used since the last call: name, why, states carried over."""
        found = self.store.set_aside[self._set_aside_told :]
        self._set_aside_told += len(found)
        return [each._asdict() for each in found]

    def put(self, kept: Sequence[Kept], acknowledge: Callable[[], object] | None = None) -> None:
        """Have rows kept; `acknowledge` is called once they are safe, or while they wait for a disk that takes none."""
        if acknowledge is None:
            self.store.put(kept)
            return
        receipt = Receipt(acknowledge)
        self._outstanding.append(receipt)
        self.store.put(kept, receipt.give)
        if self._gives_early:
            self._give_all()

    async def settle(self) -> None:
        """Wait until all that was put is written and acknowledged, but not for long and not for a disk that is ill."""
        written = asyncio.Event()
        self.put((), written.set)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(SETTLE_WITHIN if self.problem is None else 0):
                await written.wait()

    def tick(self, now: Now, *, clock_trusted: bool) -> None:
        """Look how the store does, and let what is too old go."""
        self._say()
        if self.store.problem is None:
            self._failing_since = None
        elif self._failing_since is None:
            self._failing_since = self._loop.time()
        elif self._gives_early:
            self._give_all()
        if clock_trusted and now.monotonic - self._aged >= AGE_EVERY:
            self._aged = now.monotonic
            self.store.let_age(now.utc)

    def clock_was_set(self, since: float, until: float, by: float, *, trusted: bool) -> None:
        """The wall clock, untrusted until now, was moved by `by` (s): move what it has dated between (UTC s by it)."""
        self.store.correct_clock(since, until, by, ClockState.CORRECTED if trusted else ClockState.UNTRUSTED)

    @property
    def _gives_early(self) -> bool:
        return self._failing_since is not None and self._loop.time() - self._failing_since >= PATIENCE

    def _give_all(self) -> None:
        while self._outstanding:
            self._outstanding.popleft().give()

    def _committed(self, dones: Sequence[Callable[[], None]]) -> None:
        """Runs in the thread that writes: one hop to the loop a commit, however many uplinks it held."""
        try:
            self._loop.call_soon_threadsafe(self._acknowledge, dones)
        except RuntimeError:  # the loop has ended; the broker sends again, and the store knows the uplinks
            return

    def _acknowledge(self, dones: Sequence[Callable[[], None]]) -> None:
        for done in dones:
            done()
        while self._outstanding and self._outstanding[0].given:
            self._outstanding.popleft()

    def _say(self) -> None:
        notes = self.store.notes
        for note in notes[self._told :]:
            log.warning("store", note=note)
        self._told = len(notes)
        if self.store.problem != self._said:
            self._said = self.store.problem
            if self._said:
                log.error("nothing is being stored", reason=self._said)
            else:
                log.info("storing again")
