"""The register list: what a SCADA engineer needs to know of every address.

It is generated from the map and never kept by hand. The same rows come out as CSV, Markdown, HTML and JSON.
"""

from __future__ import annotations

import csv
import html
import io
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass

from aggregator.core.address_map import Device, Entry, Shows, Table, WhenStale, fingerprint
from aggregator.core.painter import FLAGS
from aggregator.core.reading import GOOD_ALL_THE_SAME, REASON_WORDS, Grade, Reason, grade_of, reason_word
from aggregator.core.site import Declared

COLUMNS = (
    "unit id",
    "table",
    "function",
    "PDU address",
    "PDU hex",
    "data number",
    "reference",
    "registers",
    "type",
    "words",
    "bytes",
    "scale",
    "offset",
    "unit",
    "tag",
    "item",
    "range",
    "no value",
    "when stale",
    "note",
    "declared at",
)
CAUTION = (
    "Monitoring, not a safety function. Ranges and limits are for the site's competent persons to confirm under their "
    "local codes."
)


@dataclass(frozen=True, slots=True)
class RegisterList:
    """Every item of the chosen devices, in the order of unit id, table and address."""

    site: str
    fingerprint: int
    rows: tuple[dict[str, str], ...]

    @classmethod
    def of(cls, declared: Declared, unit: int | None = None) -> RegisterList:
        """The list of a whole site, or of one unit id."""
        devices = [device for device in declared.devices if unit in (None, device.unit_id)]
        rows = tuple(row for device in devices for row in _rows(declared, device))
        return cls(declared.name, fingerprint(declared.devices), rows)

    def csv(self) -> str:
        """Comma-separated, one line an item, for import."""
        out = io.StringIO()
        writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.rows)
        return out.getvalue()

    def json(self) -> str:
        """One JSON object with the rows and what they are of."""
        whole = {"site": self.site, "map_fingerprint": f"{self.fingerprint:08x}", "registers": self.rows}
        return json.dumps(whole, indent=1, ensure_ascii=False) + "\n"

    def markdown(self) -> str:
        """A Markdown document with the notes that belong to the list."""
        lines = [f"# Register list: {self.site}", "", f"Map fingerprint {self.fingerprint:08x}.", ""]
        lines += [f"- {note}" for note in notes()]
        lines += ["", "| " + " | ".join(COLUMNS) + " |", "|" + " --- |" * len(COLUMNS)]
        for row in self.rows:
            cells = (row[column].replace("|", "\\|") for column in COLUMNS)
            lines.append("| " + " | ".join(cells) + " |")
        lines += ["", "## Status word", "", "| bit | name | meaning | grade |", "| --- | --- | --- | --- |"]
        lines += [f"| {bit} | {name} | {words} | {grade} |" for bit, name, words, grade in status_bits()]
        return "\n".join(lines) + "\n"

    def html(self) -> str:
        """A page of its own to print or pass on: no scripts, nothing fetched."""
        head = "".join(f"<th>{html.escape(column)}</th>" for column in COLUMNS)
        body = "\n".join(
            "<tr>" + "".join(f"<td>{html.escape(row[column])}</td>" for column in COLUMNS) + "</tr>"
            for row in self.rows
        )
        bits = "\n".join(
            f"<tr><td>{bit}</td><td>{name}</td><td>{html.escape(words)}</td><td>{grade}</td></tr>"
            for bit, name, words, grade in status_bits()
        )
        listed = "".join(f"<li>{html.escape(note)}</li>" for note in notes())
        title = f"Register list: {html.escape(self.site)}"
        return (
            f"<!doctype html>\n<html lang='en'><head><meta charset='utf-8'><title>{title}</title><style>{STYLE}</style>"
            f"</head><body><h1>{title}</h1><p>Map fingerprint {self.fingerprint:08x}</p><ul>{listed}</ul>"
            f"<table><thead><tr>{head}</tr></thead><tbody>\n{body}\n</tbody></table>"
            "<h2>Status word</h2><table><thead><tr><th>bit</th><th>name</th><th>meaning</th><th>grade</th></tr>"
            f"</thead><tbody>{bits}</tbody></table></body></html>\n"
        )


