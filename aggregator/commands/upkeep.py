"""What the control socket can ask on behalf of whoever keeps the site up: what meters need, and what went wrong."""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from itertools import islice

from aggregator.commands.asking import is_number
from aggregator.commands.running import OfTheRunningSite
from aggregator.control import Command, Refused, Request
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.core.upkeep import upkeep_of
from aggregator.keeper import Keeper
from aggregator.store import AsideRow
from aggregator.turns import in_turns

AT_ONCE = 100  # meters looked at before polls get their turn
MOST_METERS = 300  # told in one answer; an answer has its bounds
MOST_ASIDE = 50  # messages told in one answer
LONGEST_SHOWN = 400  # bytes of a message that are shown
MOST_LINES = 200  # of the log


class UpkeepCommands(OfTheRunningSite):
    """The commands about upkeep of one service.

    `log` gives the newest lines of the log, `check` what is wrong with the site's files; that blocks.
    """

    def __init__(
        self,
        site: Callable[[], Site],
        now: Callable[[], Now],
        keeper: Keeper,
        log: Callable[[], Sequence[Mapping[str, object]]],
        check: Callable[[], Sequence[str]],
    ) -> None:
        super().__init__(site, now)
        self._keeper = keeper
        self._newest_lines = log
        self._problems = check

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {"upkeep": self.upkeep, "aside": self.aside, "log": self.log, "check": self.check}

    async def upkeep(self, request: Request) -> Mapping[str, object]:
        """What meters need, worst first; with `all` every meter. `from` is how many of them to leave out."""
        every, skip = request.get("all") is True, request.get("from", 0)
        if not isinstance(skip, int) or skip < 0:
            raise Refused("`from` is a whole number, not below 0.")
        states = in_turns(list(self._site.states.values()), AT_ONCE)
        found = [upkeep_of(state, self._now()) async for state in states]
        counts = Counter(need.kind for each in found for need in each.needs)
        told = sorted((each for each in found if every or each.needs), key=lambda each: -each.weight)
        return {
            "meters": [asdict(each) for each in told[skip : skip + MOST_METERS]],
            "count": len(told),
            "of": len(found),
            "needs": counts,
        }

    async def aside(self, request: Request) -> Mapping[str, object]:
        """The messages set aside, oldest first, a part at a time: those beyond the id `after`. Times are UTC s."""
        after = request.get("after", 0)
        if not is_number(after):
            raise Refused("`after` is the id of a message.")
        found = await asyncio.to_thread(self._set_aside, int(after))
        told = [
            {
                "id": row.id,
                "at": row.kept.at,
                "reason": row.kept.reason,
                "detail": row.kept.detail,
                "topic": row.kept.topic,
                "node": row.kept.node,
                "message": row.kept.message[:LONGEST_SHOWN].decode("utf-8", "replace"),
                "bytes": len(row.kept.message),
            }
            for row in found[:MOST_ASIDE]
        ]
        return {"messages": told, "more": len(found) > MOST_ASIDE}

    def _set_aside(self, after: int) -> list[AsideRow]:
        """A part of the messages, and one more where there are more. Blocks."""
        with contextlib.closing(self._keeper.store.aside(after)) as rows:
            return list(islice(rows, MOST_ASIDE + 1))

    async def log(self, _request: Request) -> Mapping[str, object]:
        """The newest lines of the log, oldest first."""
        return {"lines": [dict(line) for line in self._newest_lines()[-MOST_LINES:]]}

    async def check(self, _request: Request) -> Mapping[str, object]:
        """What is wrong with the site's files as they now are; nothing is changed."""
        return {"problems": list(await asyncio.to_thread(self._problems))}
