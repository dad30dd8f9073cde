"""What people see on a terminal: tables of registers, of polled values and of a running site.

On a terminal tables fit its width and can be live; in a pipe or a file they are plain text as wide as they need.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from rich.console import Console, Group
from rich.live import Live
from rich.measure import Measurement
from rich.table import Table as Grid
from rich.text import Text

from aggregator.config import Configuration
from aggregator.core.address_map import Device, Table
from aggregator.core.meter import MeterState
from aggregator.core.reading import Grade, Now, Value, quality_words
from aggregator.core.site import Site
from aggregator.poller import Line
from aggregator.register_list import RegisterList

WIDEST = 1000  # columns that a table may take
NAMES_FROM, REGISTERS_FROM = 120, 100  # columns of a terminal that has room for these
LOW = 20  # rows of a terminal that has room for few meters, and so for little else
SHOWN = ("unit id", "table", "PDU address", "data number", "type", "scale", "unit", "tag", "item", "note")
PAGE_MARK = "   page {} of {}"
PLAIN_EVERY = 5.0  # s between two lines of counts where there is no terminal
TURN_AFTER = 6.0  # s that one page of a site too long for the terminal is shown

out = Console(highlight=False)


def print_list(listed: RegisterList) -> None:
    """The register list, its most needed columns."""
    out.print(f"{listed.site}, map fingerprint {listed.fingerprint:08x}")
    grid = Grid(box=None, pad_edge=False)
    for column in SHOWN:
        right = column in ("PDU address", "data number")
        grid.add_column(column, justify="right" if right else "left", no_wrap=column != "note", overflow="fold")
    for row in listed.rows:
        grid.add_row(*(Text(row[column]) for column in SHOWN))
    _print(grid)


def print_lines(configuration: Configuration, polled: Sequence[Line]) -> None:
    """Polled values, once."""
    _print(_line_grid(configuration, polled))


def watch_lines(configuration: Configuration, poll: Callable[[], Sequence[Line]], every: float) -> None:
    """Polled values again and again, in place on a terminal, one table after the other elsewhere."""
    if not out.is_terminal:
        while True:
            print_lines(configuration, poll())
            time.sleep(every)
    with Live(_line_grid(configuration, poll()), console=out, auto_refresh=False) as live:
        while True:
            time.sleep(every)
            live.update(_line_grid(configuration, poll()), refresh=True)


def _print(grid: Grid) -> None:
    """A table as wide as it needs, whatever the terminal: a column that is cut short would show another number."""
    needed = Measurement.get(out, out.options.update(width=WIDEST), grid).maximum
    Console(width=max(out.width, needed), highlight=False).print(grid)


def _line_grid(configuration: Configuration, polled: Sequence[Line]) -> Grid:
    decimals = {
        (meter.tag, field.name): field.decimals
        for meter in configuration.declared.meters
        for field in meter.profile.fields
    }
    grid = Grid(box=None, pad_edge=False)
    for column in ("tag", "field", "value", "unit", "quality", "age", "register"):
        right = column in ("value", "age", "register")
        grid.add_column(column, justify="right" if right else "left", no_wrap=True)
    before = ""
    for line in polled:
        good = line.refused is None and line.status is not None and line.status & 3 == Grade.GOOD
        grid.add_row(
            Text(line.tag if line.tag != before else ""),
            Text(line.item),
            Text(value_text(line.value, decimals.get((line.tag, line.item), 2))),
            Text(line.unit),
            Text(line.quality if line.own_status else f"meter {line.quality}", style="" if good else "bold"),
            Text(age_text(line.age)),
            Text(f"{line.table.key} {line.address}"),
        )
        before = line.tag
    return grid


def value_text(value: Value | None, decimals: int) -> str:
    """A value as people read it; a dash where there is none."""
    if value is None:
        return "-"
    return value if isinstance(value, str) else f"{value:.{decimals}f}"


def age_text(seconds: float | None) -> str:
    """An age as people read it: `40 s`, `12 min`, `3 h 05 min`."""
    if seconds is None:
        return "never"
    whole = int(seconds)
    if whole < 120:
        return f"{whole} s"
    if whole < 7200:
        return f"{whole // 60} min"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def status_lines(told: Mapping[str, Any]) -> list[str]:
    """What a service says of itself, as people read it."""
    last = told["last_uplink_age"]
    refused = ", ".join(f"{count} {reason}" for reason, count in told["refused"].items())
    broker = "connected" if told["broker_connected"] else f"away ({told['broker_trouble'] or 'not reached yet'})"
    about = {
        "service": f"version {told['version']}, for {age_text(told['uptime'])}, map {told['map_fingerprint']}",
        "broker": f"{broker}; last uplink {'never' if last is None else age_text(last) + ' ago'}",
        "clock": "trustworthy" if told["clock_trusted"] else "not trustworthy",
        "meters": "{meters_good} good, {meters_uncertain} uncertain, {meters_bad} bad of {meters_total}; "
        "{meters_stale} stale, {meters_never_seen} never seen, {meters_under_test} under test".format_map(told),
        "uplinks": "{uplinks_accepted} taken, {uplinks_duplicate} doubled, {uplinks_late} late, {uplinks_lost} lost, "
        "{uplinks_rejected} refused".format_map(told)
        + (f": {refused}" if refused else ""),
        "store": (told["store_problem"] or "storing")
        + "; {store_waiting} waiting, {store_committed} written, {store_dropped} dropped".format_map(told),
    }
    return [told["site"], *(f"  {name:8} {what}" for name, what in about.items())]


@contextmanager
def progress(what: str) -> Iterator[Callable[[int], None] | None]:
    """A line on a terminal's standard error that says how many rows there were; None where it is no terminal."""
    screen = Console(stderr=True, highlight=False)
    if not screen.is_terminal:
        yield None
        return
    with screen.status(f"{what} ...") as line:
        yield lambda count: line.update(f"{count} {what} ...")


