"""The register list as CSV, JSON and Markdown: for import, for programs and for documents."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence

from aggregator.core.address_map import Device, Table, areas
from aggregator.register_list.polls import PLAN_COLUMNS, PlannedRead
from aggregator.register_list.rows import COLUMNS, RegisterList, notes, status_bits

WHOLE = ("unit id", "PDU address", "data number", "registers")


def csv_text(listed: RegisterList) -> str:
    """Comma-separated, one line an item, for import; the map's revision and fingerprint stand on every line."""
    issue = {"map revision": listed.revision, "map fingerprint": f"{listed.fingerprint:08x}"}
    return _comma_separated((*COLUMNS, *issue), ({**row, **issue} for row in listed.rows))


def plan_csv_text(plan: Iterable[PlannedRead]) -> str:
    """A poll plan, one line a read."""
    return _comma_separated(PLAN_COLUMNS, (each.row() for each in plan))


def _comma_separated(columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def json_text(listed: RegisterList) -> str:
    """One JSON object with the rows and what they are of; numbers are numbers, and what does not apply is null."""
    about = {"site": listed.site, "map_revision": listed.revision, "map_fingerprint": f"{listed.fingerprint:08x}"}
    bits = [
        {"bits": bits, "name": name, "meaning": words, "grade": grade} for bits, name, words, grade in status_bits()
    ]
    whole = {
        **about,
        "readable": list(_readable(listed.devices)),
        "registers": [_as_json(row) for row in listed.rows],
        "status_word": bits,
    }
    return json.dumps(whole, indent=1, ensure_ascii=False) + "\n"


def _as_json(row: Mapping[str, str]) -> dict[str, str | float | None]:
    """A row with its numbers as numbers, for programs; of a number also the scale and offset that change nothing."""
    typed: dict[str, str | float | None] = {column: value or None for column, value in row.items()}
    for column in WHOLE:
        typed[column] = int(row[column]) if row[column] else None
    if row["type"] not in ("bit", "text"):
        typed["scale"], typed["offset"] = float(row["scale"] or 1), float(row["offset"] or 0)
    if row["no value"] not in ("", "NaN"):  # JSON has no NaN
        typed["no value"] = float(row["no value"]) if row["type"].startswith("float") else int(row["no value"])
    return typed


def _readable(devices: Iterable[Device]) -> Iterator[dict[str, object]]:
    """The runs of addresses that one read may run over; outside, a read is answered with exception 02."""
    for device in devices:
        for table in Table:
            for start, end in areas(device.in_table(table)):
                here = {"unit id": device.unit_id, "device": device.name, "table": table.words}
                yield {**here, "from": start, "to": end - 1}


def markdown_text(listed: RegisterList) -> str:
    """A Markdown document with the notes that belong to the list."""
    lines = [f"# Register list: {listed.site}", "", f"M{listed.issue[1:]}.", ""]
    lines += [f"- {note}" for note in notes()]
    lines += ["", "| " + " | ".join(COLUMNS) + " |", "|" + " --- |" * len(COLUMNS)]
    for row in listed.rows:
        cells = (row[column].replace("|", "\\|") for column in COLUMNS)
        lines.append("| " + " | ".join(cells) + " |")
    lines += ["", "## Status word", "", "| bit | name | meaning | grade |", "| --- | --- | --- | --- |"]
    lines += [f"| {bit} | {name} | {words} | {grade} |" for bit, name, words, grade in status_bits()]
    return "\n".join(lines) + "\n"
