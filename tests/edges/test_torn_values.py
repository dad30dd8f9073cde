"""No value is ever torn, and none ever stands beside a status of another moment.

`pair` is a uint32 whose two registers always agree, `quad` a uint64 whose two halves do. Both have a range that ends in
the middle of their type, so that their status word follows from the value itself: any mixture shows.
"""

from __future__ import annotations

import asyncio
import struct
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from typing import TYPE_CHECKING

import pytest
from pymodbus.client import ModbusTcpClient

from aggregator.core.reading import Now

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Served

CHANGES, POLLS, REST = 2000, 400, 8
TURN = 1e-4  # s that a busy thread keeps the interpreter from others: a poll needs it several times, 5 ms each as usual
GOOD, OUT_OF_RANGE = 1, 1 << 4 | 2  # the status word's grade, and with its reason (aggregator/core/reading.py)
START, COUNT = 100, 16


@pytest.fixture(autouse=True)
def _short_turns() -> Iterator[None]:
    before = sys.getswitchinterval()
    sys.setswitchinterval(TURN)
    yield
    sys.setswitchinterval(before)


async def change_often(house: Served, uplink: Callable[..., bytes], enough: Event) -> int:
    """Change both values over and over, giving the loop its turn between any two. Returns how often."""
    counter = 0
    while counter < CHANGES or not enough.is_set():
        counter += 1
        half = counter * 0x9E37 % 0xFFFF  # all over the 16 bits but for the filler: every other value is out of range
        message = uplink(counter, pair=half * 0x0001_0001, quad=half * 0x0001_0001_0001_0001)
        house.site.receive("lns/alder-fen/a/up", message, retained=False, now=Now(1e4 + counter, 1.8e9))
        house.site.take_kept()  # else what waits for a store grows, and the collector walks all of it
        await asyncio.sleep(0 if counter % REST else 0.0005)  # the clients' threads need the interpreter too
    return counter


def seen(words: Sequence[int]) -> int:
    """Hold one block against what it promises; returns the value that it shows."""
    data = struct.pack(">16H", *words)
    pair, quad = struct.unpack_from(">I", data, 16)[0], struct.unpack_from(">Q", data, 20)[0]
    half = int(pair) & 0xFFFF
    assert pair == half * 0x0001_0001
    assert quad == half * 0x0001_0001_0001_0001, "pair and quad came in one uplink"
    assert words[14] == (OUT_OF_RANGE if pair > 2147483647 else GOOD)
    assert words[15] == (OUT_OF_RANGE if quad > 4611686018427387904 else GOOD)
    return half


def test_a_value_polled_while_it_changes_is_whole_and_of_its_own_status(
    served: Callable[..., Served], caller: Callable[[int], Caller], uplink: Callable[..., bytes]
) -> None:
    house = served()
    first = uplink(0, pair=0, quad=0)
    house.call(lambda: house.site.receive("lns/alder-fen/a/up", first, retained=False, now=Now(1e4, 1.8e9)))
    raw = caller(house.port)
    library = ModbusTcpClient("127.0.0.1", port=house.port)
    assert library.connect()  # type: ignore[no-untyped-call]
    enough = Event()
    changing = asyncio.run_coroutine_threadsafe(change_often(house, uplink, enough), house.loop)

    def poll_raw() -> set[int]:
        return {seen(raw.registers(START, COUNT)) for _ in range(POLLS)}

    def poll_library() -> set[int]:
        polls = (library.read_input_registers(START, count=COUNT, device_id=1) for _ in range(POLLS))
        return {seen(answer.registers) for answer in polls}

    with ThreadPoolExecutor(2) as threads:
        both = threads.submit(poll_raw), threads.submit(poll_library)
        try:
            values = [each.result(60) for each in both]
        finally:
            enough.set()
    library.close()  # type: ignore[no-untyped-call]
    assert changing.result(60) >= CHANGES
    assert min(map(len, values)) > 50, "the values did change between polls"
