"""Virtual devices from map.yaml: blocks placed, and every clash of addresses found."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from aggregator.config.alarm_items import AlarmItems
from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.items import Orders
from aggregator.config.layouts import LayoutBuilder
from aggregator.config.map_keys import AlarmBlockKeys, BlockKeys, DeviceKeys, MapKeys, PlacementKeys, RunKeys
from aggregator.config.values import SPARE
from aggregator.core import gateway
from aggregator.core.address_map import Block, Device, Layout, StandsIn, Table, block_problems, shadow_problems
from aggregator.core.alarm import Alarms
from aggregator.core.alarm_block import ALARM_BLOCK, alarm_layout
from aggregator.core.encoding import Order
from aggregator.core.errors import Place
from aggregator.core.keeping import SITE
from aggregator.core.meter import Meter
from aggregator.core.setting import Setting
from aggregator.core.slip import close_to, near
from aggregator.core.stand_in import blocks_of

MOST_GUESSES = 20
UNIT_TWICE = "Give one of them another unit id; or a `name`, and each a listener of its own (`devices:` in site.yaml)"


def build_devices(
    keys: MapKeys,
    file: Document,
    meters: Mapping[str, Meter | None],
    settings: Mapping[str, Setting],
    alarms: Alarms,
    findings: Findings,
) -> tuple[Device, ...]:
    """Every virtual device of map.yaml. A meter that could not be built (None) still takes its addresses."""
    alarm_items = AlarmItems(keys.layouts, alarms, meters, file, findings)
    layouts = LayoutBuilder(keys.layouts, settings, alarm_items, file, findings)
    devices: dict[str, Device] = {}
    for at, each in enumerate(keys.devices):
        name = each.name or str(each.unit)
        place = file.place("devices", at, "name" if each.name else "unit")
        if name in devices:
            what = f"{f'the name {name}' if each.name else f'unit {name}'} stands in {devices[name].place.short} too"
            cure = "Give one of them another name" if each.name else UNIT_TWICE
            findings.wrong(place, what, cure)
            continue
        if each.stand_in is None:
            placer = Placer(each, file, ("devices", at), layouts, meters, findings)
            device = Device(each.unit, tuple(placer.blocks()), each.answers_all_units, place, name)
            _check_once(device, findings)
            findings.problems += [*block_problems(device), *shadow_problems(device)]
        else:
            device = _stand_in(each, each.stand_in, name, file, at, meters, findings)
        devices[name] = device
    return tuple(devices.values())


def _stand_in(
    keys: DeviceKeys,
    tag: str,
    name: str,
    file: Document,
    at: int,
    meters: Mapping[str, Meter | None],
    findings: Findings,
) -> Device:
    """A device that shows one meter's own registers."""
    place, meter = file.place("devices", at, "stand_in"), meters.get(tag)
    stands_in = StandsIn(tag, keys.stale != "hold", keys.unread)
    blocks: tuple[Block, ...] = ()
    if tag not in meters:
        findings.wrong(place, f"there is no meter `{tag}`", near(tag, meters, "There are", show=12))
    elif meter is not None and not (meter.profile.registers or meter.profile.wired or meter.profile.constants):
        what = f"{tag} has no register list of its own to show: profile {meter.profile.name} declares none"
        findings.wrong(place, what, f"Add `wired:` with the meter's list ({meter.profile.place.short})")
    elif meter is not None:
        blocks = blocks_of(stands_in, meter.profile)
    return Device(keys.unit, blocks, keys.answers_all_units, file.place("devices", at, "unit"), name, stands_in)


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
        figures, known = gateway.gateway_layout(words, byte_order), gateway.test_layout(words, byte_order)
        yield from self._built_in(self.keys.gateway_block, figures, gateway.GATEWAY_BLOCK, ("gateway_block",))
        yield from self._built_in(self.keys.test_block, known, gateway.TEST_BLOCK, ("test_block",))
        for at, block in enumerate(self.keys.alarm_blocks):
            yield from self._alarm_block(block, words, byte_order, ("alarm_blocks", at))
        for at, placement in enumerate(self.keys.place):
            yield from self._placed(placement, (*self.steps, "place", at))

    def _alarm_block(self, keys: AlarmBlockKeys, words: Order, byte_order: Order, steps: Steps) -> Iterator[Block]:
        place, groups = self.file.place(*self.steps, *steps), [each.name for each in self.layouts.alarms.alarms.groups]
        if keys.group is not None and keys.group not in groups:
            cure = near(keys.group, groups, "There are") if groups else "Add it under `groups:` in meters.yaml"
            self.findings.wrong(
                self.file.place(*self.steps, *steps, "group"), f"there is no group `{keys.group}`", cure
            )
            return
        if all(getattr(keys, table.key) is None for table in Table):
            self.findings.wrong(place, "the block of alarms names no table", "Add `input: ADDRESS` or another table")
        layout = alarm_layout(keys.group or SITE, words, byte_order)
        yield from self._built_in(keys, layout, ALARM_BLOCK, steps)

    def _built_in(
        self, where: BlockKeys | AlarmBlockKeys | None, layout: Layout, sizes: Mapping[Table, int], steps: Steps
    ) -> Iterator[Block]:
        for table in Table:
            start: int | None = getattr(where, table.key, None)
            if start is None:
                continue
            place = self.file.place(*self.steps, *steps, table.key)
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
            if meter is not None:
                self.layouts.alarms.check(keys.layout, tag, place)
            for table, run in runs.items():
                size = every[table]
                start, row = run.from_ + slot * size, self.file.place(*steps, table.key)
                yield Block(table, start, size, layout, None if tag == SPARE else tag, tag, place, row)

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
