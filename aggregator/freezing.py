"""Whether a freeze of the map was lifted by taking its file away: nobody is refused, but it must not pass unseen.

`aggregator thaw` leaves the file, which then says that nothing is frozen any more. The store keeps the count, so that a
file which goes while the service is down is missed at the next start.
"""

from __future__ import annotations

from collections.abc import Mapping

from aggregator.config.configuration import Configuration
from aggregator.core.freeze import line_count
from aggregator.core.keeping import SITE, KeptState, Remembered

NAME = "frozen items"
LIFTED = "freeze lifted, as map.frozen.yaml is gone"


class Freezing:
    """How many items were frozen when the site's files were last taken."""

    def __init__(self) -> None:
        self._known = 0

    def recall(self, remembered: Mapping[str, Remembered]) -> None:
        """Know the count again after a restart."""
        kept = remembered[SITE].states.get(NAME) if SITE in remembered else None
        self._known = kept if type(kept) is int else 0

    def take(self, configuration: Configuration) -> tuple[int, list[KeptState]]:
        """Take a site's files: how many items are frozen no more as the file is gone, and what is to be kept."""
        count, before = line_count(configuration.frozen), self._known
        self._known = count
        lifted = before if not configuration.freezes else 0
        return lifted, [KeptState(SITE, NAME, count or None)] if count != before else []
