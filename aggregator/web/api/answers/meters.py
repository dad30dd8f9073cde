"""One meter as it now stands, and what it was told to do."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from aggregator.web.api.answers import Answer, Number
from aggregator.web.api.answers.alarms import AlarmNow
from aggregator.web.api.answers.mapping import HeldItem
from aggregator.web.api.answers.quality import Judged, Radio, Value


class InTest(Answer):
    """Who holds a meter in test, since when, why."""

    who: str
    why: str
    since: float


class Loss(Answer):
    """How many of a node's uplinks get lost."""

    over_a_day: float | None = Field(description="percent")
    since_start: int


class Battery(Answer):
    """The node's battery, in the unit of its field."""

    field: str
    value: Value | None
    unit: str
    low_below: Number | None


class Substituted(Answer):
    """What is shown in place of a field's readings, in its unit; by whom, why, until when."""

    value: Number
    who: str
    why: str
    until: float


class FieldNow(Judged):
    """A field as it is shown; `read` is what the meter itself reported. `low` and `high` bound what it may be."""

    field: str
    label: str
    unit: str
    decimals: int
    value: Value | None
    observed: float | None = Field(description="when the node says that it was read, where it says so")
    received: float | None = Field(description="when the network heard it")
    arrived: float | None = Field(description="when it came to the gateway")
    age: float | None
    stale_after: float
    low: Number | None
    high: Number | None
    computed: bool
    optional: bool
    counts: bool
    total: float | None = Field(description="the running total, in the field's unit")
    read: Value | None
    substitute: Substituted | None


class MeterNow(Judged):
    """All that is known of one meter now."""

    tag: str
    name: str
    area: str
    profile: str
    node: str | None
    reports_every: float
    stale_after: float
    says: str = Field(description="its quality in a sentence")
    trouble: int = Field(description="how much it needs somebody; 0: it is well")
    under_test: bool
    test: InTest | None
    heard: float | None
    age: float | None
    counter: int | None
    radio: Radio
    loss: Loss
    battery: Battery | None
    fields: list[FieldNow]
    alarms: list[AlarmNow]


class Step(Answer):
    """One item of an uplink: its bytes, the number before any scale, the value, and how that is judged by itself."""

    field: str
    label: str
    where: str
    data: str = Field(description="hexadecimal; empty where it came decoded")
    raw: Value | None
    scale: str
    value: Value | None
    unit: str
    says: str | None = Field(description="what the meter says in place of a value")
    quality: str


class Uplink(Answer):
    """An uplink and how it reads, step by step; `wrong` is why it, or the rest of it, cannot be read."""

    at: float
    topic: str
    node: str
    counter: int
    port: int | None
    session: str | None
    observed: float | None
    received: float | None
    radio: Radio
    payload: str | None = Field(description="hexadecimal")
    decoded: Any = Field(description="as the network server decoded it")
    way: str | None = Field(description="decoded, bytes, response or records; null where nothing is declared for it")
    steps: list[Step]
    wrong: str | None


class Uplinks(Answer):
    """The last uplinks since the start, newest first."""

    uplinks: list[Uplink]


class Place(HeldItem):
    """An item of a meter, where it stands, and what it holds now."""

    device: str
    unit_id: int
    declared_at: str = Field(description="file and line")


class Places(Answer):
    """Every place of a meter in the map."""

    tag: str
    places: list[Place]


class HeldInTest(Answer):
    """Whether a meter is in test now."""

    tag: str
    under_test: bool


class Substitution(Answer):
    """What is shown from now on, in the field's unit, until when."""

    tag: str
    field: str
    value: Number
    unit: str
    until: float


class Withdrawn(Answer):
    """The field whose readings are shown again."""

    tag: str
    field: str


class TotalSet(Answer):
    """A running total as it goes on from now, in the field's unit."""

    tag: str
    field: str
    total: Number
