"""The command that plans a poll: which items are to be read, and the requests that do it."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from aggregator.cli.app import Folder, write
from aggregator.config.configuration import load
from aggregator.core.poll_plan import MOST_BITS, MOST_REGISTERS
from aggregator.core.slip import near
from aggregator.register_list import Choice, TooWide, Unknown, cost, plan_csv_text
from aggregator.terminal.tables import print_rows

PLAN_NUMBERS = ("PDU address", "data number", "count", "items", "used")
PLAN_SHOWN = ("device", "function", *PLAN_NUMBERS[:2], "short reference", *PLAN_NUMBERS[2:], "covers", "note")


class PlanForm(StrEnum):
    """What a poll plan comes out as."""

    TABLE = "table"
    CSV = "csv"


def plan(
    site: Folder = Path("config"),
    unit: Annotated[list[str] | None, typer.Option(help="unit id or name of a device; may be given again")] = None,
    tag: Annotated[list[str] | None, typer.Option(help="only this meter, or gateway; may be given again")] = None,
    area: Annotated[list[str] | None, typer.Option(help="only meters of this area; may be given again")] = None,
    item: Annotated[list[str] | None, typer.Option(help="only this item, as flow; may be given again")] = None,
    most: Annotated[int, typer.Option(help="registers a read may ask for", min=1, max=MOST_REGISTERS)] = MOST_REGISTERS,
    most_bits: Annotated[int, typer.Option(help="bits a read may ask for", min=1, max=MOST_BITS)] = MOST_BITS,
    strict: Annotated[bool, typer.Option("--strict", help="run over no address that has no item")] = False,
    form: Annotated[PlanForm, typer.Option("--as", help="what to print")] = PlanForm.TABLE,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="a file instead of the screen")] = None,
) -> None:
    """Print the fewest reads that cover chosen items, none splitting a value; left out, all but the test block."""
    choice = Choice(unit or (), tag or (), area or (), item or ())
    try:
        reads = choice.plan(load(site).declared, most, most_bits, strict=strict)
    except Unknown as error:
        cure = near(error.name, error.known, "It has")
        raise typer.BadParameter(f"the map has no {error.name}. {cure}.", param_hint=f"--{error.kind}") from error
    except TooWide as error:
        raise typer.BadParameter(str(error), param_hint="--most") from error
    if form is PlanForm.CSV or output is not None:
        write(plan_csv_text(reads), output)
        return
    print_rows(PLAN_SHOWN, (each.row() for each in reads), numbers=PLAN_NUMBERS)
    typer.echo(cost(reads))
