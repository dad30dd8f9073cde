"""The commands about the service: serve a site, and ask a running one."""

from __future__ import annotations

import json
import os
import pwd
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from aggregator import logs, terminal
from aggregator.cli.app import Folder, run_loop
from aggregator.clock import Clock
from aggregator.config import Configuration, load


class LogForm(StrEnum):
    """How log lines are written."""

    AUTO = "auto"
    PEOPLE = "people"
    JSON = "json"


def run(
    site: Folder = Path("config"),
    log: Annotated[LogForm, typer.Option(help="people on a terminal, JSON elsewhere, unless chosen")] = LogForm.AUTO,
) -> None:
    """Serve a site until SIGTERM or Ctrl-C."""
    configuration = load(site)
    for_people = log is LogForm.PEOPLE or (log is LogForm.AUTO and sys.stderr.isatty())
    logs.configure(configuration.service.log.level, for_people=for_people)
    run_loop(lambda: _serve(configuration))


async def _serve(configuration: Configuration) -> None:
    from aggregator.daemon import Service, broker_of, data_folder

    broker = broker_of(configuration.service.broker)
    service = Service(configuration, broker, Clock(), data_folder(configuration))
    service.stop_on_signals()
    await service.run()


class Switch(StrEnum):
    """Into or out of."""

    ON = "on"
    OFF = "off"


def hold_in_test(
    tag: Annotated[str, typer.Argument(help="the meter's tag")],
    switch: Annotated[Switch, typer.Argument(help="into test or out of it", metavar="on|off")],
    site: Folder = Path("config"),
) -> None:
    """Take a meter of the running service into test, or out of it; its readings say so meanwhile."""
    configuration = load(site)
    if tag not in {meter.tag for meter in configuration.declared.meters}:
        raise typer.BadParameter(f"there is no meter {tag}", param_hint="TAG")
    request = {"do": "test", "tag": tag, "on": switch is Switch.ON, "who": _user()}
    told = _ask(configuration, request)
    typer.echo(f"{told['tag']} is {'in' if told['under_test'] else 'out of'} test")


def set_total(
    tag: Annotated[str, typer.Argument(help="the meter's tag")],
    field: Annotated[str, typer.Argument(help="the field that counts, for instance volume")],
    total: Annotated[float, typer.Argument(help="the total so far, in the field's unit", min=0)],
    site: Folder = Path("config"),
    counter: Annotated[float | None, typer.Option(help="what the new meter's counter shows", min=0)] = None,
) -> None:
    """Set a running total of the running service, as when a meter is exchanged; it carries on from there."""
    configuration = load(site)
    meters = {meter.tag: meter for meter in configuration.declared.meters}
    if tag not in meters:
        raise typer.BadParameter(f"there is no meter {tag}", param_hint="TAG")
    counts = [each.name for each in meters[tag].profile.fields if each.counting is not None]
    if field not in counts:
        known = ", ".join(counts) or "none"
        raise typer.BadParameter(f"{tag} has no running total of {field}; it has {known}", param_hint="FIELD")
    request = {"do": "total", "tag": tag, "field": field, "total": total, "counter": counter, "who": _user()}
    told = _ask(configuration, request)
    typer.echo(f"the total of {told['tag']} {told['field']} is {told['total']:g}")


def _user() -> str:
    """Who sits at the machine, also where they act as the service's user."""
    try:
        name = pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        name = f"user {os.getuid()}"
    return os.environ.get("SUDO_USER") or name


def status(
    site: Folder = Path("config"),
    as_json: Annotated[bool, typer.Option("--json", help="as one JSON object")] = False,
) -> None:
    """Print what the running service says of itself: broker, clock, meters, uplinks, store."""
    told = _ask(load(site), {"do": "status"})
    if as_json:
        typer.echo(json.dumps(told, ensure_ascii=False))
        return
    for line in terminal.status_lines(told):
        typer.echo(line)


def _ask(configuration: Configuration, request: dict[str, object]) -> dict[str, Any]:
    from aggregator.control import ask
    from aggregator.daemon import data_folder

    return ask(data_folder(configuration), request)
