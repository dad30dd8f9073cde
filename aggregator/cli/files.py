"""The commands about a site's files: what is wrong with them, and how an editor can check them."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from aggregator.cli.app import CannotWrite, Folder, counted
from aggregator.config.configuration import load
from aggregator.config.files import FILES
from aggregator.config.schema import schema_text, write_schemas
from aggregator.core.alarm_doubts import alarm_doubts
from aggregator.core.doubts import doubts
from aggregator.core.errors import Problem
from aggregator.core.freeze import line_count
from aggregator.core.promise import device_words
from aggregator.register_list import RegisterList


def check(site: Folder = Path("config")) -> None:
    """Read a site's files and say everything that is wrong with them, or what they make."""
    configuration = load(site)
    declared = configuration.declared
    linked = sum(meter.node is not None for meter in declared.meters)
    listed = RegisterList.of(declared)
    typer.echo(f"{site}: {declared.name} is in order.")
    typer.echo(f"  {len(declared.meters)} meters of {declared.profile_count()} profiles, {linked} linked to a node")
    for device in declared.devices:
        items = sum(row["device"] == device.name for row in listed.rows)
        which = device_words(device.name, device.unit_id)
        typer.echo(f"  {which}: {len(device.blocks)} blocks, {items} items")
    placed = {block.tag for device in declared.devices for block in device.blocks}
    nowhere = [meter.tag for meter in declared.meters if meter.tag not in placed]
    if nowhere:
        verb = "meter is" if len(nowhere) == 1 else "meters are"
        typer.echo(f"  {len(nowhere)} {verb} placed nowhere in map.yaml: {', '.join(nowhere)}")
    typer.echo(f"  {listed.issue}")
    frozen = line_count(configuration.frozen)
    typer.echo(
        f"  {frozen or 'none'} of {len(listed.rows)} items frozen"
        + ("" if frozen else "; `aggregator freeze` keeps them")
    )
    found = doubts(declared.meters, declared.devices)
    _tell_doubts([*found, *alarm_doubts(declared.meters, declared.alarms.alarms)])


def _tell_doubts(found: Sequence[Problem]) -> None:
    """Say what to look at. The site is in order all the same."""
    for doubt in found:
        typer.echo(f"warning: {doubt}", err=True)
    if found:
        typer.echo(f"{counted(len(found), 'warning')}; the site can be run as it is.", err=True)


def schema(
    kind: Annotated[str | None, typer.Argument(help=f"one of {', '.join(FILES)}", metavar="KIND")] = None,
    into: Annotated[Path | None, typer.Option(help="write all of them into this folder")] = None,
) -> None:
    """Print the JSON Schema of a kind of file, for an editor to complete and check it."""
    if into is not None:
        try:
            for path in write_schemas(into):
                typer.echo(f"wrote {path}")
        except OSError as error:
            raise CannotWrite(f"cannot write into {into}: {error.strerror}. Name another folder.") from error
        return
    if kind not in FILES:
        raise typer.BadParameter(f"name one of {', '.join(FILES)}, or a folder with --into", param_hint="KIND")
    sys.stdout.write(schema_text(kind))
