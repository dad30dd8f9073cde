"""When a site's files are taken anew: a command, SIGHUP, or a change of the files themselves. One at a time, and whole.

    asked for -> the new site built and put in place (`take`) -> what remains to be done -> the old site let go

Whatever goes wrong on the way, the service goes on: with the site that ran before where the new one could not be put in
its place.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import structlog

from aggregator import collector, systemd
from aggregator.config.configuration import load
from aggregator.core.errors import AggregatorError, ConfigurationError
from aggregator.declared import CannotStart
from aggregator.modbus_server import CannotListen
from aggregator.mqtt import TlsProblem

BETWEEN = 0.02  # s after a new site is put in place, for the polls that waited meanwhile
FILES_EVERY = 2.0  # s between looks at the site's files; a change must stand for one
DEFECT = "a defect of this program kept the files from being taken; the service's log has the particulars."

log = structlog.get_logger("service")


class NotTaken(AggregatorError):
    """The site's files could not be taken anew; the message says why, a line for each problem."""


@dataclass(frozen=True, slots=True)
class Taken:
    """A new site is in place: what lets the old one go, what remains to be done, and what is told of it then."""

    let_go: Callable[[], None]
    settle: Callable[[], Awaitable[None]]
    told: Callable[[], Mapping[str, object]]


def look_of(folder: Path) -> frozenset[tuple[str, int, int]]:
    """What tells a change of a site's files: names, times and sizes."""
    found = set()
    for path in (*folder.glob("*.yaml"), *folder.glob("profiles/*.yaml")):
        with contextlib.suppress(OSError):  # an editor puts a new one in its place just now, or it cannot be looked at
            about = path.stat()
            found.add((str(path), about.st_mtime_ns, about.st_size))
    return frozenset(found)


def problems_of(folder: Path) -> list[str]:
    """What is wrong with a site's files as they now are, a line for each problem."""
    try:
        load(folder)
    except ConfigurationError as error:
        return [str(problem) for problem in error.problems]
    return []


class Reloading:
    """Has the files of `folder` taken anew: by `put`, for whoever asked; `refuse` puts on record why they were not."""

    def __init__(
        self, folder: Path, put: Callable[[str], Awaitable[Taken]], refuse: Callable[[Sequence[str], str], None]
    ) -> None:
        self._folder = folder
        self._put = put
        self._refuse = refuse
        self._lock = asyncio.Lock()
        self._begun = asyncio.Event()
        self._files = look_of(folder)
        self.hung_up = asyncio.Event()  # SIGHUP came; one that comes during the start waits for its end

    def begin(self) -> None:
        """Take files from now on: all that they change is open. Who asked for it during the start has waited."""
        self._begun.set()

    async def take(self, who: str) -> Mapping[str, object]:
        """Take the site's files anew: built whole beside the running site, and put in its place between two requests.

        Raises NotTaken where they are wrong, something outside is in the way, or this program has a defect there; all
        goes on as it was then. Once begun it goes on, though whoever asked is gone: a page that asks may itself be
        served otherwise by it.
        """
        return await asyncio.shield(asyncio.create_task(self._take(who), name="reload"))

    async def _take(self, who: str) -> Mapping[str, object]:
        await self._begun.wait()
        async with self._lock:
            systemd.notify_reloading()
            with collector.held_back():
                try:
                    taken = await self._put(who)
                except (ConfigurationError, CannotStart, CannotListen, TlsProblem) as error:
                    problems = [str(each) for each in getattr(error, "problems", ())] or [str(error)]
                    for problem in problems:
                        log.warning("file wrong", problem=problem)
                    raise self._not_taken(problems, who) from error
                except Exception as error:
                    log.exception("files not taken, a defect of this program")
                    raise self._not_taken([DEFECT], who) from error
                finally:
                    systemd.notify("READY=1")
                await taken.settle()
                await asyncio.sleep(BETWEEN)
                taken.let_go()
                collector.leave_out()
            return taken.told()

    def _not_taken(self, problems: Sequence[str], who: str) -> NotTaken:
        self._refuse(problems, who)
        return NotTaken("\n".join(problems))

    async def on_signal(self) -> None:
        """Take them at each SIGHUP."""
        while True:
            await self.hung_up.wait()
            self.hung_up.clear()
            with contextlib.suppress(NotTaken):  # it has been said
                await self.take("SIGHUP")

    async def follow(self, wanted: Callable[[], bool]) -> None:
        """Take them when they have changed and stand still again, where the site wants that."""
        taken = seen = self._files
        while True:
            await asyncio.sleep(FILES_EVERY)
            last, seen = seen, await asyncio.to_thread(look_of, self._folder)
            if seen == taken or seen != last or not wanted():
                continue
            taken = seen
            with contextlib.suppress(NotTaken):
                await self.take("files")
