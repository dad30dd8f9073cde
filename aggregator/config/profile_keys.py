"""profiles/*.yaml as models: what a meter model measures, and how its payload reads."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from aggregator.config.alarm_keys import AlarmKeys
from aggregator.config.keys import Keys, one_of, short_too
from aggregator.config.scalars import Wrong
from aggregator.config.values import (
    Address,
    Between,
    Bits,
    Duration,
    Exact,
    FieldAt,
    Functions,
    Gas,
    Name,
    Number,
    Orders,
    Range,
    RawNumber,
    Text,
    Unit,
    YesNo,
)
from aggregator.core.functions import MOST_REGISTERS_READ

BinaryTypes = Literal[
    "int8", "uint8", "int16", "uint16", "int24", "uint24", "int32", "uint32", "int64", "uint64", "float32", "float64"
]
RegisterTypes = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
StampTypes = Literal["uint8", "uint16", "uint24", "uint32", "uint64"]
AgeUnits = Literal["s", "min", "h"]
RESPONSE_PARTS = ("address", "function", "count", "registers", "crc")

COMPUTED = ("average_of", "covered_of", "highest_of", "mixture_of")


class CountKeys(Keys):
    """How a meter's counter counts, so that its running total carries on across wrap, reset and exchange."""

    wraps_at: Text | None = Field(None, description="the count at which it shows zero again: 100000000 m3")
    fastest: Text | None = Field(None, description="the most it can grow by: 650 m3/h; more is held as odd")


class FieldKeys(Keys):
    """One quantity the model measures."""

    unit: Unit = Field("", description="`-` for a plain number")
    label: Text | None = Field(None, description="what it is, in a few words")
    range: Range | None = Field(None, description="what the meter can measure")
    decimals: Annotated[int, Between(0, 9)] = Field(2, description="for people; registers keep every digit")
    optional: YesNo = Field(False, description="some nodes never send it, and that is no fault")
    stale_after: Duration | None = Field(None, description="for a field that is sent more rarely than the others")
    can_show: Range | None = Field(
        None, description="what it can show at all; anything else is a fault, no measurement"
    )
    fastest: Text | None = Field(
        None, description="how quickly it can change: 20 %LEL/min; faster is flagged as jumped"
    )
    stuck_after: Duration | None = Field(None, description="how long it can stand still; longer is flagged as stuck")
    low_below: Text | None = Field(None, description="for a battery: below this it is low")
    agrees_within: Text | None = Field(
        None, description="how far a reading may be from the meter's own display when a link is verified: 2 mbar"
    )
    gas: Gas | None = Field(None, description="the gas whose concentration it is; ppm can then be shown as mg/m3")
    lel: Text | None = Field(
        None, description="for %LEL: what 100 % stands for by the detector's calibration: 4.4 %vol"
    )
    average_of: Name | None = Field(None, description="no meter sends it: the time-weighted average of another field")
    covered_of: Name | None = Field(None, description="no meter sends it: how much of a window readings cover, in %")
    highest_of: Name | None = Field(None, description="no meter sends it: the highest value in a window")
    over: Duration | None = Field(None, description="the window: 8 h, 15 min")
    mixture_of: dict[Name, Text] | None = Field(
        None, description="no meter sends it: gases that act alike, each field over its limit, summed: {h2s: 10 ppm}"
    )
    covers_at_least: Annotated[int, Between(1, 100)] = Field(
        75, description="% of the window that readings must cover; below it the field says `incomplete`"
    )
    counts: CountKeys | None = Field(None, description="for a counter: how it counts; its running total can be mapped")

    @model_validator(mode="after")
    def _computed_one_way(self) -> FieldKeys:
        ways = [name for name in COMPUTED if getattr(self, name) is not None]
        if len(ways) > 1:
            raise Wrong(f"the field has {' and '.join(f'`{name}`' for name in ways)}", "Keep one of them")
        windowed = bool(ways) and ways[0] != "mixture_of"
        if windowed is not (self.over is not None):
            what = f"`{ways[0]}` names no window" if windowed else "`over` is the window of nothing"
            raise Wrong(what, "Give both: {average_of: h2s, over: 8 h}" if windowed else "Leave it out")
        return self


class DecodedKeys(Keys):
    """Where the network server's decoder puts a field."""

    model_config = short_too({"type": ["string", "number"]})

    at: FieldAt = Field(description="key, or JSON Pointer into the decoded object")
    unit: Unit | None = None
    scale: Number = 1.0
    offset: Number = 0.0
    faults: dict[RawNumber, Text] = Field({}, description="raw numbers that are codes, and what each means")

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        return {"at": value} if isinstance(value, str) else value


class BinaryItemKeys(Keys):
    """One value in a binary payload."""

    field: Name
    at: Annotated[int, Between(0, 255)] = Field(description="byte it begins at, counted from 0")
    as_: BinaryTypes = Field(alias="as")
    order: Literal["big", "little"] | None = None
    bits: Bits | None = Field(None, description="a run of bits of the number: 3, or 0-3")
    unit: Unit | None = None
    scale: Number = 1.0
    offset: Number = 0.0
    faults: dict[RawNumber, Text] = Field({}, description="raw numbers that are codes, and what each means")


class BinaryTimeKeys(Keys):
    """When a binary record was measured: UTC seconds since 1970."""

    at: Annotated[int, Between(0, 255)] = Field(description="byte it begins at, counted from the record's first")
    as_: StampTypes = Field("uint32", alias="as")
    order: Literal["big", "little"] | None = None


