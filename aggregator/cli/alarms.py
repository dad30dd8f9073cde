"""The commands about alarms: what stands, and the operator's response to it."""

from __future__ import annotations

import json
import math
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from aggregator.cli.app import MOMENT, Folder, SiteOption, counted, data_in_use, history_file, moment_before
from aggregator.cli.service import Switch, ask_service, who_sits_here
from aggregator.config.scalars import Wrong, duration
from aggregator.core.slip import near, no_meter

if TYPE_CHECKING:
    from aggregator.config.configuration import Configuration
    from aggregator.core.alarm import Alarm, Written

USUAL_FIGURES = "30 d"

Tag = Annotated[str, typer.Argument(help="the tag of a meter, or the name of a group", metavar="TAG")]
AlarmName = Annotated[str, typer.Argument(help="the alarm's name there: 'methane high'", metavar="ALARM")]


def alarms(
    site: Folder = Path("config"),
    every: Annotated[bool, typer.Option("--all", help="those that are normal as well, with their limits")] = False,
    since: Annotated[str | None, typer.Option(help=f"what the journal says of alarms from then on: {MOMENT}")] = None,
    figures: Annotated[
        bool, typer.Option("--figures", help="how well the alarms serve: loads, floods, chatter")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="as one JSON object")] = False,
) -> None:
    """Print the alarms of the running service: what stands, what is unacknowledged, latched or put aside.

    With --since or --figures, what the journal has of them, whether a service runs or not.
    """
    if every and (figures or since is not None):
        raise typer.BadParameter("the journal has no limits to show", param_hint="--all")
    if figures:
        _figures(_loaded(site), since or USUAL_FIGURES, as_json=as_json)
        return
    if since is not None:
        _journal(_loaded(site), since, as_json=as_json)
        return
    told = ask_service(site, {"do": "alarms", "all": every})
    if as_json:
        typer.echo(json.dumps(told, ensure_ascii=False))
    else:
        from aggregator.terminal.alarms import print_alarms

        print_alarms(told, limits=every)


def _loaded(site: Path) -> Configuration:
    from aggregator.config.configuration import load

    return load(site)


def _journal(configuration: Configuration, since: str, *, as_json: bool) -> None:
    """Every change of an alarm from then on, oldest first."""
    from aggregator.store.journal import Sought
    from aggregator.store.reader import journal
    from aggregator.terminal.alarms import print_journal

    begin = moment_before(since, time.time(), "--since")
    path = history_file(data_in_use(configuration))
    rows = list(journal(path, begin, math.inf, Sought(about_alarms=True)))
    if as_json:
        told = [{"at": each.at, "event": each.event, "tag": each.tag, "who": each.who, **each.facts} for each in rows]
        typer.echo(json.dumps({"since": begin, "events": told}, ensure_ascii=False))
    else:
        print_journal(rows, _units(configuration))


def _units(configuration: Configuration) -> dict[tuple[str, str], Written]:
    """The unit in which people read each alarm's value and limit."""
    from aggregator.core.alarm import Written

    alarms = configuration.declared.alarms.alarms
    return {each.key: each.written or Written(_unit(configuration, each), 1.0) for each in alarms}


def _figures(configuration: Configuration, since: str, *, as_json: bool) -> None:
    from aggregator.core.alarm_figures import alarm_figures, plain
    from aggregator.store.reader import journal
    from aggregator.terminal.alarms import print_figures

    now = time.time()
    begin = moment_before(since, now, "--since")
    path = history_file(data_in_use(configuration))
    found = alarm_figures(journal(path, -math.inf, now), begin, now)
    if as_json:
        typer.echo(json.dumps(plain(found), ensure_ascii=False))
    else:
        print_figures(found)


def acknowledge(
    tags: Annotated[list[str] | None, typer.Argument(help="whose alarms: meters or groups", metavar="TAG...")] = None,
    every: Annotated[bool, typer.Option("--all", help="every alarm that is unacknowledged")] = False,
    site: SiteOption = Path("config"),
) -> None:
    """Take note of alarms of the running service; what is raised later stays unacknowledged."""
    if bool(tags) is every:
        raise typer.BadParameter("name whose alarms, or write --all", param_hint="TAG")
    standing = ask_service(site, {"do": "alarms", "of": [] if every else tags})["alarms"]
    chosen = [each for each in standing if "unacknowledged" in each["state"]]
    numbers = [each["sequence"] for each in chosen]
    told = ask_service(site, {"do": "acknowledge", "sequences": numbers, "who": who_sits_here()})
    for each in chosen:
        typer.echo(f"{each['tag']} {each['alarm']}")
    typer.echo(f"{counted(told['acknowledged'], 'alarm')} acknowledged, {told['unacknowledged']} left")


def reset(tag: Tag, alarm: AlarmName, site: SiteOption = Path("config")) -> None:
    """Reset a latched alarm, once its condition has gone and somebody has taken note of it."""
    _act(site, {"do": "reset", "tag": tag, "alarm": alarm})


