"""Rows as a table, and a line that tells how far something has come."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from rich.cells import cell_len
from rich.console import Console
from rich.measure import Measurement
from rich.table import Table as Grid
from rich.text import Text

WIDEST = 1000  # columns that a table may take
GAP, INDENT = 2, 2  # columns between two cells, and before the second line of a row
SHORTEST_TEXT = 24  # columns that a text is given beside others; where there are fewer it goes under them

out = Console(highlight=False)


def print_rows(
    columns: Sequence[str],
    rows: Iterable[Mapping[str, str]],
    numbers: Collection[str] = (),
    texts: Collection[str] = ("note",),
) -> None:
    """Some columns of rows as a table, those of numbers to the right, those of texts folded.

    Nothing is cut: what does not fit the width goes on in a second line of the row, under a second line of titles.
    """
    console, listed = Console(highlight=False), list(rows)
    widths = {each: max(map(cell_len, [each, *(row[each] for row in listed)])) for each in columns}
    bands = list(_bands(widths, texts, console.width))
    _print_row({each: each for each in columns}, bands, numbers, console, "bold")
    for row in listed:
        _print_row(row, bands, numbers, console)


def _bands(widths: Mapping[str, int], texts: Collection[str], room: int) -> Iterator[dict[str, int]]:
    """The lines that a row takes: the columns of each, with their widths."""
    band: dict[str, int] = {}
    begun = False
    for column, width in widths.items():
        need = min(width, SHORTEST_TEXT) if column in texts else width
        if band and sum(band.values()) + GAP * len(band) + need > room - INDENT * begun:
            yield _widened(band, widths, room - INDENT * begun)
            band, begun = {}, True
        band[column] = min(need, room - INDENT * begun)
    yield _widened(band, widths, room - INDENT * begun)


def _widened(band: dict[str, int], widths: Mapping[str, int], room: int) -> dict[str, int]:
    """Give texts what is left of a line, the first of them first."""
    left = room - sum(band.values()) - GAP * (len(band) - 1)
    for column, width in band.items():
        more = max(0, min(left, widths[column] - width))
        band[column] += more
        left -= more
    return band


def _print_row(
    row: Mapping[str, str], bands: Sequence[dict[str, int]], numbers: Collection[str], console: Console, style: str = ""
) -> None:
    for at, band in enumerate(bands):
        if at and not any(row[column] for column in band):
            continue
        cells = [[_padded(line, width, column in numbers) for line in _folded(row[column], width, console)]
                 for column, width in band.items()]  # fmt: skip
        blanks = [" " * width for width in band.values()]
        for line in range(max(map(len, cells))):
            parts = (cell[line] if line < len(cell) else blank for cell, blank in zip(cells, blanks, strict=True))
            console.out(" " * INDENT * bool(at) + (" " * GAP).join(parts).rstrip(), style=style or None)


def _folded(text: str, width: int, console: Console) -> list[str]:
    if cell_len(text) <= width and "\n" not in text:
        return [text]
    return [line.plain.rstrip() for line in Text(text).wrap(console, width)]


def _padded(text: str, width: int, right: bool) -> str:
    blank = " " * (width - cell_len(text))
    return blank + text if right else text + blank


def print_grid(grid: Grid) -> None:
    """A table as wide as it needs, whatever the terminal: a column that is cut short would show another number."""
    needed = Measurement.get(out, out.options.update(width=WIDEST), grid).maximum
    Console(width=max(out.width, needed), highlight=False).print(grid)


@contextmanager
def progress(what: str) -> Iterator[Callable[[int], None] | None]:
    """A line on a terminal's standard error that says how many rows there were; None where it is no terminal."""
    screen = Console(stderr=True, highlight=False)
    if not screen.is_terminal:
        yield None
        return
    with screen.status(f"{what} ...") as line:
        yield lambda count: line.update(f"{count} {what} ...")
