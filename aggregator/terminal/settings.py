"""The site's settings as a table on a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Console

from aggregator.terminal.tables import print_rows
from aggregator.terminal.words import moment_text

COLUMNS = ("setting", "holds", "asked for", "by", "may be", "what it is")


def print_settings(told: Mapping[str, Any]) -> None:
    """Print what a service says of its settings."""
    console = Console(highlight=False)
    if not told["settings"]:
        console.print("no settings; meters.yaml can declare some")
        return
    print_rows(COLUMNS, (dict(zip(COLUMNS, _row(each), strict=True)) for each in told["settings"]), texts=COLUMNS[-1:])
    if more := told["count"] - len(told["settings"]):
        console.print(f"and {more} more")


def _row(each: Mapping[str, Any]) -> list[str]:
    def amount(number: float) -> str:
        return f"{number:g} {each['unit']}".rstrip()

    asked = "-" if each["at"] is None else amount(each["requested"])
    by = "meters.yaml" if each["at"] is None else f"{each['who']}, {moment_text(each['at'])}"
    limits = f"{each['low']:g} .. {amount(each['high'])}"
    return [each["setting"], amount(each["effective"]), asked, by, limits, each["label"]]
