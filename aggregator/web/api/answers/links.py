"""Links: how far the site is, and what is on record of each."""

from __future__ import annotations

from pydantic import Field

from aggregator.core.link_progress import Stage
from aggregator.web.api.answers import Answer, Number
from aggregator.web.api.answers.quality import Clock, Radio, Read, Value
from aggregator.web.api.answers.service import Replayed


class Counts(Answer):
    """How many meters there are, and how far they are."""

    meters: int
    linked: int
    heard: int
    verified: int
    disagree: int
    not_yet: int


class Progress(Answer):
    """A meter and its stage; `age` is that of its node's last uplink. A meter the files no longer have is but a tag."""

    tag: str
    name: str
    area: str
    stage: Stage
    node: str | None
    by_file: bool
    since: float | None
    who: str | None
    age: float | None


class Links(Answer):
    """How far the site is, and a part of its meters."""

    counts: Counts
    nodes_on_no_meter: int
    meters: list[Progress]
    count: int


class Seen(Radio):
    """What the node had sent last when it was linked, and how it was heard."""

    at: float
    reads: list[Read]


class Check(Answer):
    """A comparison of a display with the reading, in `unit`: the display may be so far `below` and `above` it."""

    at: float
    who: str
    field: str
    shows: Number
    read: Number
    unit: str
    age: float
    off: Number
    below: Number
    above: Number
    agrees: bool
    says: str


class End(Answer):
    """When a link ended, by whom, why."""

    at: float
    who: str
    why: str


class Link(Answer):
    """A node on a meter: since when it sits there, when who entered it, what was noted, seen and compared."""

    number: int
    tag: str
    node: str
    since: float
    entered: float
    who: str
    by_file: bool
    place: str
    antenna: str
    note: str
    photo: str | None = Field(description="its name under photos/")
    clock: Clock
    label: dict[str, str] = Field(description="what the code on the node said besides its DevEUI")
    verified: bool | None
    seen: Seen | None
    checks: list[Check]
    end: End | None


class LinksOf(Progress):
    """A meter's open link, and those that have ended, newest first."""

    link: Link | None
    past: list[Link]


class Bounds(Answer):
    """How far a display may be below the reading and above it."""

    below: Number
    above: Number


class Comparable(Answer):
    """A field that a display can be held against; `value` is the newest of the link's node."""

    field: str
    label: str
    unit: str
    value: Value | None
    age: float | None
    bounds: Bounds | None
    quality: str | None


class Counter(Answer):
    """A running total, and what the counter showed last."""

    total: float
    last: float | None


class AtTheMeter(LinksOf):
    """What whoever stands at a meter needs to know of it."""

    profile: str
    title: str
    reports_every: float
    declared_at: str = Field(description="file and line")
    signal: Radio | None
    fields: list[Comparable]
    counters: dict[str, Counter | None]


class PutOnNow(LinksOf):
    """The meter's links after that; how many uplinks of the node were set aside, and what became of those taken."""

    set_aside: int
    taken: Replayed | None


class MeterSwapped(LinksOf):
    """The meter's links after that, and its running totals by field."""

    totals: dict[str, float]
