"""A store in a folder of its own, uplinks to put into it, and waiting for what its writer does."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol

import pytest

from aggregator.core.keeping import ClockState, KeptReading, KeptUplink
from aggregator.core.uplink import NO_RADIO, Radio
from aggregator.store import Limits, Store

BEGIN = 1_790_000_000.0  # UTC s, an arbitrary moment in 2026
PATIENCE = 20.0  # s

Until = Callable[[Callable[[], object]], None]


class MakeUplink(Protocol):
    def __call__(
        self,
        number: int,
        *,
        tag: str = ...,
        node: str | None = ...,
        at: float | None = ...,
        readings: tuple[KeptReading, ...] | None = ...,
        late: bool = ...,
        clock: ClockState = ...,
        radio: Radio = ...,
    ) -> KeptUplink: ...


@pytest.fixture
def uplink() -> MakeUplink:
    """Uplinks by their number: counter `number`, one a second, carrying their number as the flow."""

    def make(
        number: int,
        *,
        tag: str = "FT-101",
        node: str | None = "0a1def0000000001",
        at: float | None = None,
        readings: tuple[KeptReading, ...] | None = None,
        late: bool = False,
        clock: ClockState = ClockState.TRUSTED,
        radio: Radio = NO_RADIO,
    ) -> KeptUplink:
        moment = BEGIN + number if at is None else at
        values = (KeptReading("flow", number, 0, "m3/h"),) if readings is None else readings
        return KeptUplink(tag, node, number, moment, None, moment, moment + 0.25, clock, late, radio, values)

    return make


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.db"


@pytest.fixture
def open_store(path: Path) -> Iterator[Callable[..., Store]]:
    """Opens stores, by default on `path`, and closes them after the test."""
    opened: list[Store] = []

    def open_one(place: Path = path, **limits: float | None) -> Store:
        store = Store.open(place, Limits(**limits))  # type: ignore[arg-type]
        opened.append(store)
        return store

    yield open_one
    for store in opened:
        store.close()


@pytest.fixture
def store(open_store: Callable[..., Store]) -> Store:
    return open_store()


@pytest.fixture
def until() -> Until:
    def wait(is_so: Callable[[], object]) -> None:
        end = time.monotonic() + PATIENCE
        while not is_so():
            assert time.monotonic() < end, "waited in vain"
            time.sleep(0.002)

    return wait


@pytest.fixture
def settle(until: Until) -> Callable[[Store], None]:
    """Waits until all that was put so far is on disk."""

    def wait(store: Store) -> None:
        safe: list[bool] = []
        store.put([], lambda: safe.append(True))
        until(lambda: safe)

    return wait
