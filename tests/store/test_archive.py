"""Looking at what was kept, from the event loop: beside it, beside the writer, bounded and given up in time."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from aggregator.archive import AT_ONCE, MOST_ROWS, MOST_WAITING, Archive, TooManyLook
from aggregator.core.alarm_figures import alarm_figures
from aggregator.core.keeping import KeptEvent
from aggregator.store import Store
from aggregator.store.chart import Chart, Span
from aggregator.store.journal import Sought
from aggregator.store.reader import Extent

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink, Until

BEGIN = 1_790_000_000.0  # as in conftest.py
EMPTY = Chart("", 0, (), (), None, 0)
Settle = Callable[[Store], None]


@pytest.fixture
def archive(path: Path) -> Iterator[Archive]:
    made = Archive(path)
    yield made
    made.close()


def test_charts_readings_and_events_come_from_the_running_stores_file(
    archive: Archive, store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    store.put([uplink(number) for number in range(MOST_ROWS + 20)])
    store.put([KeptEvent(BEGIN, "alarm raised", "FT-101", "gateway", {"alarm": "stale"})])
    settle(store)

    async def look() -> None:
        drawn = await archive.chart("FT-101", "flow", Span(BEGIN, BEGIN + 10))
        assert [each.value for each in drawn.samples] == list(range(10))
        first = await archive.readings("FT-101", extent=Extent(most=10**9))
        assert [row.value for row in first.rows] == list(range(MOST_ROWS + 19, 19, -1))
        rest = await archive.readings("FT-101", ["flow"], Extent(after=first.after))
        assert ([row.value for row in rest.rows], rest.after) == (list(range(19, -1, -1)), None)
        assert [event.event for event in (await archive.journal(Sought(alarms=["stale"]))).rows] == ["alarm raised"]

    asyncio.run(look())


def test_the_figures_of_alarms_are_taken_from_the_whole_journal(archive: Archive, store: Store, settle: Settle) -> None:
    """An alarm that was raised before the time that is looked at stands in it all the same."""
    about = {"alarm": "methane high", "state": "unacknowledged", "priority": "high"}
    raised = [KeptEvent(BEGIN + at, "alarm raised", tag, "", about) for at, tag in ((0, "AT-1"), (200_000, "AT-2"))]
    store.put(raised)
    settle(store)
    since, until = BEGIN + 100_000, BEGIN + 250_000
    found = asyncio.run(archive.alarm_figures(since, until))
    assert (found.announced, found.standing, found.worst) == (1, 1, [(("AT-2", "methane high"), 1)])
    assert found == alarm_figures(raised, since, until)


class Reader:
    """A reader that goes on until nobody waits any longer, or it is told to end."""

    def __init__(self) -> None:
        self.began = threading.Semaphore(0)
        self.end = threading.Event()
        self.given_up = threading.Event()

    def __call__(self, _path: Path, _tag: str, _field: str, _span: Span, is_given_up: Callable[[], bool]) -> Chart:
        self.began.release()
        while not self.end.wait(0.002):
            if is_given_up():
                self.given_up.set()
                break
        return EMPTY


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Iterator[Reader]:
    reader = Reader()
    monkeypatch.setattr("aggregator.store.reader.chart", reader)
    yield reader
    reader.end.set()


SPAN = Span(BEGIN, BEGIN + 1)


def test_the_loop_goes_on_while_the_disk_is_read(archive: Archive, slow: Reader) -> None:
    async def look() -> None:
        asked = asyncio.create_task(archive.chart("FT-101", "flow", SPAN))
        while not slow.began.acquire(blocking=False):  # noqa: ASYNC110 - a thread begins, and no event of the loop
            await asyncio.sleep(0.001)
        assert not asked.done()
        slow.end.set()
        assert await asked == EMPTY

    asyncio.run(look())


def test_what_nobody_waits_for_is_given_up(archive: Archive, slow: Reader, until: Until) -> None:
    async def look() -> None:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await archive.chart("FT-101", "flow", SPAN)

    asyncio.run(look())
    until(slow.given_up.is_set)


def test_too_many_at_once_are_refused_and_the_next_is_taken_when_they_have_ended(
    archive: Archive, slow: Reader
) -> None:
    async def look() -> None:
        asked = [asyncio.create_task(archive.chart("FT-101", "flow", SPAN)) for _ in range(AT_ONCE + MOST_WAITING)]
        await asyncio.sleep(0)
        with pytest.raises(TooManyLook):
            await archive.chart("FT-101", "flow", SPAN)
        slow.end.set()
        assert await asyncio.gather(*asked) == [EMPTY] * len(asked)
        assert await archive.chart("FT-101", "flow", SPAN) == EMPTY

    asyncio.run(look())
