"""map.yaml as models: where meters appear."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from aggregator.config.keys import Keys, one_of, short_too
from aggregator.config.scalars import Wrong
from aggregator.config.values import (
    ADDRESSES,
    ALARM_BITS,
    BIT_ITEMS,
    COIL_ITEMS,
    DISCRETE_ITEMS,
    Address,
    AlarmName,
    Between,
    Coil,
    Exact,
    Flag,
    Name,
    Number,
    Offset,
    Orders,
    Revision,
    Text,
    Unit,
    YesNo,
)
from aggregator.core.encoding import LONGEST_TEXT
from aggregator.core.gateway import FIGURE_NAMES
from aggregator.core.slip import near

ItemTypes = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "text"]
SHORT_ITEMS = (
    "status",
    "grade",
    "reasons",
    "age",
    "counter",
    "node",
    "alarm_priority",
    "acknowledge",
    "reset",
    "under_test",
)
ITEM_KINDS = (
    "field",
    "total_of",
    "status_of",
    "grade_of",
    "reasons_of",
    "age_of",
    "time",
    "radio",
    "gateway",
    "flags",
    "grades",
    "text",
    "constant",
    "scratch",
    "setting",
    "alarms",
    "unacknowledged",
    "alarm_state",
    "alarm_sequence",
    "alarm_peak",
    "setpoint_of",
    "shelve",
    "suppression",
    "show",
)


class ItemKeys(Keys):
    """One item of a layout: what it shows, and how that stands in registers."""

    model_config = short_too({"enum": list(SHORT_ITEMS)})

    show: Literal[SHORT_ITEMS] | None = Field(None, description="a figure of the whole meter")  # type: ignore[valid-type]
    field: Name | None = Field(None, description="a field's value")
    total_of: Name | None = Field(None, description="a field's running total, across wrap, reset and exchange")
    status_of: Name | None = Field(None, description="a field's own status word")
    grade_of: Name | None = Field(None, description="a field's own grade: 1 good, 2 uncertain, 3 bad")
    reasons_of: Name | None = Field(None, description="a field's own reasons, the status word without its grade")
    age_of: Name | None = Field(None, description="a field's own age in seconds")
    time: Literal["observed", "received", "arrived"] | None = Field(
        None, description="when the last uplink was measured, heard by the network, or taken here; seconds since 1970"
    )
    part: Literal["year", "month", "day", "hour", "minute", "second"] | None = Field(
        None, description="one part of a time (UTC) in place of the seconds since 1970"
    )
    of: Name | None = Field(None, description="the one field that a time or flags are of, in place of the whole meter")
    radio: Literal["rssi", "snr", "spreading_factor", "loss"] | None = Field(
        None, description="how the node was last heard; loss: percent of a day's uplinks that never came"
    )
    gateway: Literal[FIGURE_NAMES] | None = Field(None, description="a figure of the gateway")  # type: ignore[valid-type]
    flags: list[Literal[BIT_ITEMS]] | None = Field(None, min_length=1, max_length=16, description="flags, bit 0 first")  # type: ignore[valid-type]
    grades: list[Name] | None = Field(
        None, min_length=1, max_length=32, description="grades of these fields, two bits each, the first in bits 0-1"
    )
    text: Literal["tag", "name", "area", "node"] | None = Field(None, description="a text of the meter")
    constant: Text | None = Field(None, description="a number that never changes")
    scratch: Name | None = Field(None, description="a register to write and read back")
    setting: Name | None = Field(
        None, description="a setting of meters.yaml: to be written as a holding register, what holds as an input one"
    )
    alarms: list[AlarmName] | None = Field(
        None, min_length=1, max_length=64, description="whether these alarms are active, bit 0 first"
    )
    unacknowledged: list[AlarmName] | None = Field(
        None, min_length=1, max_length=64, description="whether these alarms are unacknowledged, bit 0 first"
    )
    alarm_state: AlarmName | None = Field(None, description="the state of an alarm, 1 normal to 9 out of service")
    alarm_sequence: AlarmName | None = Field(
        None, description="the number of an alarm's last raising, by which it is acknowledged; 0 before the first"
    )
    alarm_peak: AlarmName | None = Field(None, description="the furthest that the value has been since it was raised")
    setpoint_of: AlarmName | None = Field(
        None, description="the setpoint in force; as a holding register it is changed within `may_be`"
    )
    shelve: AlarmName | None = Field(
        None, description="for how many more minutes an alarm is shelved; to be written as a holding register"
    )
    suppression: Name | None = Field(
        None, description="whether a suppression is in force; as a holding register, 1 or 0 switches it"
    )
    as_: ItemTypes | None = Field(None, alias="as")
    unit: Unit | None = Field(None, description="default: the field's own")
    scale: Number | None = Field(None, description="value = register * scale + offset")
    offset: Number | None = None
    filler: Exact | None = Field(None, description="register content for no value; default NaN, lowest or all ones")
    stale: Literal["hold", "filler", "refuse"] | None = Field(None, description="what a stale value shows")
    words: Orders | None = None
    bytes_: Orders | None = Field(None, alias="bytes")
    length: Annotated[int, Between(1, LONGEST_TEXT)] | None = Field(
        None, description="registers of a text, two characters each"
    )
    note: Text | None = Field(None, description="a word for the register list")

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        if isinstance(value, str):
            if value not in SHORT_ITEMS:
                raise Wrong(
                    f"`{value}` is no item", near(value, SHORT_ITEMS, "Write {field: NAME, as: TYPE} or one of")
                )
            return {"show": value}
        return value

    @model_validator(mode="after")
    def _shows_one_thing(self) -> ItemKeys:
        one_of(self, ITEM_KINDS, "the item")
        return self


class FlagKeys(Keys):
    """A discrete input: a flag of the meter, of one of its fields, or of its alarms."""

    model_config = short_too({"enum": list(DISCRETE_ITEMS)})

    flag: Flag = Field(description="a grade or a reason, alarm_active or alarm_unacknowledged")
    of: Name | None = Field(None, description="the one field that it is of, in place of the whole meter")
    alarm: AlarmName | None = Field(None, description="the one alarm that it is of, in place of any of the meter")

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        return {"flag": value} if isinstance(value, str) else value

    @model_validator(mode="after")
    def _of_what_it_has(self) -> FlagKeys:
        key, given = ("of", self.of) if self.flag in ALARM_BITS else ("alarm", self.alarm)
        if given is not None:
            raise Wrong(f"`{key}` means nothing for {self.flag}", "Leave it out")
        return self


class CoilKeys(Keys):
    """A coil: a command about the meter or its alarms, or a suppression to be switched."""

    model_config = short_too({"enum": list(COIL_ITEMS)})

    command: Coil | None = Field(None, description="takes the meter into test, acknowledges or resets its alarms")
    suppression: Name | None = Field(None, description="a suppression that is switched by hand: 1 is in force")

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        return {"command": value} if isinstance(value, str) else value

    @model_validator(mode="after")
    def _does_one_thing(self) -> CoilKeys:
        one_of(self, ("command", "suppression"), "the coil")
        return self


class LayoutKeys(Keys):
    """Where a meter's items sit inside its blocks: offset to item, one block a table."""

    input: dict[Offset, ItemKeys] = Field({})
    holding: dict[Offset, ItemKeys] = Field({})
    discrete: dict[Offset, FlagKeys] = Field({})
    coil: dict[Offset, CoilKeys] = Field({})


