"""The table of gases, for whoever sets a limit."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Annotated

import typer

from aggregator.core.gas import GASES, IEC_2010, Gas, gas_named

NOTE = "For orientation: what holds at a site is for a competent person there to say, after the local codes."


def gases(
    name: Annotated[str | None, typer.Argument(help="a name, formula or CAS number", metavar="NAME")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="as JSON")] = False,
) -> None:
    """Print limits of exposure, explosive limits and molar mass of common gases, each with its source."""
    chosen = GASES
    if name is not None:
        found = gas_named(name)
        if found is None:
            known = ", ".join(each.formula for each in GASES)
            raise typer.BadParameter(f"there is no {name} in the table; it has {known}", param_hint="NAME")
        chosen = (found,)
    if as_json:
        typer.echo(json.dumps([asdict(each) for each in chosen], ensure_ascii=False, indent=2))
        return
    for each in chosen:
        typer.echo("\n".join(_lines(each)))
    typer.echo(NOTE)


def _lines(gas: Gas) -> list[str]:
    lines = [
        f"{gas.name} ({gas.formula}, CAS {gas.cas}), {gas.molar_mass:g} g/mol, 1 ppm = {gas.mg_per_m3(1):.2f} mg/m3"
    ]
    if gas.lel is not None:
        lines.append(f"  explosive from {gas.lel:g} to {gas.uel:g} %vol in air: {IEC_2010}")
    for limit in gas.limits:
        note = f" ({limit.note})" if limit.note else ""
        lines.append(f"  {limit.basis} {limit.ppm:g} ppm{note}: {limit.source}")
    return lines
