"""The register list as a page of its own, to print or pass on: no scripts, nothing fetched, no colour relied on."""

from __future__ import annotations

import html
from collections.abc import Iterator

from aggregator.core.address_map import Block, Table
from aggregator.core.encoding import Order
from aggregator.core.promise import SPARE, device_words
from aggregator.register_list.rows import OWNER_ENDS, RegisterList, notes, status_bits
from aggregator.register_list.strip import strip

STYLE = """\
body{font:13px/1.4 system-ui,sans-serif;margin:1.5em;color:#111}
h1{font-size:1.5em;margin:0}h2{font-size:1.25em;margin:1.6em 0 .3em}h3{font-size:1.05em;margin:1.2em 0 .3em}
ul{padding-left:1.2em;max-width:75em}
.issue{margin:.2em 0 1em}
table{border-collapse:collapse;font-size:11px}
th,td{border:1px solid #999;padding:1px 5px;text-align:left;vertical-align:top;white-space:nowrap}
th{border-bottom:2px solid #111}
td.number{text-align:right;font-variant-numeric:tabular-nums}
td.text{white-space:normal;overflow-wrap:anywhere;min-width:11em}
td.wrap{white-space:normal;min-width:5em}
td.owner{border-top:2px solid #111;font-weight:600;white-space:normal}
.strip{margin:.4em 0 .8em}
.strip svg{max-width:100%;height:auto;display:block;break-inside:avoid}
.strip text{font:10px system-ui,sans-serif;fill:#111}
.strip rect{fill:#fff;stroke:#111;stroke-width:1}
.strip rect.item{fill:#333;stroke:none}
.strip rect.spare{stroke-dasharray:3 2}
.strip path{stroke:#111;stroke-width:.7}
@media print{
@page{size:A4 landscape;margin:10mm}
body{margin:0;font-size:10px}
table{font-size:7.5px}th,td{padding:1px 3px}
h2{break-before:page}h2.first{break-before:auto}h3{break-after:avoid}
tr{break-inside:avoid}tr.owner{break-after:avoid}
}
"""
# Column of the page, column of the list, how its cells are set.
COLUMNS = (
    ("address", "PDU address", "number"),
    ("hex", "PDU hex", "number"),
    ("data number", "data number", "number"),
    ("reference", "reference", "number"),
    ("short", "short reference", "number"),
    ("registers", "registers", "number"),
    ("type", "type", ""),
    ("order", "order", "wrap"),
    ("scale", "scale", "number"),
    ("offset", "offset", "number"),
    ("unit", "unit", ""),
    ("item", "item", "text"),
    ("range", "range", "wrap"),
    ("no value", "no value", ""),
    ("when stale", "when stale", "wrap"),
    ("function", "function", ""),
    ("note", "note", "text"),
    ("declared at", "declared at", ""),
)
LEGEND = (
    "In the strips a row is a hundred addresses. Dark: items. White in a frame: room that a block keeps, read as zero. "
    "Dashed, with a line across: a spare slot, read as zero. Outside the frames: free, exception 02."
)


def html_text(listed: RegisterList) -> str:
    """The whole page."""
    title = f"Register list: {html.escape(listed.site)}"
    said = "".join(f"<li>{html.escape(note)}</li>" for note in (*notes(), LEGEND))
    return "".join(
        (
            f"<!doctype html>\n<html lang='en'><head><meta charset='utf-8'><title>{title}</title>",
            f"<style>\n{STYLE}</style></head><body>\n<h1>{title}</h1>",
            f"<p class='issue'>M{html.escape(listed.issue[1:])}</p><ul>{said}</ul>\n",
            *_devices(listed),
            *_status_word(),
            "</body></html>\n",
        )
    )


def _devices(listed: RegisterList) -> Iterator[str]:
    rows = iter(listed.rows)
    for device in listed.devices:
        first = " class='first'" if device is listed.devices[0] else ""
        name, unit = device_words(device.name, device.unit_id), f", unit {device.unit_id}"
        heading = name.capitalize() if name.startswith("unit") else f"{name.capitalize()}{unit}"
        yield f"<h2{first}>{html.escape(heading)}</h2>\n"
        for table in Table:
            blocks = device.in_table(table)
            if blocks:
                yield f"<h3>{table.words.capitalize()}s</h3>\n"
                yield from strip(device, table)
                yield from _table(blocks, rows)


def _table(blocks: list[Block], rows: Iterator[dict[str, str]]) -> Iterator[str]:
    """The items of one table, under a line for each block. `rows` are the list's, in the order of the blocks."""
    columns = [column for column in COLUMNS if not blocks[0].table.is_bits or column[1] not in OF_REGISTERS]
    yield "<table><thead><tr>" + "".join(f"<th>{shown}</th>" for shown, _, _ in columns) + "</tr></thead><tbody>\n"
    for block in blocks:
        items = [] if block.owner == SPARE else [next(rows) for _ in block.layout.in_table(block.table)]
        about = ", ".join(items[0][key] for key in ("name", "area") if items[0][key]) if items else ""
        if len(items) == 1 and block.tag:  # a line for its owner would say it twice
            items = [{**items[0], "item": f"{block.owner} {items[0]['item']}", "note": about}]
        else:
            owner = f"{block.owner}{': ' * bool(about)}{about} ({block}, {block.place.short})"
            yield f"<tr class='owner'><td class='owner' colspan='{len(columns)}'>{html.escape(owner)}</td></tr>\n"
        for row in items:
            shown = {**row, "order": _order(row), "item": row["item"].removeprefix(f"{block.owner}{OWNER_ENDS}")}
            yield "<tr>" + "".join(_cell(shown[key], set_as) for _, key, set_as in columns) + "</tr>\n"
    yield "</tbody></table>\n"


def _order(row: dict[str, str]) -> str:
    """The order of words, and that of bytes where it is not the specification's."""
    parts = [row["words"], "bytes low-first" if row["bytes"] == Order.LOW_FIRST else ""]
    return ", ".join(part for part in parts if part)


OF_REGISTERS = ("registers", "type", "order", "scale", "offset", "unit", "range", "no value", "when stale")


def _cell(text: str, set_as: str) -> str:
    shown = f" class='{set_as}'" if set_as else ""
    return f"<td{shown}>{html.escape(text)}</td>"


def _status_word() -> Iterator[str]:
    yield "<h2>Status word</h2>\n<table><thead><tr>"
    yield "".join(f"<th>{column}</th>" for column in ("bit", "name", "meaning", "grade"))
    yield "</tr></thead><tbody>\n"
    for bit, name, words, grade in status_bits():
        yield f"<tr><td>{bit}</td><td>{name}</td><td>{html.escape(words)}</td><td>{grade}</td></tr>\n"
    yield "</tbody></table>\n"
