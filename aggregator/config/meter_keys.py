"""meters.yaml as models: what exists."""

from __future__ import annotations

from pydantic import Field

from aggregator.config.alarm_keys import AlarmKeys, GroupKeys, SuppressionKeys
from aggregator.config.keys import Keys
from aggregator.config.values import Duration, Moment, Name, Node, Range, Tag, Text, Unit


class MeterDefaults(Keys):
    """What holds for every meter that does not say otherwise."""

    reports_every: Duration | None = None
    stale_after: Duration | None = None
    usual_alarms_confirmed_by: Text | None = Field(None, description="as with a meter")


class MeterKeys(Keys):
    """One meter."""

    tag: Tag
    name: Text
    area: Text = "site"
    profile: Name = Field(description="the meter model, a file in profiles/")
    node: Node | None = Field(None, description="DevEUI of the node that is wired to it")
    reports_every: Duration | None = Field(None, description="how often the node sends")
    stale_after: Duration | None = Field(None, description="older readings are stale; default three intervals")
    calibration_due: Moment | None = Field(None, description="the day by which it is to be calibrated: 2027-03-01")
    alarms: list[AlarmKeys] = Field(default=[], description="its own; one of the same name goes before the profile's")
    usual_alarms_confirmed_by: Text | None = Field(
        None, description="takes over the alarms that its profile offers; who at the site has confirmed them, and when"
    )


class SettingKeys(Keys):
    """A number of the site that may be changed while the service runs."""

    unit: Unit = ""
    label: Text | None = Field(None, description="what it is, in a few words")
    may_be: Range = Field(description="what it may be set to: `100 .. 900 m3/h`")
    default: Text = Field(description="what it is before anybody sets it")


class MetersKeys(Keys):
    """meters.yaml: what exists."""

    defaults: MeterDefaults = MeterDefaults()
    meters: list[MeterKeys] = Field(min_length=1)
    groups: list[GroupKeys] = Field(default=[])
    suppressions: list[SuppressionKeys] = Field(default=[])
    settings: dict[Name, SettingKeys] = Field(default={})
