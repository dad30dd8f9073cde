"""Alarms, groups and suppressions of meters.yaml as models, and the usual alarms that a profile offers."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from aggregator.config.keys import Keys, one_of
from aggregator.config.scalars import Wrong
from aggregator.config.values import Between, Duration, Range, Tag, Text, YesNo

LIMITS = ("high_high", "high", "low", "low_low", "rising", "falling", "deviates")
Priorities = Literal["low", "medium", "high", "critical"]
Samples = Annotated[int, Between(1, 100)]


class AnnouncedKeys(Keys):
    """What every alarm has, whatever it watches."""

    priority: Priorities = Field(description="how soon an operator must act")
    latches: YesNo = Field(False, description="stays until somebody resets it, after the condition has gone")
    delay: Duration = Field(0.0, description="how long the condition must last before the alarm is raised")
    off_delay: Duration = Field(0.0, description="how long normal must be proven before it clears")
    samples: Samples = Field(1, description="readings in a row that the condition must last")
    off_samples: Samples = Field(1, description="good readings in a row that normal must be proven by")
    again_after: Duration | None = Field(None, description="announced once more, while it stands acknowledged")
    message: Text | None = Field(None, description="what has happened, for the operator")
    action: Text | None = Field(None, description="what the operator should do")


class AlarmKeys(AnnouncedKeys):
    """One alarm of a meter: a limit of a field, or a condition of the meter itself."""

    field: Text | None = Field(None, description="the field it watches")
    high_high: Text | None = Field(None, description="at or above: 40 %LEL")
    high: Text | None = Field(None, description="at or above")
    low: Text | None = Field(None, description="at or below")
    low_low: Text | None = Field(None, description="at or below")
    rising: Text | None = Field(None, description="rises by as much between two readings: 5 mbar/min")
    falling: Text | None = Field(None, description="falls by as much between two readings")
    deviates: Text | None = Field(None, description="as far away from the field named in `from`")
    from_: Text | None = Field(None, alias="from", description="a field of the same meter, or TAG FIELD of another")
    when: Literal["stale", "fault", "low battery"] | None = Field(None, description="a condition of the meter itself")
    deadband: Text | None = Field(None, description="how far back behind the limit it clears")
    fail_safe: YesNo = Field(False, description="silence and faults count as alarm")
    may_be: Range | None = Field(None, description="within what the limit can be changed while the service runs")

    @model_validator(mode="after")
    def _watches_one_thing(self) -> AlarmKeys:
        one_of(self, (*LIMITS, "when"), "the alarm")
        if self.when is None and self.field is None:
            raise Wrong("the alarm names no `field`", "Say which field it watches")
        if self.when is not None:
            given = [name for name in ("field", "deadband", "may_be") if getattr(self, name) is not None]
            if given or self.fail_safe:
                what = f"an alarm on `when: {self.when}` has no `{(*given, 'fail_safe')[0]}`"
                raise Wrong(what, "It watches the meter itself; leave that out")
        if (self.deviates is None) is not (self.from_ is None):
            raise Wrong("`deviates` and `from` belong together", "Give both, or neither")
        return self

    @property
    def limit(self) -> tuple[str, str] | None:
        """The kind of limit and its text, None for a condition of the meter itself."""
        return next(((name, text) for name in LIMITS if (text := getattr(self, name)) is not None), None)


class VoteKeys(AnnouncedKeys):
    """An alarm that a group raises by the votes of its members."""

    needed: Annotated[int, Between(1, 100)] = Field(description="how many members it takes; 1 is any of them")
    silent: Literal["demands", "left out"] = Field(
        "left out", description="a silent or faulty member votes for the alarm, or one fewer is needed for it"
    )


class GroupKeys(Keys):
    """Alarms that belong together: acknowledged together, voting, and telling which was first up."""

    group: Tag = Field(description="its name; no meter has it")
    alarm: Text = Field(description="the alarm that each member has, by its name: methane high")
    members: list[Tag] = Field(min_length=1, description="the meters, by tag")
    vote: VoteKeys | None = None


class WhileKeys(Keys):
    """The condition under which a suppression holds."""

    meter: Tag
    field: Text
    below: Text | None = None
    above: Text | None = None
    delay: Duration = 0.0

    @model_validator(mode="after")
    def _one_limit(self) -> WhileKeys:
        one_of(self, ("below", "above"), "the condition")
        return self


class SuppressionKeys(Keys):
    """Suppression by design: alarms that announce nothing while a part of the plant is out of use."""

    suppression: Tag = Field(description="its name; no meter or group has it")
    areas: list[Text] = Field(default=[], description="all alarms of the meters there")
    meters: list[Tag] = Field(default=[], description="all alarms of these")
    while_: WhileKeys | None = Field(None, alias="while", description="left out, it is switched by hand")

    @model_validator(mode="after")
    def _covers_something(self) -> SuppressionKeys:
        if not self.areas and not self.meters:
            raise Wrong("the suppression covers nothing", "Name `areas` or `meters`")
        return self
