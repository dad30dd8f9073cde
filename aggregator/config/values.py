"""What may stand behind a key: text converted to what the models hold, with the JSON Schema an editor checks it by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BeforeValidator, WithJsonSchema
from pydantic_core import CoreSchema, core_schema

from aggregator.config import scalars
from aggregator.config.findings import near
from aggregator.config.scalars import Wrong
from aggregator.config.units import unit
from aggregator.core.painter import FLAG_NAMES
from aggregator.core.pointer import Pointer
from aggregator.core.topic import problem_with

BIT_ITEMS = FLAG_NAMES
WHOLE_COIL = "under_test"
SPARE = "spare"
LONGEST_MQTT_TEXT = 65535  # bytes of UTF-8
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


# An editor reads `101` as a number, where the files here are taken as text: it is let pass.
WRITTEN = WithJsonSchema({"type": ["string", "number"]})
Text = Annotated[str, BeforeValidator(scalars.text), WRITTEN]
Name = Annotated[str, BeforeValidator(_name), WRITTEN]
Tag = Annotated[str, BeforeValidator(_tag), WRITTEN]
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
Bits = Annotated[tuple[int, int], BeforeValidator(scalars.bits), WithJsonSchema({"type": ["string", "integer"]})]
Orders = Literal["high-first", "low-first"]
Functions = Annotated[Literal["3", "4"], WithJsonSchema({"enum": [3, 4, "3", "4"]})]
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


def _keep_alive(value: object) -> float:
    seconds = scalars.duration(value)
    if not 1 <= seconds <= LONGEST_KEEP_ALIVE:
        size = "short" if seconds < 1 else "long"
        raise Wrong(f"`{scalars.text(value)}` is too {size}", f"Write from 1 s to {LONGEST_KEEP_ALIVE} s")
    return seconds


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
    if given not in BIT_ITEMS:
        raise Wrong(f"`{given}` is no flag", near(given, BIT_ITEMS, "Write one of"))
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
