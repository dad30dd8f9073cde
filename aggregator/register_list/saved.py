"""A register list that was saved as JSON, read back as what plant software was built on."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from aggregator.core.address_map import Table
from aggregator.core.errors import AggregatorError
from aggregator.core.promise import Line, Term
from aggregator.core.reach import Reach, Whose
from aggregator.register_list.rows import OWNER_ENDS, STALE_WORDS

TABLES = {table.words: table for table in Table}
STALE_KEYS = {words: key for key, words in STALE_WORDS.items()}


class NoRegisterList(AggregatorError):
    """A file is no register list of this program; the message says what to do."""


def saved_map(path: Path) -> tuple[list[Line], Reach]:
    """The lines of a list made by `map --as json`, and what can be read. Raises NoRegisterList."""
    try:
        listed = json.loads(path.read_text(encoding="utf-8"))
        return [_line(row) for row in listed["registers"]], Reach(_run(run) for run in listed["readable"])
    except OSError as error:
        raise NoRegisterList(f"cannot read {path}: {error.strerror}. Name another file.") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        made = "Make it with `aggregator map --as json --output FILE`, or name a site's folder."
        raise NoRegisterList(f"{path} is no register list in JSON. {made}") from error


def _run(run: Mapping[str, Any]) -> tuple[Whose, int, int]:
    return (run["unit id"], run["device"], TABLES[run["table"]]), run["from"], run["to"] + 1


def _line(row: Mapping[str, Any]) -> Line:
    table = TABLES[row["table"]]
    owner, item = row["tag"], row["item"]
    if not owner:
        owner, _, item = item.partition(OWNER_ENDS)
    filler = row["no value"]
    term = Term(
        row["registers"] or 1,
        row["shows"],
        item,
        row["type"],
        row["words"] or "",
        row["bytes"] or "",
        float(row["scale"] or 1),
        float(row["offset"] or 0),
        row["unit"] or "",
        f"{filler:.15g}" if isinstance(filler, float) else "" if filler is None else str(filler),
        STALE_KEYS[row["when stale"]] if row["when stale"] else "",
    )
    hidden = table is Table.INPUT and "03" not in row["function"]
    return Line(row["device"], row["unit id"], table, row["PDU address"], owner, term, hidden)