class RunKeys(Keys):
    """The addresses of a placement in one table."""

    from_: Address = Field(alias="from", description="PDU address of the first meter's block, counted from 0")
    every: Annotated[int, Between(1, 65536)] | None = Field(
        None, description="addresses a meter; default: what the layout needs"
    )


class PlacementKeys(Keys):
    """Meters in a row, all with one layout."""

    layout: Name
    input: RunKeys | None = None
    holding: RunKeys | None = None
    discrete: RunKeys | None = None
    coil: RunKeys | None = None
    meters: list[Name] = Field(min_length=1, description="tags; `spare` keeps a slot free")


class BlockKeys(Keys):
    """Where a built-in block begins, table by table."""

    model_config = short_too(ADDRESSES.json_schema)

    input: Address | None = None
    holding: Address | None = None
    discrete: Address | None = None
    coil: Address | None = None

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        return {"input": value} if isinstance(value, str) else value


class AlarmBlockKeys(Keys):
    """Where a block of alarms begins, table by table."""

    group: Name | None = Field(None, description="the group of alarms; left out, the whole site")
    input: Address | None = None
    holding: Address | None = None
    discrete: Address | None = None
    coil: Address | None = None


OF_OWN_MAP = {"words", "bytes", "gateway_block", "test_block", "alarm_blocks", "place"}
OF_A_STAND_IN = {"stale", "unread"}


class DeviceKeys(Keys):
    """One virtual device."""

    unit: Annotated[int, Between(1, 247)] = Field(description="unit id")
    name: Name | None = Field(None, description="how listeners call it; default: its unit id")
    words: Orders = Field("high-first", description="which register of a long value comes first")
    bytes_: Orders = Field("high-first", alias="bytes", description="which byte of a register comes first")
    answers_all_units: YesNo = False
    gateway_block: BlockKeys | None = Field(None, description="first input register of the gateway's figures")
    test_block: BlockKeys | None = Field(None, description="known values to try word order and scaling with")
    alarm_blocks: list[AlarmBlockKeys] = Field([], description="how the alarms of the site or of a group stand")
    place: list[PlacementKeys] = Field([])
    stand_in: Name | None = Field(None, description="show this meter's own register list, and nothing else")
    stale: Literal["hold", "refuse"] | None = Field(
        None, description="what a stand-in's stale value does; default refuse"
    )
    unread: Annotated[int, Between(0, 65535)] | None = Field(
        None, description="what a stand-in's registers hold that nobody reads; default: they are not there"
    )

    @model_validator(mode="after")
    def _stands_in_or_shows(self) -> DeviceKeys:
        given = {
            field.alias or name for name, field in DeviceKeys.model_fields.items() if name in self.model_fields_set
        }
        wrong = sorted(given & (OF_OWN_MAP if self.stand_in else OF_A_STAND_IN))
        if wrong:
            whose = (
                "a stand-in, which has the meter's own registers" if self.stand_in else "a device that is no stand-in"
            )
            raise Wrong(f"`{wrong[0]}` means nothing for {whose}", "Leave it out")
        return self


class MapKeys(Keys):
    """map.yaml: where it appears."""

    revision: Revision | None = Field(None, description="which issue of the map this is; it stands on register lists")
    layouts: dict[Name, LayoutKeys]
    devices: list[DeviceKeys] = Field(min_length=1)
