"""What the service writes about itself: lines for people on a terminal, JSON lines everywhere else.

A flood of the same trouble is written once, and then counted: one line a minute, with how often it came again.
"""

from __future__ import annotations

import contextlib
import logging
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TextIO, cast

import structlog

from aggregator.core.outbox import Note
from aggregator.core.reading import Now

QUIET_FOR = 60.0  # s of the steady clock between two lines about the same thing
MOST_KINDS = 1000  # different things remembered; a scan of odd nodes must not fill memory


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
        self._held: dict[tuple[object, ...], Held] = {}

    def write(self, notes: Iterable[Note], now: Now) -> None:
        """Put notes on record."""
        for note in notes:
            self._write(note, now.monotonic)

    def tell_held(self, now: Now) -> None:
        """Say how often came again what was held back for long enough. Call it now and then."""
        for kind, held in list(self._held.items()):
            if now.monotonic - held.since >= QUIET_FOR:
                del self._held[kind]
                if held.count:
                    self._put(held.note, repeated=held.count)

    def _write(self, note: Note, monotonic: float) -> None:
        kind = (note.event, *(note.facts.get(name) for name in ("reason", "tag", "topic", "node")))
        held = self._held.get(kind)
        if held is not None and monotonic - held.since < QUIET_FOR:
            held.count += 1
            held.note = note
            return
        if len(self._held) >= MOST_KINDS:
            self._held.clear()
        self._held[kind] = Held(note, monotonic)
        self._put(note, **({"repeated": held.count} if held and held.count else {}))

    def _put(self, note: Note, **more: int) -> None:
        write = self._log.warning if note.warning else self._log.info
        write(note.event, **note.facts, **more)


@dataclass(slots=True)
class Held:
    """One kind of note: the last of it, when it was written, and how many came since."""

    note: Note
    since: float
    count: int = 0
