"""How far a site is with its links: which meters have a node, which of those were heard, which are verified."""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from typing import NamedTuple

from aggregator.core.link import Link
from aggregator.core.linking import Linking
from aggregator.core.meter import MeterState
from aggregator.core.reading import Now


class Stage(StrEnum):
    """How far one meter is; each stage has what those before it have. The values are the words people read."""

    NOT_YET = "not linked"
    LINKED = "not heard"
    HEARD = "not verified"
    DISAGREES = "does not agree"
    VERIFIED = "verified"


class Progress(NamedTuple):
    """One meter: its node where it has one, by the file or not, and since when and by whom where that is on record.

    `age` (s) is that of the last uplink of that node, None before the first. Times are UTC s.
    """

    tag: str
    name: str
    area: str
    stage: Stage
    node: str | None
    by_file: bool
    since: float | None
    who: str | None
    age: float | None


def progress_of(state: MeterState, linking: Linking, now: Now) -> Progress:
    """How far a meter is, by what it shows and what is on record of its node."""
    meter, times = state.meter, state.heard_here
    link = linking.links.open.get(meter.tag)
    age = None if times is None else max(0.0, now.monotonic - times.since)
    on_record = (None, None) if link is None else (link.since, link.who)
    seat = state.node, meter.node is not None, *on_record, age
    return Progress(meter.tag, meter.name, meter.area, _stage(state.node, link, age), *seat)


def _stage(node: str | None, link: Link | None, age: float | None) -> Stage:
    if node is None:
        return Stage.NOT_YET
    verified = None if link is None else link.verified
    if verified is not None:
        return Stage.VERIFIED if verified else Stage.DISAGREES
    return Stage.LINKED if age is None else Stage.HEARD


def counted(rows: list[Progress]) -> dict[str, int]:
    """How many meters there are, and how many are linked, heard and verified, or not linked yet."""
    at = Counter(row.stage for row in rows)
    linked = len(rows) - at[Stage.NOT_YET]
    return {
        "meters": len(rows),
        "linked": linked,
        "heard": linked - at[Stage.LINKED],
        "verified": at[Stage.VERIFIED],
        "disagree": at[Stage.DISAGREES],
        "not_yet": at[Stage.NOT_YET],
    }
