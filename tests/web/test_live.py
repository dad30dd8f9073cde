"""The live stream: each change once to every page, and nothing kept for pages that do not read."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable
from functools import partial

from aggregator.core.response import switch
from aggregator.web.live import BEHIND, Live
from tests.web.conftest import House

Build = Callable[..., House]


def told(message: bytes) -> list[tuple[str, object]]:
    """The events of a message, as a browser has them."""
    found = []
    for block in message.decode().split("\n\n"):
        lines = dict(line.split(": ", 1) for line in block.splitlines() if ": " in line)
        if "event" in lines:
            found.append((lines["event"], json.loads(lines["data"])))
    return found


async def open_page(live: Live) -> AsyncIterator[bytes]:
    page = live.follow()
    begins = told(await anext(page))
    assert [name for name, _ in begins] == ["site", "alarms"]
    return page


async def test_a_change_is_told_once_to_every_page(house: Build) -> None:
    home = house()
    live = Live(home.offer)
    pages = [await open_page(live), await open_page(live)]
    await live.lines()
    await live.tell()
    for page in pages:
        await anext(page)  # every meter, as nothing had been told yet
    home.plant.send(0, 25.0)
    await live.tell()
    for page in pages:
        events = dict(told(await anext(page)))
        assert [(line["tag"], line["alarm"]["priority"]) for line in events["meters"]] == [("AT-101", "high")]  # type: ignore[attr-defined]
        assert events["alarms"]["unacknowledged"] == home.site.annunciator.owed > 0  # type: ignore[index]
    await live.tell()
    assert [name for name, _ in told(await anext(pages[0]))] == ["site"]


async def test_who_asks_for_all_lines_takes_no_change_from_the_pages(house: Build) -> None:
    home = house()
    live = Live(home.offer)
    page = await open_page(live)
    await live.tell()
    await anext(page)
    home.plant.send(0, 25.0)
    assert (await live.lines())[0].fields[0].value == 25.0
    await live.tell()
    assert "meters" in dict(told(await anext(page)))


async def test_a_page_that_does_not_read_is_let_go(house: Build) -> None:
    live = Live(house().offer)
    page = await open_page(live)
    for _ in range(BEHIND + 1):
        await live.tell()
    assert [each async for each in page] == []
    assert not live.is_followed


async def test_a_meter_that_is_gone_after_a_reload_is_gone_from_the_lines(house: Build) -> None:
    home = house()
    live = Live(home.offer)
    before = [line.tag for line in await live.lines()]
    home.plant.take_files_anew()
    assert [line.tag for line in await live.lines()] == before


async def test_a_suppression_that_is_switched_is_told_although_no_count_changes(house: Build) -> None:
    home = house()
    live = Live(home.offer)
    page = await open_page(live)
    await live.tell()
    await anext(page)
    home.site.respond(partial(switch, name="overhaul", on=True, who="mara", now=home.now))
    await live.tell()
    assert "alarms" in dict(told(await anext(page)))
