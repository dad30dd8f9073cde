"""Long work in turns."""

from __future__ import annotations

import asyncio

import pytest

from aggregator.turns import in_turns


@pytest.mark.parametrize(
    ("many", "at_once", "handed_out_at_each_turn"),
    [(0, 2, [0]), (2, 2, [2]), (5, 2, [2, 4, 5]), (3, 1, [1, 2, 3])],
)
async def test_other_work_is_done_between_every_so_many(
    many: int, at_once: int, handed_out_at_each_turn: list[int]
) -> None:
    handed_out = 0

    async def work() -> None:
        nonlocal handed_out
        async for each in in_turns(range(many), at_once):
            assert each == handed_out
            handed_out += 1

    task, counts = asyncio.create_task(work()), list[int]()
    while not task.done():
        await asyncio.sleep(0)
        counts.append(handed_out)
    task.result()
    assert counts == handed_out_at_each_turn