class BinaryAgeKeys(BinaryTimeKeys):
    """How long before its uplink a binary record was measured."""

    as_: StampTypes = Field("uint16", alias="as")
    unit: AgeUnits = Field("s", description="what it is counted in")


class RecordsKeys(Keys):
    """Several readings in one payload, each with its time: records of one size, up to the payload's end."""

    from_: Annotated[int, Between(0, 255)] = Field(0, alias="from", description="byte at which the first record begins")
    every: Annotated[int, Between(1, 255)] = Field(description="bytes of a record; `at` of items counts from its first")
    time: BinaryTimeKeys | None = Field(None, description="when it was measured, UTC seconds since 1970")
    age: BinaryAgeKeys | None = Field(None, description="how long before the uplink it was measured")

    @model_validator(mode="after")
    def _dated_one_way(self) -> RecordsKeys:
        one_of(self, ("time", "age"), "the record")
        return self


class DecodedAgeKeys(Keys):
    """How long before its uplink a decoded record was measured."""

    model_config = short_too({"type": "string"})

    at: FieldAt = Field(description="key, or JSON Pointer into the record")
    unit: AgeUnits = Field("s", description="what it is counted in")

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        return {"at": value} if isinstance(value, str) else value


class DecodedRecordsKeys(Keys):
    """Several readings in one decoded object, each with its time: an array of objects that read as `decoded` says."""

    each: FieldAt = Field(description="key of the array, or JSON Pointer to it")
    time: FieldAt | None = Field(None, description="when it was measured: RFC 3339 text, or seconds since 1970")
    age: DecodedAgeKeys | None = Field(None, description="how long before the uplink it was measured")

    @model_validator(mode="after")
    def _dated_one_way(self) -> DecodedRecordsKeys:
        one_of(self, ("time", "age"), "the record")
        return self


class BinaryKeys(Keys):
    """A payload laid out byte by byte."""

    order: Literal["big", "little"] = "big"
    records: RecordsKeys | None = Field(None, description="for a payload that carries several readings")
    items: list[BinaryItemKeys] = Field(min_length=1)


class ReadKeys(Keys):
    """One Modbus read that the node repeats to its meter."""

    function: Functions = "3"
    from_: Address = Field(alias="from", description="meter's PDU address of the first register")
    count: Annotated[int, Between(1, MOST_REGISTERS_READ)] | None = Field(
        None, description="how many registers it asks for; default: as many as come"
    )


class ResponseKeys(Keys):
    """A payload that is what the meter answered on its serial port."""

    parts: Text = Field("address function count registers crc", description="what of the response the node hands on")
    reads: list[ReadKeys] = Field(min_length=1)


class ProfilePayloadKeys(Keys):
    """What a raw payload holds, by port."""

    port: Annotated[int, Between(1, 223)] | None = Field(None, description="LoRaWAN port; left out: every other port")
    binary: BinaryKeys | None = None
    modbus: ResponseKeys | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> ProfilePayloadKeys:
        one_of(self, ("binary", "modbus"), "the payload")
        return self


class AtRegisterKeys(Keys):
    """Where a line of a meter's own register list stands, and how its number reads."""

    function: Functions | None = None
    at: Address = Field(description="PDU address, counted from 0")
    as_: RegisterTypes = Field("uint16", alias="as")
    bits: Bits | None = None
    words: Orders | None = None
    bytes_: Orders | None = Field(None, alias="bytes")
    unit: Unit | None = None
    scale: Number = 1.0
    offset: Number = 0.0
    faults: dict[RawNumber, Text] = Field({}, description="raw numbers that are codes, and what each means")


class RegisterKeys(AtRegisterKeys):
    """One line of the meter's own register list."""

    field: Name


class WiredKeys(AtRegisterKeys):
    """One line of the register list that the meter had for those who read it by wire."""

    field: Name | None = None
    constant: Exact | None = Field(None, description="a number that stands there always, as the register holds it")

    @model_validator(mode="after")
    def _one_thing(self) -> WiredKeys:
        one_of(self, ("field", "constant"), "the register")
        return self


class WiredListKeys(Keys):
    """The register list that a stand-in shows, where it is another than the one the node reads."""

    function: Functions = "3"
    words: Orders = "high-first"
    bytes_: Orders = Field("high-first", alias="bytes")
    items: list[WiredKeys] = Field(min_length=1)


class RegisterListKeys(Keys):
    """The meter's own Modbus register list, as in its manual."""

    function: Functions = "3"
    words: Orders = "high-first"
    bytes_: Orders = Field("high-first", alias="bytes")
    items: list[RegisterKeys] = Field(min_length=1)


class ProfileKeys(Keys):
    """profiles/*.yaml: what a meter model measures, and how its payload reads."""

    profile: Name
    title: Text
    fields: dict[Name, FieldKeys] = Field(min_length=1)
    decoded: dict[Name, DecodedKeys] | None = Field(None, description="default: each field under its own name")
    decoded_records: DecodedRecordsKeys | None = Field(
        None, description="where several readings of one uplink stand; without them it is read as `decoded`"
    )
    payloads: list[ProfilePayloadKeys] = Field([])
    registers: RegisterListKeys | None = None
    alarms: list[AlarmKeys] = Field(
        default=[], description="usual alarms; a meter has them once somebody at its site has confirmed them"
    )
    wired: WiredListKeys | None = Field(None, description="what a stand-in of such a meter shows; default: `registers`")
