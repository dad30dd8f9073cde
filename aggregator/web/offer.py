"""What the service offers to the web room: the running site, and the commands that the control socket has too."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from aggregator.core.reading import Now
from aggregator.core.site import Site

Answer = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Offer:
    """All that pages and programs get to know and to do, by one road with the command line.

    `ask` carries out one of the service's commands by its name; it raises AggregatorError with a sentence. `keep` has
    what the site brought about put on record.
    """

    site: Callable[[], Site]
    now: Callable[[], Now]
    ask: Callable[[str, Mapping[str, object]], Awaitable[Answer]]
    keep: Callable[[], None]
    data: Path
