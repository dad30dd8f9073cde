"""What the service writes about itself: lines for people on a terminal, JSON lines everywhere else.

A flood of the same trouble is written once, and then counted: one line a minute, with how often it came again.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterable

import structlog

from aggregator.core.outbox import Note
from aggregator.core.reading import Now

QUIET_FOR = 60.0  # s of the steady clock between two lines about the same thing
MOST_KINDS = 1000  # different things remembered; a scan of odd nodes must not fill memory


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
            structlog.processors.TimeStamper(fmt="iso", utc=not for_people),
            *([] if for_people else [structlog.processors.dict_tracebacks]),
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )


class Record:
    """Writes the site's notes, holding back repetitions."""

    def __init__(self, logger: structlog.typing.FilteringBoundLogger) -> None:
        self._log = logger
        self._held: dict[tuple[object, ...], tuple[float, int]] = {}  # kind -> (last written, held back since)

    def write(self, notes: Iterable[Note], now: Now) -> None:
        """Put notes on record."""
        for note in notes:
            self._write(note, now.monotonic)

    def _write(self, note: Note, monotonic: float) -> None:
        kind = (note.event, note.facts.get("reason"), note.facts.get("tag") or note.facts.get("topic"))
        written, held = self._held.get(kind, (None, 0))
        if written is not None and monotonic - written < QUIET_FOR:
            self._held[kind] = (written, held + 1)
            return
        if len(self._held) >= MOST_KINDS:
            self._held.clear()
        self._held[kind] = (monotonic, 0)
        facts = {**note.facts, "repeated": held} if held else note.facts
        write = self._log.warning if note.warning else self._log.info
        write(note.event, **facts)
