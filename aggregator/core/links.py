"""The links on record: those that are open, by meter, and those that have ended."""

from __future__ import annotations

from collections.abc import Iterable

from aggregator.core.keeping import KeptLink
from aggregator.core.link import Link
from aggregator.core.outbox import Outbox


class Links:
    """All links of a site. What changes of one is kept by way of `outbox`."""

    def __init__(self, outbox: Outbox) -> None:
        self.open: dict[str, Link] = {}  # by tag; those of meters that are declared no longer rest
        self.past: dict[str, list[Link]] = {}  # by tag, those that have ended, oldest first
        self._outbox = outbox
        self._last_number = 0

    def new_number(self) -> int:
        """The number of a link that begins."""
        self._last_number += 1
        return self._last_number

    def restore(self, kept: Iterable[KeptLink]) -> None:
        """Go on from before a restart."""
        for each in sorted(kept, key=lambda kept: kept.number):
            self._last_number = max(self._last_number, each.number)
            self._put(Link.from_kept(each))

    def keep(self, link: Link) -> None:
        """Put a link on record as it is now."""
        self._put(link)
        self._outbox.link(link.as_kept())

    def has_photo(self, name: str) -> bool:
        """Whether a link on record names a photo."""
        return any(link.photo == name for links in (self.open.values(), *self.past.values()) for link in links)

    def ended_of(self, tag: str, node: str) -> Iterable[Link]:
        """The links of a meter or of a node that have ended."""
        yield from self.past.get(tag, ())
        yield from (link for links in self.past.values() for link in links if link.node == node and link.tag != tag)

    def _put(self, link: Link) -> None:
        if link.end is None:
            self.open[link.tag] = link
            return
        self.past.setdefault(link.tag, []).append(link)
        open_ = self.open.get(link.tag)
        if open_ is not None and open_.number == link.number:
            del self.open[link.tag]
