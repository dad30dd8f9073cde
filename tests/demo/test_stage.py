"""What stands above the simulated site, as the site comes to stand."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from aggregator.config.configuration import Configuration
from aggregator.control import ask
from aggregator.daemon import Service
from aggregator.demo.embedded import free_port
from aggregator.demo.fleet import Fleet
from aggregator.demo.label import label_of
from aggregator.demo.stage import Headline, Play, perform
from aggregator.web.people import People, Role

WITHIN = 60.0  # s
TO_LINK, TO_ACT = "has no node yet. One that fits:", "first with the code"


@pytest.fixture
def play(tmp_path: Path) -> Play:
    return Play(300.0, 1, free_port(), free_port(), WITHIN, tmp_path)


def has(lines: list[str], part: str) -> bool:
    return any(part in line for line in lines)


async def test_what_is_to_be_done_stands_there_until_it_is_done(sample: Configuration, play: Play) -> None:
    headline, running = Headline(sample, play, "aggregator"), asyncio.Queue[Service]()

    async def act() -> None:
        service = await running.get()
        lines = headline.lines(service)
        server = service.front.server
        assert server is not None
        assert has(lines, f"Pages to look at: http://127.0.0.1:{play.pages}/")
        assert has(lines, f"open http://127.0.0.1:{play.pages}/{TO_ACT} {server.first_code}")
        unlinked = Fleet(sample, lambda seconds: seconds, play.seed).unlinked
        assert unlinked is not None
        assert has(lines, f"{unlinked.meter.tag} {TO_LINK} {label_of(unlinked.node)}")
        asked = {"do": "link", "tag": unlinked.meter.tag, "node": label_of(unlinked.node), "who": "fitter"}
        await asyncio.to_thread(ask, play.data, asked)
        assert not has(headline.lines(service), TO_LINK)
        assert has(headline.lines(service), TO_ACT)
        await asyncio.to_thread(People(play.data).add, "fitter", Role.ENGINEER, "a long password")
        assert not has(headline.lines(service), TO_ACT)
        service.stop()

    acting = asyncio.create_task(act())
    ignore = lambda _: None  # noqa: E731 - nobody looks
    await perform(sample, play, started=running.put_nowait, look=ignore, ended=ignore)
    await acting


async def test_a_site_where_each_meter_has_a_node_has_none_to_link(sample: Configuration, play: Play) -> None:
    linked = tuple(meter for meter in sample.declared.meters if meter.node is not None)
    declared = replace(sample.declared, meters=linked)
    assert Fleet(replace(sample, declared=declared), lambda seconds: seconds).unlinked is None
    headline, seen = Headline(replace(sample, declared=declared), play, "aggregator"), list[str]()

    def look_once(service: Service) -> None:
        seen.extend(headline.lines(service))
        service.stop()

    ignore = lambda _: None  # noqa: E731 - nobody looks
    await perform(sample, play, started=look_once, look=ignore, ended=ignore)
    assert has(seen, TO_ACT)
    assert not has(seen, TO_LINK)
