"""The four kinds of file a site keeps, as models: what each key is called, what it holds and what it means.

The descriptions here are the ones an editor shows through the JSON Schemas (`aggregator schema`).
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from aggregator.config.findings import near
from aggregator.config.scalars import Wrong
from aggregator.config.values import (
    ADDRESSES,
    BIT_ITEMS,
    Address,
    At,
    Between,
    Bits,
    ClientId,
    Coil,
    Duration,
    Exact,
    FieldAt,
    Flag,
    Functions,
    KeepAlive,
    Listens,
    Name,
    Node,
    Number,
    Offset,
    Orders,
    Range,
    RawNumber,
    Size,
    Tag,
    Text,
    Topic,
    Unit,
    User,
    Versions,
    YesNo,
)
from aggregator.core.encoding import LONGEST_TEXT
from aggregator.core.gateway import FIGURE_NAMES


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
    given = [f"`{name}`" for name in names if getattr(model, name) is not None]
    if len(given) > 1:
        raise Wrong(f"{what} has {' and '.join(given)}", "Keep one of them")
    if not given:
        raise Wrong(f"{what} has none of {', '.join(f'`{name}`' for name in names)}", "Give one of them")


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
    client: ClientId = Field("aggregator", description="client id; two services with the same one throw each other out")
    user: User | None = None
    password: SecretKeys | None = None
    tls: TlsKeys | None = Field(None, description="give it (even empty: {}) to use TLS")
    keepalive: KeepAlive = Field(15.0, description="a dead link is noticed after about twice this")
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

    @property
    def own_host(self) -> str:
        """Where this machine itself reaches the listener."""
        return "127.0.0.1" if self.tcp[0] == "0.0.0.0" else self.tcp[0]  # noqa: S104 - every network includes our own


class LogKeys(Keys):
    """What the service writes about itself."""

    level: Literal["debug", "info", "warning"] = "info"


class StorageKeys(Keys):
    """The history, the journal and messages set aside, in one file. All of it stays with the site."""

    folder: Text | None = Field(None, description="default: the service manager's state folder, else data/ here")
    keep: Duration = Field(63072000.0, description="readings older than this go; default two years")
    keep_journal: Duration = Field(315360000.0, description="events older than this go; default ten years")
    most: Size = Field(2_000_000_000, description="size of the file; beyond it the oldest readings go")
    set_aside: Annotated[int, Between(0, 1_000_000)] = Field(
        1000, description="how many messages that could not be taken are kept"
    )
    hold_back: Duration | None = Field(
        None, description="let a commit wait so long for more uplinks: less wear of a flash card, later acknowledgement"
    )


class SiteKeys(Keys):
    """site.yaml: the service."""

    site: Text = Field(description="the site's name")
    broker: BrokerKeys
    uplinks: list[UplinkKeys] = Field(min_length=1)
    listeners: list[ListenerKeys] = Field(min_length=1)
    storage: StorageKeys = StorageKeys()
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
ITEM_KINDS = (
    "field",
    "total_of",
    "status_of",
    "age_of",
    "radio",
    "gateway",
    "flags",
    "text",
    "constant",
    "scratch",
    "show",
)


class ItemKeys(Keys):
    """One item of a layout: what it shows, and how that stands in registers."""

    model_config = _short_too({"enum": list(SHORT_ITEMS)})

    show: Literal["status", "age", "counter"] | None = Field(None, description="a figure of the whole meter")
    field: Name | None = Field(None, description="a field's value")
    total_of: Name | None = Field(None, description="a field's running total, across wrap, reset and exchange")
    status_of: Name | None = Field(None, description="a field's own status word")
    age_of: Name | None = Field(None, description="a field's own age in seconds")
    radio: Literal["rssi", "snr", "spreading_factor"] | None = Field(None, description="how the node was last heard")
    gateway: Literal[FIGURE_NAMES] | None = Field(None, description="a figure of the gateway")  # type: ignore[valid-type]
    flags: list[Literal[BIT_ITEMS]] | None = Field(None, min_length=1, max_length=16, description="flags, bit 0 first")  # type: ignore[valid-type]
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
        _one_of(self, ITEM_KINDS, "the item")
        return self


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
    counts: CountKeys | None = Field(None, description="for a counter: how it counts; its running total can be mapped")


class DecodedKeys(Keys):
    """Where the network server's decoder puts a field."""

    model_config = _short_too({"type": ["string", "number"]})

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
    faults: dict[RawNumber, Text] = Field({}, description="raw numbers that are codes, and what each means")


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
