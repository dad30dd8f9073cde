"""The commands about a site's files: what is wrong with them, and how an editor can check them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from aggregator.cli.app import CannotWrite, Folder
from aggregator.config import load
from aggregator.config.files import FILES
from aggregator.config.schema import schema_text, write_schemas
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
        items = sum(row["unit id"] == str(device.unit_id) for row in listed.rows)
        typer.echo(f"  unit {device.unit_id}: {len(device.blocks)} blocks, {items} items")
    placed = {block.tag for device in declared.devices for block in device.blocks}
    nowhere = [meter.tag for meter in declared.meters if meter.tag not in placed]
    if nowhere:
        verb = "meter is" if len(nowhere) == 1 else "meters are"
        typer.echo(f"  {len(nowhere)} {verb} placed nowhere in map.yaml: {', '.join(nowhere)}")
    typer.echo(f"  map fingerprint {listed.fingerprint:08x}")


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
