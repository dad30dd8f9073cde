"""A site's files taken anew again and again: no old site stays in memory, though the collector is told not to look."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from aggregator import collector
from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.control import ask
from aggregator.core.site import Site

if TYPE_CHECKING:
    from tests.edges.conftest import Service

SAMPLE = Path(__file__).parents[2] / "config"
PAGE = 4096  # bytes, as /proc/PID/statm counts (proc(5))
RELOADS = 40
METERS = 150


@pytest.fixture
def own_pace() -> Iterator[None]:
    """The collector as it was before, afterwards."""
    before = gc.get_threshold()
    yield
    gc.set_threshold(*before)
    gc.unfreeze()
    gc.enable()


@pytest.mark.usefixtures("own_pace")
@pytest.mark.parametrize("folder", ["small", "sample"])
def test_a_site_that_was_taken_over_falls_apart_without_the_collector(folder: str, site: Callable[..., Path]) -> None:
    path = SAMPLE if folder == "sample" else site(alarms="{field: flow, high: 100 m3/h, priority: high}")
    now = Clock().now()
    old = Site(load(path).declared, now)
    new = Site(replace(old.declared, meters=tuple(replace(each) for each in old.declared.meters)), now, old)
    parts = [weakref.ref(each) for each in (old, *old.images.values(), *old.tables.values(), old.annunciator)]
    with collector.held_back():
        new.take_over(old, "test", now)
        old.let_go()
        del old
        assert [each() for each in parts] == [None] * len(parts)
        assert not gc.isenabled()
    assert gc.isenabled()
    new.tick(now)
    assert new.take_kept()


@pytest.mark.usefixtures("own_pace")
def test_what_is_left_out_is_not_walked_again() -> None:
    collector.begin()
    assert gc.get_threshold()[0] == collector.GARBAGE
    assert gc.get_freeze_count() > 0
    ring: list[object] = []
    ring.append(ring)
    before = gc.get_freeze_count()
    collector.leave_out()
    assert gc.get_freeze_count() > before


def test_memory_does_not_grow_with_the_count_of_reloads(
    site: Callable[..., Path], service: Callable[..., Service]
) -> None:
    folder = site(meters=METERS)
    running = service(folder)

    def memory() -> int:
        return int(Path(f"/proc/{running.process.pid}/statm").read_text().split()[1]) * PAGE

    def reload(times: int) -> None:
        for _ in range(times):
            ask(folder / "data", {"do": "reload", "who": "test"})

    reload(10)  # what the first ones need stays
    before = memory()
    reload(RELOADS)
    each = (memory() - before) / RELOADS
    print(f"{each / 1024:.0f} KiB a reload of {METERS} meters")
    assert each < 1024 * METERS  # measured with old sites that stay: 19 KiB a meter
