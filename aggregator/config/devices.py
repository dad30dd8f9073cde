"""Virtual devices from map.yaml: blocks placed, and every clash of addresses found."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from aggregator.config.document import Document, Steps
from aggregator.config.files import DeviceKeys, MapKeys, PlacementKeys, RunKeys
from aggregator.config.findings import Findings, close_to, near
from aggregator.config.layouts import LayoutBuilder, Orders
from aggregator.config.values import SPARE
from aggregator.core import gateway
from aggregator.core.address_map import Block, Device, Layout, Table, block_problems, shadow_problems
from aggregator.core.encoding import Order
from aggregator.core.errors import Place
from aggregator.core.meter import Meter

MOST_GUESSES = 20


def build_devices(
    keys: MapKeys, file: Document, meters: Mapping[str, Meter | None], findings: Findings
) -> tuple[Device, ...]:
    """Every virtual device of map.yaml. A meter that could not be built (None) still takes its addresses."""
    layouts = LayoutBuilder(keys.layouts, file, findings)
    devices: dict[int, Device] = {}
    for at, each in enumerate(keys.devices):
        place = file.place("devices", at, "unit")
        if each.unit in devices:
            what = f"unit {each.unit} stands in {devices[each.unit].place.short} too"
            findings.wrong(place, what, "Give one of them another unit id")
            continue
        placer = Placer(each, file, ("devices", at), layouts, meters, findings)
        device = Device(each.unit, tuple(placer.blocks()), each.answers_all_units, place)
        _check_once(device, findings)
        findings.problems += [*block_problems(device), *shadow_problems(device)]
        devices[each.unit] = device
    for at, each in enumerate(keys.devices[1:], 1):
        if each.answers_all_units:
            what = f"unit {each.unit} is not the first device, and only that can answer all units"
            cure = "Leave it out, or put this device first"
            findings.wrong(file.place("devices", at, "answers_all_units"), what, cure)
    return tuple(devices.values())


class Placer:
    """Places the blocks of one device."""

    def __init__(
        self,
        keys: DeviceKeys,
        file: Document,
        steps: Steps,
        layouts: LayoutBuilder,
        meters: Mapping[str, Meter | None],
        findings: Findings,
    ) -> None:
        self.keys = keys
        self.file = file
        self.steps = steps
        self.layouts = layouts
        self.meters = meters
        self.findings = findings
        self.strangers = 0  # tags placed here that no meter has
        self.orders: Orders = (keys.words, keys.bytes_)

    def blocks(self) -> Iterator[Block]:
        """The built-in blocks, then those of the meters in the order of the file."""
        words, byte_order = Order(self.keys.words), Order(self.keys.bytes_)
        yield from self._built_in("gateway_block", gateway.gateway_layout(words, byte_order), gateway.GATEWAY_BLOCK)
        yield from self._built_in("test_block", gateway.test_layout(words, byte_order), gateway.TEST_BLOCK)
        for at, placement in enumerate(self.keys.place):
            yield from self._placed(placement, (*self.steps, "place", at))

    def _built_in(self, key: str, layout: Layout, sizes: Mapping[Table, int]) -> Iterator[Block]:
        where = getattr(self.keys, key)
        for table in Table:
            start: int | None = getattr(where, table.key, None)
            if start is None:
                continue
            place = self.file.place(*self.steps, key, table.key)
            if table not in sizes:
                self.findings.wrong(place, f"the {layout.name} has no {table.words}s", "Leave that table out")
                continue
            yield Block(table, start, sizes[table], layout, None, layout.name, place)

    def _placed(self, keys: PlacementKeys, steps: Steps) -> Iterator[Block]:
        if keys.layout not in self.layouts.layouts:
            cure = near(keys.layout, self.layouts.layouts, "There are")
            self.findings.wrong(self.file.place(*steps, "layout"), f"there is no layout `{keys.layout}`", cure)
            return
        runs: dict[Table, RunKeys] = {table: run for table in Table if (run := getattr(keys, table.key)) is not None}
        self._check_runs(keys, runs, steps)
        every = {table: run.every or self.layouts.size(keys.layout, table) or 1 for table, run in runs.items()}
        empty = Layout(keys.layout, ())
        for slot, tag in enumerate(keys.meters):
            place = self.file.place(*steps, "meters", slot)
            if tag != SPARE and tag not in self.meters:
                self._no_meter(tag, place)
                continue
            meter = self.meters.get(tag)
            layout = self.layouts.bind(keys.layout, meter.profile, self.orders, place) if meter else empty
            for table, run in runs.items():
                size = every[table]
                yield Block(table, run.from_ + slot * size, size, layout, None if tag == SPARE else tag, tag, place)

    def _no_meter(self, tag: str, place: Place) -> None:
        """A map for another site names thousands that are not there: near ones are looked for a few times only."""
        cure = "Write a tag of meters.yaml"
        if close_to(tag, (SPARE,)):
            cure = near(tag, (SPARE,), "")
        elif self.strangers < MOST_GUESSES:
            cure = near(tag, self.meters, "There are", show=12)
        self.strangers += 1
        self.findings.wrong(place, f"there is no meter `{tag}`", cure)

    def _check_runs(self, keys: PlacementKeys, runs: Mapping[Table, RunKeys], steps: Steps) -> None:
        if not runs:
            what = "the placement names no table"
            self.findings.wrong(self.file.place(*steps), what, "Add `input: {from: ADDRESS}` or another table")
        for table, run in runs.items():
            size = self.layouts.size(keys.layout, table)
            if not size:
                what = f"layout {keys.layout} has nothing for {table.words}s"
                cure = f"Add `{table.key}:` to the layout or leave it out here"
                self.findings.wrong(self.file.place(*steps, table.key), what, cure)
            elif run.every is not None and run.every < size:
                what = f"layout {keys.layout} takes {size} {table.words}s but each meter is given {run.every}"
                cure = f"Write `every: {size}` or more"
                self.findings.wrong(self.file.place(*steps, table.key, "every"), what, cure)


def _check_once(device: Device, findings: Findings) -> None:
    """A meter stands once with each layout in a device."""
    seen: dict[tuple[str, str, Table], Block] = {}
    for block in device.blocks:
        if block.tag is None:
            continue
        first = seen.setdefault((block.tag, block.layout.name, block.table), block)
        if first is not block:
            what = f"{block.tag} is placed twice with layout {block.layout.name}, first in {first.place.short}"
            findings.wrong(block.place, what, "Remove one of the two, or write `spare` to keep the slot")
