"""A running site on a terminal: all of its meters, live."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table as Grid
from rich.text import Text

from aggregator.core.address_map import Device, Table
from aggregator.core.meter import MeterState
from aggregator.core.reading import Grade, Now, quality_words
from aggregator.core.site import Site
from aggregator.terminal.tables import WIDEST, out
from aggregator.terminal.words import age_text, value_text

NAMES_FROM, REGISTERS_FROM = 120, 100  # columns of a terminal that has room for these
LOW = 20  # rows of a terminal that has room for few meters, and so for little else
PAGE_MARK = "   page {} of {}"
PLAIN_EVERY = 5.0  # s between two lines of counts where there is no terminal
TURN_AFTER = 6.0  # s that one page of a site too long for the terminal is shown


Lines = Callable[[], Sequence[str]]


class SiteTable:
    """A running site as a table, one line a meter, with the address of its block in the first device."""

    def __init__(self, site: Site, headline: Lines) -> None:
        self.site = site
        self.headline = headline
        self._addresses = _block_addresses(site.declared.devices[0])

    def page(self, number: int, width: int, height: int, now: Now) -> Group:
        """One page that fits a screen, with the headline and the counts around it."""
        states = list(self.site.states.values())
        headline = self.headline() if height >= LOW else []
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
        return Group(*(Text(line) for line in self.headline()), Text(""), grid, Text(""), Text(self.counts()))

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
            f"{figure('meters_total')} meters, {self.site.annunciator.meters_in_alarm} in alarm; "
            f"uplinks: {counts.accepted} taken, {counts.duplicate} doubled, "
            f"{counts.late} late, {counts.rejected.total()} refused, {figure('uplinks_lost')} lost"
        )


class Show:
    """A running site on the terminal: a live table there, plain text elsewhere, at the beginning and at the end.

    While it is live, nothing else may write to the terminal.
    """

    def __init__(self) -> None:
        self._table: SiteTable
        self._now: Callable[[], Now]
        self._live: Live | None = None
        self._last = ""  # the counts as they were last written in plain text
        self._due = 0.0  # when they may be written again

    def begin(self, site: Site, now: Callable[[], Now], headline: Lines) -> None:
        """The site stands; show it from now on, under the headline as it is at each look."""
        self._table, self._now = SiteTable(site, headline), now
        if out.is_terminal:
            self._live = Live(console=out, auto_refresh=False)
            self._live.start()
        else:
            for line in headline():
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
    pairs = zip(state.meter.profile.fields, state.shown, strict=True)
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
