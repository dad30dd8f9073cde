"""The command for the day on which plant software is connected: what a register is."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from aggregator.cli.app import SiteOption
from aggregator.cli.registers import Unit, device_of
from aggregator.cli.service import ask_service
from aggregator.config.configuration import Configuration, load
from aggregator.control import CannotAsk, NoService
from aggregator.control import Refused as ServiceRefused
from aggregator.core.address_map import Device, fingerprint
from aggregator.core.register import NotARegister, Standing, registers_meant, standing
from aggregator.register_list import Lines, about
from aggregator.terminal.register import held_lines, labelled


def explain(
    register: Annotated[str, typer.Argument(help="30123, 400001, a PDU address (122, 0x7A), or input:122")],
    site: SiteOption = Path("config"),
    unit: Unit = None,
) -> None:
    """Say what a register is, whose, from which line of the files, and what the running service has in it."""
    configuration = load(site)
    device = device_of(configuration, unit)
    try:
        meant = registers_meant(register)
    except NotARegister as error:
        raise typer.BadParameter(str(error), param_hint="REGISTER") from error
    found = [standing(device, each) for each in meant]
    standing_there = [each for each in found if each.entry is not None or each.block is not None] or found[:1]
    meters = {meter.tag: meter for meter in configuration.declared.meters}
    for at, each in enumerate(standing_there):
        if at:
            typer.echo("")
        lines = [*about(device, each, meters), *_held(configuration, device, each)]
        for line in labelled(lines):
            typer.echo(line)


def _held(configuration: Configuration, device: Device, found: Standing) -> Lines:
    """What the running service says; that none runs is said too, and no reason not to explain."""
    if found.entry is None:
        return []
    register = f"{found.register.table.key}:{found.register.address}"
    try:
        told = ask_service(configuration.folder, {"do": "explain", "device": device.name, "register": register})
    except NoService:
        return [("holds", "not known: no service runs on this site")]
    except (CannotAsk, ServiceRefused) as error:
        return [("holds", f"not known: {error}")]
    if told["map_fingerprint"] != f"{fingerprint(configuration.declared.devices):08x}":
        return [("holds", f"not known: the service runs with another map, {told['map_fingerprint']}")]
    return list(held_lines(told))
