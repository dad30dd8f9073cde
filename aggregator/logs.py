"""What the service writes about itself: lines for people on a terminal, JSON lines everywhere else.

A flood of the same trouble is written once, and then counted: one line a minute, with how often it came again.
"""

from __future__ import annotations

import contextlib
import logging
import sys
from collections import deque
from collections.abc import Iterable
from typing import TextIO, cast

import structlog

from aggregator.core.outbox import Note
from aggregator.core.reading import Now
from aggregator.core.repeats import Repeats

NOT_FOR_PEOPLE = {"exc_info", "stack_info"}
NOTHING: tuple[object, ...] = (None, [], "")  # facts that say nothing: a meter alarm has no value


class Unbreakable:
    """A stream whose writes do not fail: a full disk behind the log is no reason to stop serving."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        with contextlib.suppress(OSError, ValueError):
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            self._stream.flush()


RECENT = 500  # lines of the log that can be asked for while the service runs
_recent: deque[dict[str, str]] = deque(maxlen=RECENT)


def recent_lines() -> list[dict[str, str]]:
    """The newest lines of this process's log, oldest first, each a mapping of words."""
    return list(_recent)


def _keep(_logger: object, _method: str, line: structlog.typing.EventDict) -> structlog.typing.EventDict:
    _recent.append({key: str(value) for key, value in line.items() if key not in NOT_FOR_PEOPLE})
    return line


def configure(level: str, *, for_people: bool) -> None:
    """Set up structlog for the whole process."""
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), pad_event_to=30)
        if for_people
        else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="%Y-%m-%d %H:%M:%S" if for_people else "iso", utc=not for_people),
            _keep,
            *([] if for_people else [structlog.processors.dict_tracebacks]),
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
        logger_factory=structlog.PrintLoggerFactory(cast("TextIO", Unbreakable(sys.stderr))),
        cache_logger_on_first_use=True,
    )


class Record:
    """Writes the site's notes, holding back repetitions; what was held back is told once its time is over."""

    def __init__(self, logger: structlog.typing.FilteringBoundLogger) -> None:
        self._log = logger
        self._repeats: Repeats[Note] = Repeats()

    def write(self, notes: Iterable[Note], now: Now) -> None:
        """Put notes on record."""
        for note in notes:
            kind = (note.event, *(note.facts.get(name) for name in ("reason", "tag", "topic", "node")))
            repeated = self._repeats.tell(kind, note, now.monotonic)
            if repeated is not None:
                self._put(note, **({"repeated": repeated} if repeated else {}))

    def tell_held(self, now: Now) -> None:
        """Say how often came again what was held back for long enough. Call it now and then."""
        for note, repeated in self._repeats.over(now.monotonic):
            self._put(note, repeated=repeated)

    def _put(self, note: Note, **more: int) -> None:
        write = self._log.warning if note.warning else self._log.info
        write(note.event, **{name: fact for name, fact in note.facts.items() if fact not in NOTHING}, **more)
