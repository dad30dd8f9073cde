"""The commands about the service: serve a site, and ask a running one."""

from __future__ import annotations

import json
import os
import pwd
import sys
import time
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from aggregator.cli.app import OUTSIDE, Folder, SiteOption, counted, run_loop, utc_of
from aggregator.config.scalars import Wrong, duration
from aggregator.core.slip import no_meter
from aggregator.terminal.status import away_text, pages_away_text, status_lines
from aggregator.terminal.words import moment_text

if TYPE_CHECKING:
    from aggregator.config.configuration import Configuration


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
    from aggregator import logs
    from aggregator.config.configuration import load

    configuration = load(site)
    for_people = log is LogForm.PEOPLE or (log is LogForm.AUTO and sys.stderr.isatty())
    logs.configure(configuration.service.log.level, for_people=for_people)
    run_loop(lambda: _serve(configuration))


async def _serve(configuration: Configuration) -> None:
    from aggregator.clock import Clock
    from aggregator.daemon import Service
    from aggregator.declared import broker_of

    broker = broker_of(configuration.service.broker)
    service = Service(configuration, broker, Clock(), configuration.data_folder)
    service.stop_on_signals()
    await service.run()


def reload(site: Folder = Path("config")) -> None:
    """Have the running service take its files anew. Wrong ones change nothing: it goes on as it was, and says so."""
    from aggregator.control import Refused

    try:
        told = ask_service(site, {"do": "reload", "who": who_sits_here()})
    except Refused:
        from aggregator.config.configuration import load

        load(site)  # what is wrong with the files is told here as `check` tells it
        raise
    typer.echo(f"taken, {counted(told['generation'], 'time')} since the start; map {told['map_fingerprint']}")
    for name in told["waits_for_restart"]:
        until_then = f"; until then the data stand in {told['data']}" if name == "storage" else ""
        typer.echo(f"`{name}` in site.yaml waits for the next start{until_then}")
    for each in told["listeners_away"]:
        typer.echo(f"the listener {away_text(each)}", err=True)
    if told["pages_away"]:
        typer.echo(pages_away_text(told["pages_away"]), err=True)
    if told["listeners_away"] or told["pages_away"]:
        raise typer.Exit(OUTSIDE)


class Switch(StrEnum):
    """Into or out of."""

    ON = "on"
    OFF = "off"


def hold_in_test(
    tag: Annotated[str, typer.Argument(help="the meter's tag")],
    switch: Annotated[Switch, typer.Argument(help="into test or out of it", metavar="on|off")],
    site: SiteOption = Path("config"),
    why: Annotated[str, typer.Option(help="the reason, for the journal and the next shift")] = "",
) -> None:
    """Take a meter of the running service into test, or out of it; its readings say so meanwhile."""
    request = {"do": "test", "tag": tag, "on": switch is Switch.ON, "why": why, "who": who_sits_here()}
    told = ask_service(site, request)
    typer.echo(f"{told['tag']} is {'in' if told['under_test'] else 'out of'} test")


def set_total(
    tag: Annotated[str, typer.Argument(help="the meter's tag")],
    field: Annotated[str, typer.Argument(help="the field that counts, for instance volume")],
    total: Annotated[float, typer.Argument(help="the total so far, in the field's unit", min=0)],
    site: SiteOption = Path("config"),
    counter: Annotated[float | None, typer.Option(help="what the new meter's counter shows", min=0)] = None,
) -> None:
    """Set a running total of the running service, as when a meter is exchanged; it carries on from there."""
    from aggregator.config.configuration import load

    configuration = load(site)
    meters = {meter.tag: meter for meter in configuration.declared.meters}
    if tag not in meters:
        raise typer.BadParameter(no_meter(tag, meters), param_hint="TAG")
    counts = [each.name for each in meters[tag].profile.fields if each.counting is not None]
    if field not in counts:
        known = ", ".join(counts) or "none"
        raise typer.BadParameter(f"{tag} has no running total of {field}; it has {known}", param_hint="FIELD")
    request = {"do": "total", "tag": tag, "field": field, "total": total, "counter": counter, "who": who_sits_here()}
    told = ask_service(site, request)
    typer.echo(f"the total of {told['tag']} {told['field']} is {told['total']:g}")


