"""What may stand behind a key: text converted to what the models hold, with the JSON Schema an editor checks it by."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema
from pydantic_core import CoreSchema, core_schema

from aggregator.config import scalars
from aggregator.config.scalars import Wrong
from aggregator.config.units import unit
from aggregator.core.access import RIGHT_NAMES, Network
from aggregator.core.gas import GASES, gas_named
from aggregator.core.painter import FLAG_NAMES
from aggregator.core.pointer import Pointer, pointer_to
from aggregator.core.slip import near
from aggregator.core.topic import problem_with

BIT_ITEMS = FLAG_NAMES
ALARM_BITS = ("alarm_active", "alarm_unacknowledged")
DISCRETE_ITEMS = (*BIT_ITEMS, *ALARM_BITS)
COIL_ITEMS = ("under_test", "acknowledge", "reset")
SPARE = "spare"
LONGEST_TURNAROUND = 1.0  # s: clients commonly wait for an answer no longer (common practice, no source)
LONGEST_MQTT_TEXT = 65535  # bytes of UTF-8
LONGEST_REVISION = 32  # characters; it goes into register lists and is told to clients
LONGEST_KEEP_ALIVE = 65535  # s: two bytes, and 0 would turn it off (MQTT 5.0 section 3.1.2.10)


def _pointer(value: object) -> str:
    given = value if value == "" else scalars.text(value)
    assert isinstance(given, str)
    try:
        return Pointer(given).text
    except ValueError:
        begins = given.startswith("/")
        cure = "Inside a key write ~0 for ~ and ~1 for /" if begins else f"Begin it with a slash: /{given}"
        raise Wrong(f"`{given}` is no JSON Pointer (RFC 6901)", cure) from None


def _field_pointer(value: object) -> str:
    """A pointer into the decoded object; a bare key stands for the pointer to it."""
    given = scalars.text(value)
    return _pointer(given) if given.startswith("/") else pointer_to(given).text


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


def _counter_bits(value: object) -> int:
    given = scalars.text(value)
    if given not in ("16", "32"):
        raise Wrong(f"`{given}` is not how much of a frame counter is handed on", "Write 16 or 32")
    return int(given)


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


def _revision(value: object) -> str:
    """ASCII, since it is told to Modbus clients as well, and those know nothing else."""
    given = scalars.text(value)
    if len(given) > LONGEST_REVISION or not (given.isascii() and given.isprintable()):
        raise Wrong(f"`{given}` is no revision", f"Write {LONGEST_REVISION} plain characters at most")
    return given


def _gas(value: object) -> str:
    given = scalars.text(value)
    found = gas_named(given)
    if found is None:
        known = [name for each in GASES for name in (each.name, each.formula)]
        raise Wrong(f"`{given}` is no gas of the table", near(given, known, "It has", show=40))
    return found.name


# An editor reads `101` as a number, where the files here are taken as text: it is let pass.
WRITTEN = WithJsonSchema({"type": ["string", "number"]})
Text = Annotated[str, BeforeValidator(scalars.text), WRITTEN]
Name = Annotated[str, BeforeValidator(_name), WRITTEN]
Tag = Annotated[str, BeforeValidator(_tag), WRITTEN]
Revision = Annotated[str, BeforeValidator(_revision), WRITTEN]
Gas = Annotated[str, BeforeValidator(_gas), WithJsonSchema({"type": "string", "examples": ["H2S", "methane"]})]
Number = Annotated[float, BeforeValidator(scalars.number), WithJsonSchema({"type": "number"})]
Exact = Annotated[int | float, BeforeValidator(scalars.exact), WithJsonSchema({"type": ["number", "string"]})]
YesNo = Annotated[bool, BeforeValidator(scalars.yes_or_no), WithJsonSchema({"enum": ["yes", "no", True, False]})]
RawNumber = Annotated[
    float, BeforeValidator(scalars.raw_number), WithJsonSchema({"type": "string", "examples": ["65535", "0x7FFF"]})
]
Size = Annotated[int, BeforeValidator(scalars.size), WithJsonSchema({"type": "string", "examples": ["500 MB", "2 GB"]})]
DURATION_SCHEMA = WithJsonSchema({"type": "string", "examples": ["30 s", "15 min", "2 h"]})
Duration = Annotated[float, BeforeValidator(scalars.duration), DURATION_SCHEMA]
Node = Annotated[
    str,
    BeforeValidator(scalars.node),
    WithJsonSchema({"type": ["string", "integer"], "examples": ["70b3d57ed0000101"]}),
]
At = Annotated[str, BeforeValidator(_pointer), WithJsonSchema({"type": "string", "pattern": "^(/.*)?$"})]
FieldAt = Annotated[str, BeforeValidator(_field_pointer), WithJsonSchema({"type": "string"})]
Topic = Annotated[str, BeforeValidator(_topic), WithJsonSchema({"type": "string"})]
Unit = Annotated[
    str, BeforeValidator(unit), WithJsonSchema({"type": ["string", "number"], "examples": ["m3/h", "mbar", "%LEL"]})
]
Range = Annotated[
    str, BeforeValidator(_range), WithJsonSchema({"type": "string", "examples": ["0 .. 650", "-20 .. 60 °C"]})
]
Listens = Annotated[
    tuple[str, int], BeforeValidator(scalars.listens), WithJsonSchema({"type": "string", "examples": ["0.0.0.0:502"]})
]
Networks = Annotated[
    tuple[Network, ...],
    BeforeValidator(scalars.networks),
    WithJsonSchema({"type": "string", "examples": ["10.1.2.0/24", "10.1.2.3", scalars.ANY]}),
]
Rights = Annotated[list[Literal[RIGHT_NAMES]], Field(min_length=1)]  # type: ignore[valid-type]
Bits = Annotated[tuple[int, int], BeforeValidator(scalars.bits), WithJsonSchema({"type": ["string", "integer"]})]
Orders = Literal["high-first", "low-first"]
SerialDevice = Annotated[
    str, BeforeValidator(scalars.device_file), WithJsonSchema({"type": "string", "examples": ["/dev/serial/by-id/..."]})
]
HOST_NAME = re.compile(r"(?!-)[A-Za-z0-9-]{1,63}(?:\.(?!-)[A-Za-z0-9-]{1,63})*")  # RFC 1123 section 2.1
LONGEST_HOST_NAME = 253
BAUDS = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)
StopBits = Annotated[Literal["1", "2"], WithJsonSchema({"enum": [1, 2, "1", "2"]})]
Functions = Annotated[Literal["3", "4"], WithJsonSchema({"enum": [3, 4, "3", "4"]})]
CounterBits = Annotated[Literal[16, 32], BeforeValidator(_counter_bits), WithJsonSchema({"enum": [16, 32, "16", "32"]})]
Moment = Annotated[
    float, BeforeValidator(scalars.moment), WithJsonSchema({"type": "string", "examples": ["2026-01-01"]})
]
Versions = Annotated[Literal["5", "3.1.1"], WithJsonSchema({"enum": [5, "5", "3.1.1"]})]


def _in_mqtt(converted: Callable[[object], str]) -> BeforeValidator:
    """A text that goes to the broker: MQTT gives its length in two bytes (version 5.0 section 1.5.4)."""

    def check(value: object) -> str:
        given = converted(value)
        length = len(given.encode())
        if length > LONGEST_MQTT_TEXT:
            raise Wrong(f"it has {length} bytes", f"Write {LONGEST_MQTT_TEXT} at most")
        return given

    return BeforeValidator(check)


ClientId = Annotated[str, _in_mqtt(_name), WRITTEN]
User = Annotated[str, _in_mqtt(scalars.text), WRITTEN]


def _host_name(value: object) -> str:
    given = scalars.text(value)
    if len(given) > LONGEST_HOST_NAME or not HOST_NAME.fullmatch(given):
        raise Wrong(f"`{given}` is no host name", "Write the name alone, as gateway.example: no port, no https://")
    return given


HostName = Annotated[str, BeforeValidator(_host_name), WithJsonSchema({"type": "string", "examples": ["gateway.lan"]})]


def _keep_alive(value: object) -> float:
    seconds = scalars.duration(value)
    if not 1 <= seconds <= LONGEST_KEEP_ALIVE:
        size = "short" if seconds < 1 else "long"
        raise Wrong(f"`{scalars.text(value)}` is too {size}", f"Write from 1 s to {LONGEST_KEEP_ALIVE} s")
    return seconds


def _turnaround(value: object) -> float:
    seconds = scalars.duration(value)
    if seconds > LONGEST_TURNAROUND:
        raise Wrong(f"`{scalars.text(value)}` is too long", f"Write {LONGEST_TURNAROUND:g} s at most")
    return seconds


Turnaround = Annotated[float, BeforeValidator(_turnaround), DURATION_SCHEMA]


def _baud(value: object) -> int:
    given = scalars.whole(value)
    if given not in BAUDS:
        raise Wrong(f"{given} baud is not possible", f"Write one of {', '.join(str(baud) for baud in BAUDS)}")
    return given


Baud = Annotated[int, BeforeValidator(_baud), WithJsonSchema({"enum": list(BAUDS)})]
KeepAlive = Annotated[float, BeforeValidator(_keep_alive), DURATION_SCHEMA]


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


def _flag(value: object) -> str:
    given = scalars.text(value)
    if given not in DISCRETE_ITEMS:
        raise Wrong(f"`{given}` is no flag", near(given, DISCRETE_ITEMS, "Write one of"))
    return given


def _coil(value: object) -> str:
    given = scalars.text(value)
    if given not in COIL_ITEMS:
        raise Wrong(f"`{given}` is no coil item", near(given, COIL_ITEMS, "Write {suppression: NAME} or one of"))
    return given


def _alarm(value: object) -> str:
    """The name of an alarm, which has blanks; commas part the names of several."""
    given = scalars.text(value)
    if "," in given:
        raise Wrong(f"`{given}` has a comma in it", "Name one alarm, by its field and kind: methane high")
    return given


def _offset(value: object) -> int:
    """The key of an item. Decimal only: `16` and `0x10` would be one offset under two keys."""
    given = scalars.text(value)
    if not given.isascii() or not given.isdigit():
        raise Wrong(f"`{given}` is no offset", "Write decimal digits, counted from 0 at the start of the meter's block")
    return ADDRESSES.check(given)


Flag = Annotated[str, BeforeValidator(_flag), WithJsonSchema({"enum": list(DISCRETE_ITEMS)})]
Coil = Annotated[str, BeforeValidator(_coil), WithJsonSchema({"enum": list(COIL_ITEMS)})]
AlarmName = Annotated[
    str, BeforeValidator(_alarm), WithJsonSchema({"type": "string", "examples": ["methane high", "stale"]})
]
Offset = Annotated[int, BeforeValidator(_offset), WithJsonSchema({"type": "string", "pattern": "^[0-9]+$"})]
