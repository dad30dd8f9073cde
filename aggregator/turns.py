"""Long work on the service's loop, in turns so short that no poll waits for it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable
from typing import TypeVar

T = TypeVar("T")


async def in_turns(things: Iterable[T], at_once: int) -> AsyncIterator[T]:
    """Hand out one thing after another; between every so many of them whatever else waits is done."""
    for count, each in enumerate(things):
        if count and count % at_once == 0:
            await asyncio.sleep(0)
        yield each
