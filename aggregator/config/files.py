"""The four kinds of file a site keeps, as models: what each key is called, what it holds and what it means.

The descriptions here are the ones an editor shows through the JSON Schemas (`aggregator schema`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator
from pydantic_core import CoreSchema, core_schema

from aggregator.config import scalars
from aggregator.config.scalars import Wrong
from aggregator.config.units import unit
from aggregator.core.gateway import FIGURE_NAMES
from aggregator.core.image import FLAG_NAMES
from aggregator.core.pointer import Pointer
from aggregator.core.topic import problem_with

SPARE = "spare"


def _pointer(value: object) -> str:
    given = value if value == "" else scalars.text(value)
    assert isinstance(given, str)
    try:
        return Pointer(given).text
    except ValueError:
        raise Wrong(f"`{given}` is no JSON Pointer (RFC 6901)", f"Begin it with a slash: /{given}") from None


def _field_pointer(value: object) -> str:
    """A pointer into the decoded object; a bare key stands for the pointer to it."""
    given = scalars.text(value)
    return _pointer(given if given.startswith("/") else "/" + given.replace("~", "~0").replace("/", "~1"))


def _topic(value: object) -> str:
    given = scalars.text(value)
    wrong = problem_with(given)
    if wrong:
        raise Wrong(
            f"the topic filter `{given}` {wrong}", "Write levels between slashes, + for one level, # for the rest"
        )
    return given


def _range(value: object) -> str:
    given = scalars.text(value)
    if given.count("..") != 1:
        raise Wrong(f"`{given}` is no range", "Write the lowest and the highest value: 0 .. 650")
    return given


def _name(value: object) -> str:
    given = scalars.text(value)
    if any(character.isspace() or character in ",;\"'" for character in given):
        raise Wrong(
            f"`{given}` has a blank, comma or quote in it", "Write a name without them, for instance with dashes"
        )
    return given


def _tag(value: object) -> str:
    given = _name(value)
    if given == SPARE:
        raise Wrong("`spare` is no tag", "It keeps a slot free in map.yaml; give the meter another tag")
    return given


# An editor reads `101` as a number and `0` as one too, where the files here are taken as text: both are let pass.
WRITTEN = WithJsonSchema({"type": ["string", "number"]})
Text = Annotated[str, BeforeValidator(scalars.text), WRITTEN]
Name = Annotated[str, BeforeValidator(_name), WRITTEN]
Tag = Annotated[str, BeforeValidator(_tag), WRITTEN]
Number = Annotated[float, BeforeValidator(scalars.number), WithJsonSchema({"type": "number"})]
Exact = Annotated[int | float, BeforeValidator(scalars.exact), WithJsonSchema({"type": ["number", "string"]})]
YesNo = Annotated[bool, BeforeValidator(scalars.yes_or_no), WithJsonSchema({"enum": ["yes", "no", True, False]})]
Duration = Annotated[
    float, BeforeValidator(scalars.duration), WithJsonSchema({"type": "string", "examples": ["30 s", "15 min", "2 h"]})
]
Node = Annotated[
    str,
    BeforeValidator(scalars.node),
    WithJsonSchema({"type": ["string", "integer"], "examples": ["70b3d57ed0000101"]}),
]
At = Annotated[str, BeforeValidator(_pointer), WithJsonSchema({"type": "string", "pattern": "^(/.*)?$"})]
FieldAt = Annotated[str, BeforeValidator(_field_pointer), WithJsonSchema({"type": "string"})]
Topic = Annotated[str, BeforeValidator(_topic), WithJsonSchema({"type": "string"})]
Unit = Annotated[str, BeforeValidator(unit), WithJsonSchema({"type": "string", "examples": ["m3/h", "mbar", "%LEL"]})]
Range = Annotated[
    str, BeforeValidator(_range), WithJsonSchema({"type": "string", "examples": ["0 .. 650", "-20 .. 60 °C"]})
]
Listens = Annotated[
    tuple[str, int], BeforeValidator(scalars.listens), WithJsonSchema({"type": "string", "examples": ["0.0.0.0:502"]})
]
Bits = Annotated[tuple[int, int], BeforeValidator(scalars.bits), WithJsonSchema({"type": ["string", "integer"]})]
Orders = Literal["high-first", "low-first"]
Functions = Annotated[Literal["3", "4"], WithJsonSchema({"enum": [3, 4, "3", "4"]})]
Versions = Annotated[Literal["5", "3.1.1"], WithJsonSchema({"enum": [5, "5", "3.1.1"]})]


@dataclass(frozen=True, slots=True)
class Between:
    """Marks a whole number that must lie between two others, both included."""

    low: int
    high: int

    def check(self, value: object) -> int:
        """The number in a text. Raises Wrong where it is none, or lies elsewhere."""
        given = scalars.whole(value)
        if not self.low <= given <= self.high:
            size = "small" if given < self.low else "large"
            raise Wrong(f"{given} is too {size}", f"Write a number from {self.low} to {self.high}")
        return given

    def __get_pydantic_core_schema__(self, source: object, handler: Callable[[object], CoreSchema]) -> CoreSchema:
        return core_schema.no_info_before_validator_function(self.check, handler(source))

    def __get_pydantic_json_schema__(self, _schema: CoreSchema, _handler: object) -> dict[str, object]:
        return self.json_schema

    @property
    def json_schema(self) -> dict[str, object]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


ADDRESSES = Between(0, 65535)
Address = Annotated[int, ADDRESSES]


class Keys(BaseModel):
    """What every part of a file is: keys that are all known, values that never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def _short_too(short: dict[str, object]) -> ConfigDict:
    """Have the JSON Schema allow a model's short form, a single value, beside its mapping."""

    def allow(schema: dict[str, Any]) -> None:
        mapping = dict(schema)
        schema.clear()
        schema["anyOf"] = [short, mapping]

    return ConfigDict(json_schema_extra=allow)


