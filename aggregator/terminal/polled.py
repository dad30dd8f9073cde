"""Polled values as a table, once or again and again."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from rich.live import Live
from rich.table import Table as Grid
from rich.text import Text

from aggregator.config.configuration import Configuration
from aggregator.core.reading import Grade
from aggregator.poller import Line
from aggregator.terminal.tables import out, print_grid
from aggregator.terminal.words import age_text, value_text


def print_lines(configuration: Configuration, polled: Sequence[Line]) -> None:
    """Polled values, once."""
    print_grid(_line_grid(configuration, polled))


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
            Text(_quality(line), style="" if good else "bold"),
            Text(age_text(line.age) if line.has_age else "-"),
            Text(f"{line.table.key} {line.address}"),
        )
        before = line.tag
    return grid


def _quality(line: Line) -> str:
    """The quality of a line; that of its whole meter says so, where a status word tells it."""
    whose = "" if line.own_status or (line.status is None and line.refused is None) else "meter "
    return f"{whose}{line.quality}"
