"""A link: which node sits on which meter, since when, and all that is on record of it.

A link that has ended stays on record. Of one meter at most one is open, and so of one node.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, NamedTuple

from aggregator.core.agreement import Bounds, Check
from aggregator.core.decoding import Read
from aggregator.core.errors import CannotLink
from aggregator.core.keeping import ClockState, KeptLink
from aggregator.core.uplink import Radio

LONGEST = {"place": 100, "antenna": 100, "note": 500, "photo": 100}  # characters of what is noted of a link
MOST_CHECKS = 50  # comparisons of one link that stay on record; the oldest go first


class Seen(NamedTuple):
    """What the node had sent last when it was linked: when that arrived (UTC s), how it was heard, what it reads."""

    at: float
    radio: Radio
    read: tuple[Read, ...]


class End(NamedTuple):
    """How a link ended: at which UTC second, by whom, why."""

    at: float
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class Link:
    """A node on a meter. Times are UTC s: `since` when it sits there, `entered` when `who` said so.

    `by_file` is one that meters.yaml makes, of which more is known than stands there. `label` is what the code on the
    node said besides its DevEUI. `photo` is the name of a file in the data folder. `clock` is what the gateway's clock
    was worth when it was entered.
    """

    number: int
    tag: str
    node: str
    since: float
    entered: float
    who: str
    clock: ClockState = ClockState.TRUSTED
    by_file: bool = False
    place: str = ""
    antenna: str = ""
    note: str = ""
    photo: str | None = None
    label: Mapping[str, str] = field(default_factory=dict)
    seen: Seen | None = None
    checks: tuple[Check, ...] = ()
    end: End | None = None

    def noted(self, notes: Mapping[str, str]) -> Link:
        """The link with notes, by the names in LONGEST. Raises CannotLink for one that is too long."""
        changes: dict[str, Any] = dict(notes)
        for name, text in notes.items():
            longest = LONGEST[name]
            if len(text) > longest or not text.isprintable():
                raise CannotLink(f"{name} is one line of up to {longest} characters.")
        return replace(self, **changes)

    def checked(self, checks: tuple[Check, ...]) -> Link:
        """The link with more comparisons on record."""
        return replace(self, checks=(*self.checks, *checks)[-MOST_CHECKS:])

    def latest_checks(self) -> dict[str, Check]:
        """The last comparison of each field."""
        return {each.field: each for each in self.checks}

    @property
    def verified(self) -> bool | None:
        """Whether every field that was compared agreed the last time; None where none was."""
        latest = self.latest_checks()
        return all(each.agrees for each in latest.values()) if latest else None

    def as_kept(self) -> KeptLink:
        """The link in the words that the store knows."""
        record = asdict(self)
        for key in ("number", "tag", "node", "since"):
            del record[key]
        record["clock"] = int(self.clock)
        return KeptLink(self.number, self.tag, self.node, self.since, self.end.at if self.end else None, record)

    @classmethod
    def from_kept(cls, kept: KeptLink) -> Link:
        """The link as it was kept."""
        record: dict[str, Any] = dict(kept.record)
        return cls(
            kept.number,
            kept.tag,
            kept.node,
            kept.since,
            **{
                **record,
                "clock": ClockState(record["clock"]),
                "seen": _seen_of(record["seen"]),
                "checks": tuple(Check(**{**each, "bounds": Bounds(*each["bounds"])}) for each in record["checks"]),
                "end": End(*record["end"]) if record["end"] else None,
            },
        )


def _seen_of(kept: Any) -> Seen | None:
    if kept is None:
        return None
    at, radio, read = kept
    return Seen(at, Radio(*radio), tuple(Read(**each) for each in read))