def _one_of(model: Keys, names: tuple[str, ...], what: str) -> None:
    given = [name for name in names if getattr(model, name) is not None]
    if len(given) != 1:
        listed = ", ".join(f"`{name}`" for name in names)
        raise Wrong(f"{what} has {'both ' + ' and '.join(given) if given else 'none'} of {listed}", "Give exactly one")


# site.yaml


class SecretKeys(Keys):
    """A secret, kept outside the file."""

    file: Text | None = Field(None, description="path of a file that holds it, readable by the service's user only")
    environment: Text | None = Field(None, description="name of the environment variable that holds it")

    @model_validator(mode="before")
    @classmethod
    def _never_in_the_file(cls, value: object) -> object:
        if isinstance(value, str):
            raise Wrong(
                "a password may not stand in this file",
                "Write {file: PATH} or {environment: NAME} and put the password there",
            )
        return value

    @model_validator(mode="after")
    def _from_one_place(self) -> SecretKeys:
        _one_of(self, ("file", "environment"), "the secret")
        return self


class TlsKeys(Keys):
    """TLS towards the broker."""

    ca: Text | None = Field(None, description="PEM file of the certificate authority; default: the system's own")
    certificate: Text | None = Field(None, description="PEM file of this client's certificate, where the broker asks")
    key: Text | None = Field(None, description="PEM file of its key")


class BrokerKeys(Keys):
    """The MQTT broker that uplinks come from."""

    host: Text
    port: Annotated[int, Between(1, 65535)] = 1883
    version: Versions = Field("5", description="MQTT version")
    client: Name = Field("aggregator", description="client id; two services with the same one throw each other out")
    user: Text | None = None
    password: SecretKeys | None = None
    tls: TlsKeys | None = Field(None, description="give it (even empty: {}) to use TLS")
    keepalive: Duration = Field(15.0, description="a dead link is noticed after about twice this")
    keeps: Duration = Field(604800.0, description="how long the broker keeps our queue while we are away")


class PayloadKeys(Keys):
    """Where the raw payload stands in the message, and how its bytes are written."""

    at: At
    as_: Literal["base64", "hex"] = Field("base64", alias="as")


class RadioKeys(Keys):
    """How well the uplink was heard."""

    rssi: At | None = Field(None, description="dBm")
    snr: At | None = Field(None, description="dB")
    spreading_factor: At | None = None


class UplinkKeys(Keys):
    """One kind of message: its topics, and JSON Pointers (RFC 6901) to its parts."""

    topic: Topic = Field(description="MQTT topic filter")
    node: At = Field(description="the node's DevEUI")
    counter: At | None = Field(None, description="frame counter: tells doubled and lost uplinks")
    port: At | None = Field(None, description="LoRaWAN port: chooses among the profile's payloads")
    observed: At | None = Field(None, description="when the node measured")
    received: At | None = Field(None, description="when the network heard it")
    fields: At | None = Field(None, description="the object of decoded fields")
    payload: PayloadKeys | None = Field(None, description="raw bytes, decoded by the profile")
    radio: RadioKeys | None = None

    @model_validator(mode="after")
    def _carries_something(self) -> UplinkKeys:
        if self.fields is None and self.payload is None:
            raise Wrong(
                "neither `fields` nor `payload` is given", "Say where the decoded fields or the raw bytes stand"
            )
        return self