class SiteTable:
    """A running site as a table, one line a meter, with the address of its block in the first device."""

    def __init__(self, site: Site, headline: Sequence[str]) -> None:
        self.site = site
        self.headline = headline
        self._addresses = _block_addresses(site.declared.devices[0])

    def page(self, number: int, width: int, height: int, now: Now) -> Group:
        """One page that fits a screen, with the headline and the counts around it."""
        states = list(self.site.states.values())
        headline = self.headline if height >= LOW else []
        counts = self.counts()
        around = sum(-(-len(line) // width) for line in (*headline, counts + PAGE_MARK)) + 3
        rows = max(1, height - 1 - around)
        pages = max(1, -(-len(states) // rows))
        begin = number % pages * rows
        turning = PAGE_MARK.format(number % pages + 1, pages) if pages > 1 else ""
        grid = self._grid(states[begin : begin + rows], width, now)
        return Group(*(Text(line) for line in headline), Text(""), grid, Text(""), Text(counts + turning))

    def whole(self, now: Now) -> Group:
        """All meters, as wide as they need."""
        grid = self._grid(list(self.site.states.values()), WIDEST, now)
        return Group(*(Text(line) for line in self.headline), Text(""), grid, Text(""), Text(self.counts()))

    def _grid(self, states: Sequence[MeterState], width: int, now: Now) -> Grid:
        """A line a meter. Where there is little room the name goes first, and only the readings are cut short."""
        grid = Grid(box=None, pad_edge=False)
        rows = [self._row(state, width, now) for state in states]
        for column in rows[0] if rows else ():
            longest = max(len(column), *(len(row[column]) for row in rows))
            right = column in ("age", "input register")
            shrinks = column == "readings"
            grid.add_column(
                column, justify="right" if right else "left", no_wrap=True, min_width=None if shrinks else longest
            )
        for state, row in zip(states, rows, strict=True):
            bold = "" if state.grade is Grade.GOOD else "bold"
            grid.add_row(*(Text(text, style=bold if column == "quality" else "") for column, text in row.items()))
        return grid

    def _row(self, state: MeterState, width: int, now: Now) -> dict[str, str]:
        row = {"tag": state.meter.tag}
        if width >= NAMES_FROM:
            row["name"] = state.meter.name
        row["readings"] = readings_text(state)
        row["quality"] = quality_words(state.reasons)
        row["age"] = age_text(state.age(now.monotonic))
        if width >= REGISTERS_FROM:
            row["input register"] = self._addresses.get(state.meter.tag, "")
        return row

    def counts(self) -> str:
        """The site in one line."""
        counts, figure = self.site.figures.counts, self.site.figures.count
        return (
            f"{figure('meters_good')} good, {figure('meters_uncertain')} uncertain, {figure('meters_bad')} bad of "
            f"{figure('meters_total')} meters; uplinks: {counts.accepted} taken, {counts.duplicate} doubled, "
            f"{counts.late} late, {counts.rejected.total()} refused, {figure('uplinks_lost')} lost"
        )


class Show:
    """A running site on the terminal: a live table there, plain text elsewhere, at the beginning and at the end.

    While it is live, nothing else may write to the terminal.
    """

    def __init__(self, headline: Sequence[str]) -> None:
        self._headline = headline
        self._table: SiteTable
        self._now: Callable[[], Now]
        self._live: Live | None = None
        self._last = ""  # the counts as they were last written in plain text
        self._due = 0.0  # when they may be written again

    def begin(self, site: Site, now: Callable[[], Now]) -> None:
        """The site stands; show it from now on."""
        self._table, self._now = SiteTable(site, self._headline), now
        if out.is_terminal:
            self._live = Live(console=out, auto_refresh=False)
            self._live.start()
        else:
            for line in self._headline:
                out.print(line, soft_wrap=True)

    def refresh(self) -> None:
        """Bring the table up to date; as plain text, write the counts whenever they have changed."""
        if self._live is not None:
            page = self._table.page(int(time.monotonic() / TURN_AFTER), out.width, out.height, self._now())
            self._live.update(page, refresh=True)
        elif (counts := self._table.counts()) != self._last and time.monotonic() >= self._due:
            out.print(counts, soft_wrap=True)
            self._last, self._due = counts, time.monotonic() + PLAIN_EVERY

    def end(self) -> None:
        """Leave the last state standing; as plain text, the whole table."""
        if self._live is not None:
            self._live.stop()
        else:
            Console(width=WIDEST, highlight=False).print(self._table.whole(self._now()))


def readings_text(state: MeterState) -> str:
    """All values of a meter that have been seen, with their units, or with their names where they have none."""
    pairs = zip(state.meter.profile.fields, state.readings, strict=True)
    return "  ".join(
        f"{value_text(reading.value, field.decimals)} {field.unit or field.name}"
        for field, reading in pairs
        if reading.times is not None
    )


def _block_addresses(device: Device) -> dict[str, str]:
    """Where each meter's first block of input registers begins."""
    addresses: dict[str, str] = {}
    for block in device.in_table(Table.INPUT):
        if block.tag is not None:
            addresses.setdefault(block.tag, str(block.start))
    return addresses
