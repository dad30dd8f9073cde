"""The commands about the site's settings: show them, and change one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from aggregator.cli.app import Folder, SiteOption
from aggregator.cli.service import ask_service, who_sits_here
from aggregator.config.scalars import Wrong


def settings(site: Folder = Path("config")) -> None:
    """Show the settings of the running service: what holds, what was asked for and by whom, and the limits."""
    from aggregator.terminal.settings import print_settings

    print_settings(ask_service(site, {"do": "settings"}))


def change(
    name: Annotated[str, typer.Argument(help="the setting, as in meters.yaml", metavar="SETTING")],
    value: Annotated[str | None, typer.Argument(help="in its unit, or with another: '650 m3/h'")] = None,
    from_file: Annotated[bool, typer.Option("--from-file", help="what meters.yaml says again")] = False,
    site: SiteOption = Path("config"),
) -> None:
    """Change a setting of the running service, within its limits; it outlives a restart."""
    from aggregator.config.configuration import load
    from aggregator.config.units import quantity

    if (value is None) is not from_file:
        raise typer.BadParameter("write a value, or --from-file", param_hint="VALUE")
    configuration = load(site)
    declared = {each.name: each for each in configuration.declared.settings}
    if name not in declared:
        known = ", ".join(declared) or "none"
        raise typer.BadParameter(f"there is no setting {name}; there is {known}", param_hint="SETTING")
    try:
        amount = None if value is None else quantity(value, declared[name].unit)
    except Wrong as error:
        raise typer.BadParameter(f"{error.what}. {error.cure}.", param_hint="VALUE") from error
    told = ask_service(site, {"do": "set", "setting": name, "value": amount, "who": who_sits_here()})
    shown = f"{told['effective']:g} {told['unit']}".rstrip()
    typer.echo(f"{told['setting']} is {shown}")
