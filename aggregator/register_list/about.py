"""One register in words: whose it is, how it stands there, from which line of the files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from aggregator.core.address_map import Device, Entry, Shows
from aggregator.core.errors import ExceptionCode
from aggregator.core.meter import Meter
from aggregator.core.register import Standing
from aggregator.register_list.rows import functions_of

Lines = list[tuple[str, str]]
"""What is said and of what: `("unit", "m3/h")`."""


def about(device: Device, found: Standing, meters: Mapping[str, Meter]) -> Lines:
    """What stands at a register, as far as the site's files say; `meters` are the site's by their tags."""
    lines = [("register", f"{found.register}, of device {device.name}, unit {device.unit_id}")]
    if found.entry is not None:
        return [*lines, *_entry_lines(found, found.entry, meters.get(found.entry.tag or ""))]
    return [*lines, ("shows", _what_else(found)), *_nearest_lines(found)]


def _entry_lines(found: Standing, entry: Entry, meter: Meter | None) -> Iterator[tuple[str, str]]:
    item, codec = entry.item, entry.item.codec
    part = f" ({found.register.address - entry.address + 1} of {item.size} registers)" if item.size > 1 else ""
    yield "shows", f"{entry.owner}: {item.title}{part}"
    if meter is not None:
        yield "meter", f"{meter.name}, {meter.area}, profile {meter.profile.name} ({meter.place.short})"
        index = meter.profile.index_of(item.of) if item.shows is Shows.VALUE else None
        if index is not None and meter.profile.fields[index].label:
            yield "field", meter.profile.fields[index].label
    if codec is None:
        yield "stands as", "bit"
    else:
        yield "stands as", _manner(entry)
    if item.unit:
        yield "unit", item.unit
    yield "functions", functions_of(entry)
    yield "addresses", f"{entry.table.span(entry.address, item.size)}, offset {item.offset} of layout {entry.layout}"
    yield "declared", f"{item.place.short}, placed in {entry.place.short}"
    if item.note:
        yield "note", item.note


def _manner(entry: Entry) -> str:
    codec = entry.item.codec
    assert codec is not None
    encoding, scale = codec.encoding, codec.scale
    words = [encoding.type]
    if entry.item.size > 1 and not encoding.is_text:
        words.append(f"words {encoding.word_order}")
    words.append(f"bytes {encoding.byte_order}")
    if (scale.factor, scale.offset) != (1, 0):
        words.append(f"value = register * {scale.factor:g}" + (f" + {scale.offset:g}" if scale.offset else ""))
    return ", ".join(words)


def _what_else(found: Standing) -> str:
    if found.seen is not None:
        shown = f"input register {found.register.address}, {found.seen.owner}: {found.seen.item.title}"
        return f"nothing to write; function 03 shows {shown}"
    if found.block is None:
        return f"nothing: no block stands there, and a read gets exception {ExceptionCode.ILLEGAL_DATA_ADDRESS:02X}"
    block = found.block
    where = f"{block} of {block.owner} ({block.place.short})"
    return f"no item, reads as zero: it is kept free in {where}" if block.owner != "spare" else f"a spare slot: {where}"


def _nearest_lines(found: Standing) -> Iterator[tuple[str, str]]:
    for words, entry in (("before it", found.before), ("after it", found.after)):
        if entry is not None:
            yield words, f"{entry.table.span(entry.address, entry.item.size)}, {entry.owner}: {entry.item.title}"
