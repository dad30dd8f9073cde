"""The blocks of one table drawn as a strip: what is used, what is spare, what is free.

    100  [## #### ##  |## #### ##  |/ / / / / |## ##        ]      a row is a hundred addresses
    200  [## ####     ]
    300  300-899 free

Dark bars are items, as wide as the registers they take; white inside a frame is room that a block keeps; a dashed frame
with a line across is a spare slot. It is SVG in black and white, so that it prints on any printer.
"""

from __future__ import annotations

import html
from collections import defaultdict
from collections.abc import Iterable, Iterator

from aggregator.core.address_map import TABLE_SIZE, Block, Device, Table
from aggregator.core.promise import SPARE

ROW = 100  # addresses
CELL, LEFT = 9, 52  # pixels of an address, and before the first
LABEL, BAR, FREE = 13, 14, 18  # pixels of a row's names, of its bars, and of a line that says what is free
LETTER = 5.6  # pixels that a letter of a name takes
WIDTH = LEFT + ROW * CELL + 2


def strip(device: Device, table: Table) -> Iterator[str]:
    """The strip of one table, one SVG element a row: a page may end between any two."""
    rows: defaultdict[int, list[Block]] = defaultdict(list)
    for block in device.in_table(table):
        for row in range(block.start // ROW, (block.end - 1) // ROW + 1):
            rows[row].append(block)
    yield "<div class='strip'>"
    free_from = 0
    for row in sorted(rows):
        if row > free_from:
            yield _free(free_from * ROW, row * ROW - 1)
        yield _row(row * ROW, rows[row])
        free_from = row + 1
    if free_from * ROW < TABLE_SIZE:
        yield _free(free_from * ROW, TABLE_SIZE - 1)
    yield "</div>\n"


def _svg(height: int, says: str, drawn: Iterable[str]) -> str:
    size = f"viewBox='0 0 {WIDTH} {height}' width='{WIDTH}' height='{height}'"
    return f"<svg role='img' aria-label='{html.escape(says)}' {size}>{''.join(drawn)}</svg>\n"


def _free(start: int, last: int) -> str:
    says = f"{start}-{last} free"
    return _svg(FREE, says, [f"<text x='{LEFT}' y='12'>{says}</text>"])


def _row(start: int, blocks: list[Block]) -> str:
    says = f"{start}-{start + ROW - 1}: " + ", ".join(dict.fromkeys(block.owner for block in blocks))
    bars = (part for block in blocks for part in _block(block, start, LABEL))
    begins = f"<text x='{LEFT - 6}' y='{LABEL + 11}' text-anchor='end'>{start}</text>"
    return _svg(LABEL + BAR + 4, says, [begins, *bars, *_names(start, blocks)])


def _names(start: int, blocks: list[Block]) -> Iterator[str]:
    """The owners above their blocks, as many as there is room for."""
    end_of_name = 0.0
    for block in blocks:
        x = _x(max(block.start, start), start)
        room = _x(min(block.end, start + ROW), start) - x
        named = block.owner if block.start >= start else f"({block.owner})"
        width = LETTER * len(named)
        # A name may stand over its neighbours where they are too narrow for one of their own.
        if x >= end_of_name and (width <= room or room < LETTER * 4) and block.owner != SPARE:
            yield f"<text x='{x:g}' y='{LABEL - 3}'>{html.escape(named)}</text>"
            end_of_name = x + width + LETTER


def _x(address: int, start: int) -> float:
    return LEFT + (address - start) * CELL


def _block(block: Block, start: int, top: int) -> Iterator[str]:
    """The part of a block that lies in the row of addresses from `start` on."""
    begin, end = max(block.start, start), min(block.end, start + ROW)
    x, width = _x(begin, start), (end - begin) * CELL
    spare = block.owner == SPARE
    style = " class='spare'" if spare else ""
    title = f"<title>{html.escape(f'{block.owner}: {block}')}</title>"
    yield f"<rect x='{x:g}' y='{top}' width='{width}' height='{BAR}'{style}>{title}</rect>"
    if spare:
        yield f"<path d='M{x:g} {top + BAR}L{x + width:g} {top}'/>"
        return
    for item in block.layout.in_table(block.table):
        first, last = max(block.start + item.offset, begin), min(block.start + item.offset + item.size, end)
        if first < last:
            left, wide = _x(first, start) + 1, (last - first) * CELL - 2
            title = f"<title>{html.escape(f'{block.owner} {item.title}: {block.start + item.offset}')}</title>"
            yield f"<rect class='item' x='{left:g}' y='{top + 2}' width='{wide}' height='{BAR - 4}'>{title}</rect>"
