"""What was kept, for whoever looks at it while the service runs: charts, readings and events, page by page.

    who looks -> archive -> [ one of two threads: a connection of its own, short steps ] -> rows
                    |
                    given up as soon as nobody waits any longer, and refused when too many wait already

Reading goes beside the one thread that writes, and never on the event loop: a chart of a year delays no poll.
"""

from __future__ import annotations

import asyncio
import math
import threading
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from aggregator.core.alarm_figures import AlarmFigures, alarm_figures
from aggregator.core.errors import AggregatorError
from aggregator.store import reader
from aggregator.store.chart import Chart, Span
from aggregator.store.journal import EVERYTHING, Sought
from aggregator.store.reader import Extent, GiveUp, Page

AT_ONCE = 2  # threads: a third would wait for the same disk
MOST_WAITING = 16
MOST_ROWS = 500  # of a page
WHOLE = Extent(most=MOST_ROWS)

T = TypeVar("T")


class TooManyLook(AggregatorError):
    """So many questions to the history wait already that one more would only make all wait longer."""


class Archive:
    """The history and the journal of one store's file. All calls are made on the event loop."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._threads = ThreadPoolExecutor(AT_ONCE, "archive")
        self._asked = 0

    def close(self) -> None:
        """Take nothing more; what is being read ends at its next step."""
        self._threads.shutdown(wait=False, cancel_futures=True)

    async def chart(self, tag: str, field: str, span: Span) -> Chart:
        """A meter's field over a time. Raises StoreError, TooManyLook."""
        return await self._ask(lambda given_up: reader.chart(self._path, tag, field, span, given_up))

    async def readings(self, tag: str, fields: Collection[str] | None = None, extent: Extent = WHOLE) -> Page:
        """A page of a meter's readings, newest first. Raises StoreError, TooManyLook."""
        bounded = replace(extent, most=min(extent.most, MOST_ROWS))
        return await self._ask(lambda given_up: reader.readings_page(self._path, tag, fields, bounded, given_up))

    async def journal(self, sought: Sought = EVERYTHING, extent: Extent = WHOLE) -> Page:
        """A page of the events that are sought, newest first. Raises StoreError, TooManyLook."""
        bounded = replace(extent, most=min(extent.most, MOST_ROWS))
        return await self._ask(lambda given_up: reader.journal_page(self._path, sought, bounded, given_up))

    async def alarm_figures(self, since: float, until: float) -> AlarmFigures:
        """The figures of the alarms, `since` up to before `until` (UTC s). Raises StoreError, TooManyLook."""

        def count(given_up: GiveUp) -> AlarmFigures:
            whole = reader.journal(self._path, -math.inf, until, is_given_up=given_up)
            return alarm_figures(whole, since, until)

        return await self._ask(count)

    async def _ask(self, question: Callable[[GiveUp], T]) -> T:
        if self._asked >= AT_ONCE + MOST_WAITING:
            raise TooManyLook("too many look at the history just now. Try again in a moment.")
        given_up = threading.Event()
        self._asked += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._threads, question, given_up.is_set)
        finally:
            given_up.set()
            self._asked -= 1
