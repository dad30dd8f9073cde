"""Alarms as they stand, how well they serve, and what was done about them."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from aggregator.web.api.answers import Answer, Number, Row
from aggregator.web.api.answers.quality import Judged, Value

Priority = Literal["low", "medium", "high", "critical"]


class Present(Judged):
    """What an alarm's field reads at this moment."""

    value: Value | None
    unit: str


class Written(Answer):
    """The unit in which people wrote a rate, and what values and limits are times to be in it."""

    unit: str
    times: float


class Shelf(Answer):
    """Until when an alarm is shelved, by whom, why."""

    until: float
    who: str
    why: str


class AlarmNow(Answer):
    """One alarm; `tag` is that of its meter or the name of its group. Values and limits are in `unit`.

    `value` is what raised it, `peak` the furthest of that raising, `now` what the field reads at this moment.
    """

    tag: str
    name: str
    area: str
    alarm: str
    field: str | None
    state: str
    says: str = Field(description="what there is to say of it: its name and its state, or that it stands in a test")
    in_test: bool = Field(description="its condition stands, and nothing is announced: the meter is held in test")
    owed: bool = Field(description="nobody has acknowledged it yet")
    aside: bool = Field(description="shelved, suppressed or out of service")
    latches: bool
    priority: Priority
    condition: bool
    value: Value | None
    peak: Value | None
    now: Present | None
    setpoint: Number | None
    setpoint_of_file: Number | None
    may_be: list[Number] | None = Field(description="the lowest and the highest that the setpoint may be")
    unit: str
    written: Written | None
    raised: float | None
    sequence: int
    message: str
    action: str
    detected_within: float | None
    shelf: Shelf | None


class Suppression(Answer):
    """A suppression, and whether it is switched by hand."""

    name: str
    on: bool
    by_hand: bool


class AlarmsNow(Answer):
    """Alarms, worst first, 300 at most of `count`; `first_up` is what a group raised first: tag and alarm."""

    alarms: list[AlarmNow]
    count: int
    unacknowledged: int
    meters_in_alarm: int
    sounder: bool
    first_up: dict[str, list[str]]
    suppressions: list[Suppression]


class Figure(Answer):
    """A figure as people read it, beside what it should be and who says so."""

    name: str
    value: str
    target: str
    source: str


class AlarmFigures(Answer):
    """How well the alarms serve (ISA-18.2, IEC 62682): periods are of ten minutes.

    `worst` and `chattering` are lists of tag, alarm and how often.
    """

    begin: float
    end: float
    announced: int
    most_in_period: int
    most_in_day: int
    periods: int
    flooded_periods: int
    hours: int
    flooded_hours: int
    worst: list[Row]
    chattering: list[Row]
    standing: int
    most_standing: int
    priorities: dict[str, int]
    figures: list[Figure]


class Acknowledged(Answer):
    """How many were acknowledged now, were so already, or were raised anew meanwhile; how many still are not."""

    acknowledged: int
    already: int
    raised_anew: int
    unacknowledged: int


class Done(Answer):
    """The alarm's state after what was asked."""

    tag: str
    alarm: str
    state: str


class SetpointNow(Done):
    """The alarm's setpoint and state after what was asked, in the field's unit."""

    setpoint: Number


class Sounder(Answer):
    """Whether the sounder still sounds."""

    sounder: bool


class Switched(Answer):
    """Whether a suppression is on now."""

    name: str
    on: bool