def shelve(
    tag: Tag,
    alarm: AlarmName,
    lasts: Annotated[str, typer.Option("--for", help="how long, 24 h at most: '2 h'", metavar="TIME")],
    why: Annotated[str, typer.Option(help="the reason, for the journal and the next shift")],
    site: SiteOption = Path("config"),
) -> None:
    """Keep an alarm from announcing itself, for a limited time."""
    try:
        seconds = duration(lasts)
    except Wrong as error:
        raise typer.BadParameter(f"{error.what}. {error.cure}.", param_hint="--for") from error
    _act(site, {"do": "shelve", "tag": tag, "alarm": alarm, "lasts": seconds, "why": why})


def unshelve(tag: Tag, alarm: AlarmName, site: SiteOption = Path("config")) -> None:
    """Bring a shelved alarm back before its time."""
    _act(site, {"do": "unshelve", "tag": tag, "alarm": alarm})


def out_of_service(
    tag: Tag,
    alarm: AlarmName,
    switch: Annotated[Switch, typer.Argument(help="out of service, or back into it", metavar="on|off")],
    site: SiteOption = Path("config"),
) -> None:
    """Take an alarm out of service, as while its detector is mended, or put it back."""
    _act(site, {"do": "alarm service", "tag": tag, "alarm": alarm, "on": switch is Switch.OFF})


def setpoint(
    tag: Tag,
    alarm: AlarmName,
    value: Annotated[str | None, typer.Argument(help="the new limit: '12 mbar'", metavar="VALUE")] = None,
    from_file: Annotated[bool, typer.Option("--from-file", help="the limit of meters.yaml again")] = False,
    site: SiteOption = Path("config"),
) -> None:
    """Change an alarm's limit while the service runs, within what `may_be` allows; it outlives a restart."""
    if (value is None) is not from_file:
        raise typer.BadParameter("write a limit, or --from-file", param_hint="VALUE")
    configuration = _loaded(site)
    found = _declared(configuration, tag, alarm)
    amount = None if value is None else _in_its_unit(configuration, found, value)
    told = ask_service(site, {"do": "setpoint", "tag": tag, "alarm": alarm, "value": amount, "who": who_sits_here()})
    limit = found.words(_unit(configuration, found), told["setpoint"])
    typer.echo(f"{told['tag']} {told['alarm']}: the limit is {limit}; {told['state']}")


def _declared(configuration: Configuration, tag: str, alarm: str) -> Alarm:
    found = next((each for each in configuration.declared.alarms.alarms if each.key == (tag, alarm)), None)
    if found is None:
        of_tag = [each.name for each in configuration.declared.alarms.alarms if each.tag == tag]
        if not of_tag and tag not in (tags := [each.tag for each in configuration.declared.meters]):
            raise typer.BadParameter(no_meter(tag, tags), param_hint="TAG")
        what = f"{tag} has no alarm {alarm}. {near(alarm, of_tag, 'It has')}."
        raise typer.BadParameter(what, param_hint="ALARM")
    return found


def _in_its_unit(configuration: Configuration, alarm: Alarm, value: str) -> float:
    from aggregator.config.alarms import setpoint_in

    try:
        return setpoint_in(value, alarm.kind, _unit(configuration, alarm), alarm.written and alarm.written.unit)
    except Wrong as error:
        raise typer.BadParameter(f"{error.what}. {error.cure}.", param_hint="VALUE") from error


def _unit(configuration: Configuration, alarm: Alarm) -> str:
    """The unit of an alarm's value and limit, empty for what has none."""
    from aggregator.core.annunciator import unit_of

    meter = next((each for each in configuration.declared.meters if each.tag == alarm.tag), None)
    return unit_of(alarm, meter)


def silence(site: Folder = Path("config")) -> None:
    """Silence the sounder; alarms stay unacknowledged, and the next one asks for it again."""
    ask_service(site, {"do": "silence", "who": who_sits_here()})
    typer.echo("the sounder is silent")


def suppress(
    name: Annotated[str, typer.Argument(help="a suppression of meters.yaml", metavar="NAME")],
    switch: Annotated[Switch, typer.Argument(help="out of use, or back", metavar="on|off")],
    site: SiteOption = Path("config"),
) -> None:
    """Say that a part of the plant is out of use, so that its alarms announce nothing, or in use again."""
    on = switch is Switch.ON
    ask_service(site, {"do": "suppress", "name": name, "on": on, "who": who_sits_here()})
    typer.echo(f"{name} {'suppresses its alarms' if on else 'suppresses nothing'}")


def _act(site: Path, request: dict[str, Any]) -> None:
    told = ask_service(site, {**request, "who": who_sits_here()})
    typer.echo(f"{told['tag']} {told['alarm']}: {told['state']}")
