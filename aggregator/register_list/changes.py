"""What is different between two maps, as rows for a table, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from aggregator.core.difference import Difference
from aggregator.core.promise import Line, device_words
from aggregator.core.reach import Run
from aggregator.core.register import Register

CHANGE_COLUMNS = ("what", "device", "tag", "item", "was", "is")


READS_ZERO, REFUSED = "gaps read as zero", "answers exception 02"


def change_rows(found: Iterable[Difference], reach: Iterable[Run] = ()) -> list[dict[str, str]]:
    """One row a difference, for people; those about what can be read at the end."""
    return [*_item_rows(found), *map(_reach_row, reach)]


def _reach_row(run: Run) -> dict[str, str]:
    was, now = (REFUSED, READS_ZERO) if run.readable else (READS_ZERO, REFUSED)
    return {
        "what": "readable" if run.readable else "unreadable",
        "device": device_words(run.device, run.unit_id),
        "tag": "",
        "item": "",
        "was": f"{run.span}: {was}",
        "is": now,
    }


def _item_rows(found: Iterable[Difference]) -> list[dict[str, str]]:
    return [
        {
            "what": ", ".join(each.kinds),
            "device": device_words(each.line.device, each.line.unit_id),
            "tag": each.line.owner,
            "item": each.line.term.item,
            "was": _stood(each.was),
            "is": _stands(each),
        }
        for each in found
    ]


def _stood(line: Line | None) -> str:
    return f"{line.table.key} {line.address}: {line.term}" if line is not None else ""


def _stands(found: Difference) -> str:
    instead = f"; {found.instead.name} stands where it was" if found.instead is not None else ""
    if found.was is None or found.now is None:
        return _stood(found.now) + instead.removeprefix("; ")
    other = "" if found.now.where[:2] == found.was.where[:2] else f"{device_words(*found.now.where[:2])} "
    changes = ": " + ", ".join(map(str, found.changes)) if found.changes else ""
    return f"{other}{found.now.table.key} {found.now.address}{changes}{instead}"


def changes_json(found: Sequence[Difference], reach: Iterable[Run] = ()) -> str:
    """One JSON object with every difference, each side with its address and terms, and what can be read otherwise."""
    listed = [
        {
            "what": each.kinds,
            "tag": each.line.owner,
            "item": each.line.term.item,
            "was": _facts(each.was),
            "is": _facts(each.now),
            "changes": {change.of: {"was": change.was, "is": change.now} for change in each.changes},
            "in its place": _facts(each.instead),
        }
        for each in found
    ]
    runs = [
        {
            "unit id": run.unit_id,
            "device": run.device,
            "table": run.table.words,
            "from": run.start,
            "to": run.end - 1,
            "is": "readable" if run.readable else "unreadable",
        }
        for run in reach
    ]
    return json.dumps({"differences": listed, "reach": runs}, indent=1, ensure_ascii=False) + "\n"


def _facts(line: Line | None) -> dict[str, object] | None:
    if line is None:
        return None
    term = line.term
    where = {"unit id": line.unit_id, "device": line.device, "table": line.table.words, "PDU address": line.address}
    named = {"reference": Register(line.table, line.address).reference, "tag": line.owner, "item": term.item}
    stands = {"type": term.type, "registers": term.registers, "scale": term.scale, "offset": term.offset}
    return {**where, **named, **stands, "unit": term.unit, "words": term.words, "bytes": term.bytes}