Tag = Annotated[str, typer.Argument(help="the meter's tag")]
FieldName = Annotated[str, typer.Argument(help="its field, as in its profile", metavar="FIELD")]


def substitute(
    tag: Tag,
    field: FieldName,
    value: Annotated[str, typer.Argument(help="a value, in another unit too: '22 mbar'", metavar="VALUE")],
    until: Annotated[str, typer.Option(help="how long: '8 h', or until when (RFC 3339, UTC unless it says otherwise)")],
    site: SiteOption = Path("config"),
    why: Annotated[str, typer.Option(help="the reason, for the journal")] = "",
) -> None:
    """Show a value entered by hand in place of a field's readings, marked as such, until a time; 90 d at most."""
    from aggregator.config.configuration import load
    from aggregator.config.units import quantity

    for given in (tag, field, value, str(site)):
        if given.startswith("--"):  # a value may begin with a minus, so the library takes these for values too
            raise typer.BadParameter(f"there is no option {given}; there is --until, --why and --help")
    configuration = load(site)
    unit = _unit_of(configuration, tag, field)
    try:
        amount = quantity(value, unit)
    except Wrong as error:
        raise typer.BadParameter(f"{error.what}. {error.cure}.", param_hint="VALUE") from error
    request = {"do": "substitute", "tag": tag, "field": field, "value": amount, "unit": unit, "why": why}
    told = ask_service(site, {**request, **_holds(until), "who": who_sits_here()})
    shown = f"{told['value']:g} {unit}".rstrip()
    typer.echo(f"{told['tag']} {told['field']} shows {shown} until {moment_text(told['until'])}")


def _unit_of(configuration: Configuration, tag: str, field: str) -> str:
    """The unit of a field of a meter, both as declared."""
    meters = {meter.tag: meter for meter in configuration.declared.meters}
    if tag not in meters:
        raise typer.BadParameter(no_meter(tag, meters), param_hint="TAG")
    units = {each.name: each.unit for each in meters[tag].profile.fields}
    if field not in units:
        raise typer.BadParameter(f"{tag} has no field {field}; it has {', '.join(units)}", param_hint="FIELD")
    return units[field]


def _holds(until: str) -> dict[str, float]:
    """How long something is to hold, as the service is told: a length of time, or a moment."""
    try:
        return {"lasts": duration(until)}
    except Wrong:
        moment = utc_of(until)
    if moment is None:
        raise typer.BadParameter(
            f"`{until}` is neither a length of time (8 h) nor a time (2026-11-25T18:00Z)", param_hint="--until"
        )
    return {"until": moment}


def withdraw(tag: Tag, field: FieldName, site: SiteOption = Path("config")) -> None:
    """Show a field's readings again in place of a substituted value."""
    from aggregator.config.configuration import load

    configuration = load(site)
    _unit_of(configuration, tag, field)
    told = ask_service(site, {"do": "withdraw", "tag": tag, "field": field, "who": who_sits_here()})
    typer.echo(f"{told['tag']} {told['field']} shows its readings again")


def who_sits_here() -> str:
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
    told = ask_service(site, {"do": "status"})
    if as_json:
        typer.echo(json.dumps(told, ensure_ascii=False))
        return
    for line in status_lines(told):
        typer.echo(line)


def clients(
    site: Folder = Path("config"),
    as_json: Annotated[bool, typer.Option("--json", help="as one JSON object")] = False,
) -> None:
    """Print who polls the running service, what they read, and what their refused requests probably meant."""
    told = ask_service(site, {"do": "clients"})
    if as_json:
        typer.echo(json.dumps(told, ensure_ascii=False))
        return
    from aggregator.terminal.clients import client_lines

    for line in client_lines(told, time.time()):
        typer.echo(line)


def ask_service(site: Path, request: dict[str, object], within: float = 30.0) -> dict[str, Any]:
    """Ask the service of a site. Its files may be wrong just now: it goes on without them, and so must who acts."""
    from aggregator.config.data_folder import found_data_folder
    from aggregator.control import ask_site

    return ask_site(site, found_data_folder(site), request, within)