STYLE = (
    "body{font:14px/1.4 system-ui,sans-serif;margin:2em;color:#222}h1{font-size:1.4em}h2{font-size:1.1em}"
    "table{border-collapse:collapse;font-size:12px}th,td{border:1px solid #bbb;padding:2px 6px;text-align:left}"
    "th{background:#eee;position:sticky;top:0}td:nth-child(4),td:nth-child(6){text-align:right}"
    "td{white-space:nowrap}td:nth-child(16),td:nth-child(20){white-space:normal;overflow-wrap:anywhere;min-width:14em}"
    "@media print{body{margin:0}th{position:static}tr{break-inside:avoid}}"
)


def notes() -> list[str]:
    """What must be said beside every register list."""
    return [
        CAUTION,
        "PDU addresses count from 0 and go on the wire; data numbers count from 1.",
        "References are data numbers after the table's digit.",
        "Input registers answer function 03 at the same address too, wherever no holding block stands.",
        "Gaps and spare slots inside a block read as zero; every address outside a block answers exception 02.",
        "Read a value together with its status word in one request: both are of the same moment.",
        "A value of several registers is written whole in one request; half a value is refused with exception 03.",
    ]


def status_bits() -> Iterator[tuple[str, str, str, str]]:
    """The bits of the status word: number, name, meaning, and the grade that follows."""
    grades = ", ".join(f"{int(grade)} {grade.name.lower()}" for grade in Grade)
    yield "0-1", "grade", f"{grades}; 0 where no meter stands", ""
    for reason, words in REASON_WORDS.items():
        grade = "any" if reason & GOOD_ALL_THE_SAME else grade_of(reason).name.lower()
        grade = "uncertain" if reason is Reason.CLAMPED else grade
        yield (
            str(int(reason).bit_length() - 1),
            reason_word(reason),
            words,
            grade,
        )


def reference(entry: Entry) -> str:
    """The trade's six-digit reference: the table's digit, then the data number (common practice, no source)."""
    return f"{entry.table.digit}{entry.address + 1:05d}"


def _rows(declared: Declared, device: Device) -> Iterator[dict[str, str]]:
    meters = {meter.tag: meter for meter in declared.meters}
    for entry in device.entries():
        item, codec = entry.item, entry.item.codec
        profile = meters[entry.tag].profile if entry.tag else None
        index = profile.index_of(item.of) if profile and item.shows is Shows.VALUE else None
        field = profile.fields[index] if profile is not None and index is not None else None
        yield {
            "unit id": str(device.unit_id),
            "table": entry.table.words,
            "function": _functions(entry.table),
            "PDU address": str(entry.address),
            "PDU hex": f"{entry.address:04X}",
            "data number": str(entry.address + 1),
            "reference": reference(entry),
            "registers": str(item.size) if codec else "",
            "type": codec.encoding.type if codec else "bit",
            "words": str(codec.encoding.word_order) if codec and item.size > 1 and not codec.encoding.is_text else "",
            "bytes": str(codec.encoding.byte_order) if codec else "",
            "scale": f"{codec.scale.factor:g}" if codec and codec.scale.factor != 1 else "",
            "offset": f"{codec.scale.offset:g}" if codec and codec.scale.offset else "",
            "unit": item.unit,
            "tag": entry.tag or "",
            "item": item.title if entry.tag else f"{entry.owner}: {item.title}",
            "range": _range(field.low, field.high, field.unit) if field else "",
            "no value": _filler(entry) if item.shows is Shows.VALUE else "",
            "when stale": _when_stale(item.when_stale) if item.shows is Shows.VALUE else "",
            "note": item.note or (field.label if field else "") or _flag_words(item.of),
            "declared at": item.place.short,
        }


def _functions(table: Table) -> str:
    return {Table.COIL: "01, 05, 15", Table.DISCRETE: "02", Table.INPUT: "04, 03", Table.HOLDING: "03, 06, 16"}[table]


def _range(low: float, high: float, unit: str) -> str:
    return "" if math.isinf(low) and math.isinf(high) else f"{low:g} .. {high:g} {unit}".strip()


def _filler(entry: Entry) -> str:
    codec = entry.item.codec
    if codec is None:
        return ""
    return "NaN" if isinstance(codec.filler, float) and math.isnan(codec.filler) else str(codec.filler)


def _when_stale(policy: WhenStale) -> str:
    return {
        WhenStale.HOLD: "holds the last value",
        WhenStale.FILLER: "shows no value",
        WhenStale.REFUSE: "answers exception 0B",
    }[policy]


def _flag_words(name: str) -> str:
    return REASON_WORDS[Reason(FLAGS[name])] if name in FLAGS else ""
