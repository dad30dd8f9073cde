"""What a map may do and probably should not: nothing is refused for it, but whoever checks the site is told."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from aggregator.core.address_map import Device, Item, Layout, Shows
from aggregator.core.errors import Problem
from aggregator.core.meter import Meter
from aggregator.core.profile import Field, Profile

EXACT_IN_FLOAT32 = 2**24  # above, not every whole number is one (IEEE 754-2019 section 3.4: 24 bits of precision)


def doubts(meters: Iterable[Meter], devices: Iterable[Device]) -> list[Problem]:
    """What to look at in a map, by file and line; layouts are looked at once for each meter model placed with them."""
    profiles = {meter.tag: meter.profile for meter in meters}
    used: dict[tuple[int, str], tuple[Layout, Profile]] = {}
    for device in devices:
        for block in device.blocks if device.stands_in is None else ():  # a stand-in has the meter's own registers
            if block.tag is not None and block.tag in profiles:
                profile = profiles[block.tag]
                used[id(block.layout), profile.name] = (block.layout, profile)
    return sorted({doubt for layout, profile in used.values() for doubt in _of_layout(layout, profile)})


def _of_layout(layout: Layout, profile: Profile) -> Iterator[Problem]:
    for item in layout.items:
        index = profile.index_of(item.of) if item.shows in (Shows.VALUE, Shows.TOTAL) else None
        if index is not None and item.codec is not None:
            yield from _of_item(item, profile.fields[index], profile)


def _of_item(item: Item, field: Field, profile: Profile) -> Iterator[Problem]:
    codec = item.codec
    assert codec is not None
    if codec.encoding.type == "float32" and (item.shows is Shows.TOTAL or field.counting is not None):
        what = f"{item.title} counts on and on, and a float32 loses single units beyond {EXACT_IN_FLOAT32}"
        yield Problem(item.place, what, "Show it as float64, or as uint32 or uint64 with a scale")
    # How far a counter can count says nothing of how far it will, and a total is never cut without a flag.
    if item.shows is Shows.VALUE and not codec.encoding.is_float and field.counting is None:
        for end, reach in ((field.low, "least"), (field.high, "most")):
            data, clamped = codec.encode(end) if math.isfinite(end) else (b"", False)
            if clamped:
                measured = f"profile {profile.name} gives {item.of} a range to {end:g} {field.unit}".rstrip()
                shown = f"this shows {codec.decode(data):.9g} {item.unit} at {reach}"
                yield Problem(item.place, f"{measured}, and {shown}", "Choose a wider type or another scale")
