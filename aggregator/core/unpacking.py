"""How an uplink reads, step by step: from the bytes or the JSON of each item to the value that its field would show.

    where               data    raw     scale            value        judged
    bytes 2-3           01 a4   420     x 0.1 - 5        37.0 %LEL    good
    register 12 (04)    42 f6   123.4                    123.4 m3/h   good
    /decoded/pressure           21.5    x 100            2150 mbar    uncertain: out of range

It follows the same declarations as `Profile` does, and its values are those that `Profile` gives. It is for who wants
to see why, and runs only when somebody looks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from aggregator.core.decoding import AT_ANY_TIME
from aggregator.core.encoding import IDENTITY, Scale
from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.judge import judge
from aggregator.core.profile import Binary, BinaryItem, Profile, RegisterItem, Response, Window
from aggregator.core.reading import Fault, Value, quality_words
from aggregator.core.uplink import Uplink


@dataclass(frozen=True, slots=True)
class Step:
    """One item of an uplink. `data` are its bytes as hexadecimal, empty where it came decoded.

    `raw` is the number before any scale, None where there is none; `says` is what the meter says in place of a value.
    `quality` is how the value is judged by itself: without the readings before it nothing can jump or stand still.
    """

    field: str
    label: str
    where: str
    data: str
    raw: Value | None
    scale: str
    value: Value | None
    unit: str
    says: str | None
    quality: str


@dataclass(frozen=True, slots=True)
class Unpacked:
    """An uplink's items, of several records one after the other. `wrong` is why it, or the rest of it, cannot be read.

    `way` is how it reads: decoded, bytes, response or records; None where nothing is declared for it.
    """

    way: str | None
    steps: tuple[Step, ...]
    wrong: str | None


@dataclass(frozen=True, slots=True)
class _Item:
    """What an item says of itself before its field judges it."""

    index: int
    where: str
    data: str
    raw: Value | Fault | None
    value: Value | Fault
    scale: Scale


def unpack(profile: Profile, uplink: Uplink) -> Unpacked:
    """How an uplink reads by a profile."""
    way: str | None = None
    steps: list[Step] = []
    try:
        way, items = _items(profile, uplink)
        steps.extend(_step(profile, item) for item in items)
    except DecodeError as error:
        return Unpacked(way, tuple(steps), f"{error.refusal}: {error.detail}" if error.detail else str(error.refusal))
    return Unpacked(way, tuple(steps), None)


def _items(profile: Profile, uplink: Uplink) -> tuple[str, Iterable[_Item]]:
    """The way an uplink reads, and its items as they are read. Raises DecodeError."""
    listed, payload = profile.decoded_records, uplink.payload
    found = None if listed is None else listed.split(uplink.decoded)
    if listed is not None and found is not None:
        each = enumerate(found)
        return "records", (item for at, (_, one) in each for item in _decoded(profile, one, f"{listed.each}/{at}"))
    if payload and uplink.port != 0 and uplink.port not in profile.payloads:
        records = profile.records.get(uplink.port) or profile.records.get(None)
        if records is not None:
            records.decode(payload)  # whole or not at all
            begins = range(records.begin, len(payload), records.every)
            layout = records.layout
            assert isinstance(layout, Binary)
            return "records", (item for begin in begins for item in _binary(layout, payload, begin))
    if isinstance(uplink.decoded, dict) and uplink.decoded and profile.decoded:
        return "decoded", _decoded(profile, uplink.decoded, "")
    if not payload or uplink.port == 0:
        raise DecodeError(Refusal.NO_DATA, "neither decoded fields nor a payload")
    layout_of = profile.payload_of(uplink.port)
    if layout_of is None:
        profile.decode_payload(uplink.port, payload)  # says so
    if isinstance(layout_of, Binary):
        layout_of.decode(payload)  # a payload that is too short is none
        return "bytes", _binary(layout_of, payload, 0)
    assert isinstance(layout_of, Response)
    return "response", _response(layout_of, payload)


def _decoded(profile: Profile, document: object, before: str) -> Iterator[_Item]:
    profile.decode_fields(document)  # whole or not at all
    for item in profile.decoded:
        raw = item.pointer.find(document)
        if isinstance(raw, int | float):
            value = Fault(item.faults[raw]) if raw in item.faults else item.scale.value(raw)
            yield _Item(item.index, f"{before}{item.pointer}", "", raw, value, item.scale)


def _binary(layout: Binary, payload: bytes, begin: int) -> Iterator[_Item]:
    part = payload[begin:]
    for item in layout.items:
        data = part[item.at : item.end].hex(" ")
        where = _run("byte", begin + item.at, begin + item.end) + _bits(item.bits)
        yield _Item(item.index, where, data, _bare(item).read(part), item.read(part), item.scale)


def _response(layout: Response, payload: bytes) -> Iterator[_Item]:
    list(layout.runs(payload))  # whole or not at all
    for window, data in layout.runs(payload):
        for item in layout.within(window, data):
            yield _register(item, window, data)


def _register(item: RegisterItem, window: Window, data: bytes) -> _Item:
    at = 2 * (item.address - window.start)
    where = f"{_run('register', item.address, item.end)} (function {item.function:02d}){_bits(item.bits)}"
    bare = replace(item, scale=IDENTITY, faults={})
    part = data[at : at + 2 * item.encoding.registers].hex(" ")
    return _Item(item.index, where, part, bare.read(data, window.start), item.read(data, window.start), item.scale)


def _bare(item: BinaryItem) -> BinaryItem:
    """The item without what makes a value of its number."""
    return replace(item, scale=IDENTITY, faults={})


def _step(profile: Profile, item: _Item) -> Step:
    field = profile.fields[item.index]
    judged = judge(field, item.value, AT_ANY_TIME)
    return Step(
        field.name,
        field.label,
        item.where,
        item.data,
        None if isinstance(item.raw, Fault) else item.raw,
        scale_words(item.scale),
        judged.value,
        field.unit,
        item.value.words if isinstance(item.value, Fault) else None,
        quality_words(judged.reasons),
    )


def scale_words(scale: Scale) -> str:
    """A line as people write it, nothing where there is none.

    >>> scale_words(Scale(0.1, -5)), scale_words(Scale())
    ('x 0.1 - 5', '')
    """
    factor = f"x {scale.factor:g}" if scale.factor != 1.0 else ""
    offset = f"{'-' if scale.offset < 0 else '+'} {abs(scale.offset):g}" if scale.offset else ""
    return f"{factor} {offset}".strip()


def _run(one: str, begin: int, end: int) -> str:
    return f"{one} {begin}" if end == begin + 1 else f"{one}s {begin}-{end - 1}"


def _bits(bits: tuple[int, int] | None) -> str:
    if bits is None:
        return ""
    return f", bit {bits[0]}" if bits[0] == bits[1] else f", bits {bits[0]}-{bits[1]}"
