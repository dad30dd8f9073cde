"""What every family of commands stands on: the site that runs now, and the present."""

from __future__ import annotations

from collections.abc import Callable

from aggregator.commands.asking import LONGEST_NAME
from aggregator.control import Refused
from aggregator.core.meter import MeterState
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.core.slip import no_meter


class OfTheRunningSite:
    """Commands about the site that runs: `site` gives it and `now` the present, each time anew."""

    def __init__(self, site: Callable[[], Site], now: Callable[[], Now]) -> None:
        self._site_now = site
        self._now = now

    @property
    def _site(self) -> Site:
        """The site that runs now: its files may have been taken anew meanwhile."""
        return self._site_now()

    def _state_of(self, tag: object) -> MeterState:
        """The meter that is meant. Raises Refused, with the tag that was probably meant."""
        state = self._site.states.get(tag) if isinstance(tag, str) else None
        if state is None:
            raise Refused(no_meter(str(tag)[:LONGEST_NAME], self._site.states))
        return state
