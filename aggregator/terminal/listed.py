"""The register list as a table."""

from __future__ import annotations

from aggregator.register_list import RegisterList
from aggregator.terminal.tables import out, print_rows

SHOWN = ("unit id", "table", "PDU address", "data number", "type", "scale", "unit", "tag", "item", "note")


def print_list(listed: RegisterList) -> None:
    """The register list, its most needed columns."""
    out.print(f"{listed.site}, {listed.issue}")
    print_rows(SHOWN, listed.rows, numbers=("PDU address", "data number"), texts=("item", "note"))