class ListenerKeys(Keys):
    """Where plant software connects."""

    tcp: Listens = Field(description="Modbus TCP on this address and port")
    clients: Annotated[int, Between(1, 10000)] = Field(
        64, description="connections at once; beyond that the longest idle one goes"
    )
    idle: Duration = Field(600.0, description="a connection that says nothing for so long is closed")


class LogKeys(Keys):
    """What the service writes about itself."""

    level: Literal["debug", "info", "warning"] = "info"


class SiteKeys(Keys):
    """site.yaml: the service."""

    site: Text = Field(description="the site's name")
    broker: BrokerKeys
    uplinks: list[UplinkKeys] = Field(min_length=1)
    listeners: list[ListenerKeys] = Field(min_length=1)
    log: LogKeys = LogKeys()


# meters.yaml


class MeterDefaults(Keys):
    """What holds for every meter that does not say otherwise."""

    reports_every: Duration | None = None
    stale_after: Duration | None = None


class MeterKeys(Keys):
    """One meter."""

    tag: Tag
    name: Text
    area: Text = "site"
    profile: Name = Field(description="the meter model, a file in profiles/")
    node: Node | None = Field(None, description="DevEUI of the node that is wired to it")
    reports_every: Duration | None = Field(None, description="how often the node sends")
    stale_after: Duration | None = Field(None, description="older readings are stale; default three intervals")


class MetersKeys(Keys):
    """meters.yaml: what exists."""

    defaults: MeterDefaults = MeterDefaults()
    meters: list[MeterKeys] = Field(min_length=1)


# map.yaml

ItemTypes = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "text"]
SHORT_ITEMS = ("status", "age", "counter")
BIT_ITEMS = FLAG_NAMES
WHOLE_COIL = "under_test"
ITEM_KINDS = ("field", "status_of", "age_of", "radio", "gateway", "flags", "text", "constant", "scratch", "show")


class ItemKeys(Keys):
    """One item of a layout: what it shows, and how that stands in registers."""

    model_config = _short_too({"enum": list(SHORT_ITEMS)})

    show: Literal["status", "age", "counter"] | None = Field(None, description="a figure of the whole meter")
    field: Name | None = Field(None, description="a field's value")
    status_of: Name | None = Field(None, description="a field's own status word")
    age_of: Name | None = Field(None, description="a field's own age in seconds")
    radio: Literal["rssi", "snr", "spreading_factor"] | None = Field(None, description="how the node was last heard")
    gateway: Literal[FIGURE_NAMES] | None = Field(None, description="a figure of the gateway")  # type: ignore[valid-type]
    flags: list[Literal[FLAG_NAMES]] | None = Field(None, min_length=1, max_length=16, description="flags, bit 0 first")  # type: ignore[valid-type]
    text: Literal["tag", "name", "area"] | None = Field(None, description="a text of the meter")
    constant: Text | None = Field(None, description="a number that never changes")
    scratch: Name | None = Field(None, description="a register to write and read back")
    as_: ItemTypes | None = Field(None, alias="as")
    unit: Unit | None = Field(None, description="default: the field's own")
    scale: Number | None = Field(None, description="value = register * scale + offset")
    offset: Number | None = None
    filler: Exact | None = Field(None, description="register content for no value; default NaN, lowest or all ones")
    stale: Literal["hold", "filler", "refuse"] | None = Field(None, description="what a stale value shows")
    words: Orders | None = None
    bytes_: Orders | None = Field(None, alias="bytes")
    length: Annotated[int, Between(1, 64)] | None = Field(None, description="registers of a text, two characters each")
    note: Text | None = Field(None, description="a word for the register list")

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        if isinstance(value, str):
            if value not in SHORT_ITEMS:
                raise Wrong(f"`{value}` is no item", f"Write {', '.join(SHORT_ITEMS)}, or {{field: NAME, as: TYPE}}")
            return {"show": value}
        return value

    @model_validator(mode="after")
    def _shows_one_thing(self) -> ItemKeys:
        _one_of(self, ITEM_KINDS, "the item")
        return self


def _flag(value: object) -> str:
    given = scalars.text(value)
    if given not in BIT_ITEMS:
        raise Wrong(f"`{given}` is no flag", f"Write one of {', '.join(BIT_ITEMS)}")
    return given


def _coil(value: object) -> str:
    given = scalars.text(value)
    if given != WHOLE_COIL:
        raise Wrong(f"`{given}` is no coil item", f"Write {WHOLE_COIL}")
    return given


def _offset(value: object) -> int:
    """The key of an item. Decimal only: `16` and `0x10` would be one offset under two keys."""
    given = scalars.text(value)
    if not given.isascii() or not given.isdigit():
        raise Wrong(f"`{given}` is no offset", "Write decimal digits, counted from 0 at the start of the meter's block")
    return ADDRESSES.check(given)


Flag = Annotated[str, BeforeValidator(_flag), WithJsonSchema({"enum": list(BIT_ITEMS)})]
Coil = Annotated[str, BeforeValidator(_coil), WithJsonSchema({"enum": [WHOLE_COIL]})]
Offset = Annotated[int, BeforeValidator(_offset), WithJsonSchema({"type": "string", "pattern": "^[0-9]+$"})]


class LayoutKeys(Keys):
    """Where a meter's items sit inside its blocks: offset to item, one block a table."""

    input: dict[Offset, ItemKeys] = {}
    holding: dict[Offset, ItemKeys] = {}
    discrete: dict[Offset, Flag] = {}
    coil: dict[Offset, Coil] = {}


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

    model_config = _short_too(ADDRESSES.json_schema)

    input: Address | None = None
    holding: Address | None = None
    discrete: Address | None = None
    coil: Address | None = None

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: object) -> object:
        return {"input": value} if isinstance(value, str) else value


class DeviceKeys(Keys):
    """One virtual device."""

    unit: Annotated[int, Between(1, 247)] = Field(description="unit id")
    words: Orders = Field("high-first", description="which register of a long value comes first")
    bytes_: Orders = Field("high-first", alias="bytes", description="which byte of a register comes first")
    answers_all_units: YesNo = False
    gateway_block: BlockKeys | None = Field(None, description="first input register of the gateway's figures")
    test_block: BlockKeys | None = Field(None, description="known values to try word order and scaling with")
    place: list[PlacementKeys] = []


class MapKeys(Keys):
    """map.yaml: where it appears."""

    layouts: dict[Name, LayoutKeys]
    devices: list[DeviceKeys] = Field(min_length=1)


# profiles/*.yaml

BinaryTypes = Literal[
    "int8", "uint8", "int16", "uint16", "int24", "uint24", "int32", "uint32", "int64", "uint64", "float32", "float64"
]
RegisterTypes = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
RESPONSE_PARTS = ("address", "function", "count", "registers", "crc")


class FieldKeys(Keys):
    """One quantity the model measures."""

    unit: Unit = Field("", description="`-` for a plain number")
    label: Text | None = Field(None, description="what it is, in a few words")
    range: Range | None = Field(None, description="what the meter can measure")
    decimals: Annotated[int, Between(0, 9)] = Field(2, description="for people; registers keep every digit")
    optional: YesNo = Field(False, description="some nodes never send it, and that is no fault")
    stale_after: Duration | None = Field(None, description="for a field that is sent more rarely than the others")


class DecodedKeys(Keys):
    """Where the network server's decoder puts a field."""

    model_config = _short_too({"type": ["string", "number"]})

    at: FieldAt = Field(description="key, or JSON Pointer into the decoded object")
    unit: Unit | None = None
    scale: Number = 1.0
    offset: Number = 0.0

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


class BinaryKeys(Keys):
    """A payload laid out byte by byte."""

    order: Literal["big", "little"] = "big"
    items: list[BinaryItemKeys] = Field(min_length=1)


class ReadKeys(Keys):
    """One Modbus read that the node repeats to its meter."""

    function: Functions = "3"
    from_: Address = Field(alias="from", description="meter's PDU address of the first register")


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
        _one_of(self, ("binary", "modbus"), "the payload")
        return self


class RegisterKeys(Keys):
    """One line of the meter's own register list."""

    field: Name
    function: Functions | None = None
    at: Address = Field(description="PDU address, counted from 0")
    as_: RegisterTypes = Field("uint16", alias="as")
    bits: Bits | None = None
    words: Orders | None = None
    bytes_: Orders | None = Field(None, alias="bytes")
    unit: Unit | None = None
    scale: Number = 1.0
    offset: Number = 0.0


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
    payloads: list[ProfilePayloadKeys] = []
    registers: RegisterListKeys | None = None


FILES: dict[str, type[Keys]] = {
    "site": SiteKeys,
    "meters": MetersKeys,
    "map": MapKeys,
    "profile": ProfileKeys,
}


def schema_of(kind: str) -> dict[str, Any]:
    """The JSON Schema of a kind of file: `site`, `meters`, `map` or `profile`."""
    schema = FILES[kind].model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
