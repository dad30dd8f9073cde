"""The commands about links: which nodes are heard, which sits on which meter, and to change or prove that."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Annotated, Any

import typer

from aggregator.cli.app import DISAGREES, MOMENT, Folder, SiteOption, counted, moment_before
from aggregator.cli.service import ask_service, who_sits_here
from aggregator.config.scalars import Wrong, number
from aggregator.core.link_progress import Stage
from aggregator.core.slip import no_meter
from aggregator.terminal.links import node_lines, print_nodes, print_progress, record_lines

UNREADABLE = "?"
REPLAY_WITHIN = 600.0  # s

Tag = Annotated[str, typer.Argument(help="the meter's tag", metavar="TAG")]
NodeText = Annotated[str, typer.Argument(help="the DevEUI on the node, or the text of its QR code", metavar="NODE")]
Shows = Annotated[
    list[str] | None, typer.Option(help="what the meter's display shows: flow=12.5, 'pressure=22 mbarg'; once a field")
]
Place = Annotated[str | None, typer.Option(help="where the node is, in a few words")]
Antenna = Annotated[str | None, typer.Option(help="which antenna it has, and where")]
NoteText = Annotated[str | None, typer.Option(help="anything else of note")]
Photo = Annotated[Path | None, typer.Option(help="a photo (JPEG, PNG, WebP); a copy of it is kept")]
Since = Annotated[str | None, typer.Option(help=f"when the node was put there, if not now: {MOMENT}")]
AsJson = Annotated[bool, typer.Option("--json", help="as one JSON object")]


def link(
    tag: Tag,
    node: NodeText,
    site: SiteOption = Path("config"),
    shows: Shows = None,
    place: Place = None,
    antenna: Antenna = None,
    note: NoteText = None,
    photo: Photo = None,
    since: Since = None,
) -> None:
    """Link a node to a meter of the running service; what it sends from then on are the meter's readings."""
    notes = _notes(place, antenna, note, photo)
    request = {"tag": tag, "node": node, **_shown(site, tag, shows), **notes, **_since(since)}
    _tell_linked(_ask(site, "link", request), shows)


def verify(
    tag: Tag,
    site: SiteOption = Path("config"),
    shows: Shows = None,
    place: Place = None,
    antenna: Antenna = None,
    note: NoteText = None,
    photo: Photo = None,
) -> None:
    """Put on record what a linked meter's display shows beside what its node reads, or notes about the link."""
    notes = _notes(place, antenna, note, photo)
    if not shows and not notes:
        raise typer.BadParameter("say what the display shows, or something to note", param_hint="--shows")
    told = _ask(site, "verify", {"tag": tag, **_shown(site, tag, shows), **notes})
    agrees = _tell_checks(told, shows)
    typer.echo(f"{told['tag']}: {told['stage']}")
    if not agrees:
        raise typer.Exit(DISAGREES)


def unlink(
    tag: Tag,
    site: SiteOption = Path("config"),
    why: Annotated[str, typer.Option(help="the reason, for the journal")] = "",
) -> None:
    """Take the node off a meter; its registers stay where they are, and its readings are stale at once."""
    told = _ask(site, "unlink", {"tag": tag, "why": why})
    typer.echo(f"{told['tag']} has no node any more; node {told['past'][0]['node']} is free")


def swap(
    tag: Tag,
    site: SiteOption = Path("config"),
    node: Annotated[str | None, typer.Option(help="another node sits there now: its DevEUI or QR code")] = None,
    meter: Annotated[bool, typer.Option("--meter", help="another meter of the same model stands there now")] = False,
    counter: Annotated[
        list[str] | None,
        typer.Option(help="with --meter: what the counters of both show, volume=OLD:NEW; OLD is ? if unreadable"),
    ] = None,
    shows: Shows = None,
    place: Place = None,
    antenna: Antenna = None,
    note: NoteText = None,
    photo: Photo = None,
    since: Since = None,
) -> None:
    """Exchange the node of a meter, or the meter on a node. No register moves, and totals carry on."""
    if (node is None) is not meter:
        raise typer.BadParameter("say what was exchanged", param_hint="--node or --meter")
    notes = _notes(place, antenna, note, photo)
    if node is None:
        _swap_meter(site, tag, counter or [], notes, shows or since)
    elif counter:
        raise typer.BadParameter("only another meter has another counter", param_hint="--counter")
    else:
        request = {"tag": tag, "node": node, **_shown(site, tag, shows), **notes, **_since(since)}
        _tell_linked(_ask(site, "swap node", request), shows)


def _swap_meter(site: Path, tag: str, counters: list[str], notes: dict[str, object], too_early: object) -> None:
    if too_early:
        hint = "--shows and --since"
        raise typer.BadParameter("the new meter has no reading yet; verify it after its next uplink", param_hint=hint)
    exchanged = dict(_exchanged(each) for each in counters)
    told = _ask(site, "swap meter", {"tag": tag, "counters": exchanged, **notes})
    typer.echo(f"{tag} is another meter now, on node {told['node'] or 'none'}")
    for field, total in told["totals"].items():
        typer.echo(f"the total of {field} goes on from {total:.12g}")


def links(
    site: Folder = Path("config"),
    meter: Annotated[str | None, typer.Option(help="the whole record of one meter, by its tag")] = None,
    area: Annotated[str | None, typer.Option(help="only meters of this area")] = None,
    stage: Annotated[Stage | None, typer.Option(help="only meters that are so far")] = None,
    as_json: AsJson = False,
) -> None:
    """Print how far the site's links are: which meters are linked, heard, verified, and which not yet."""
    of_all: dict[str, object] = {"do": "links", "area": area, "stage": stage}
    told = ask_service(site, of_all if meter is None else {"do": "links of", "tag": meter})
    if as_json:
        typer.echo(json.dumps(told, ensure_ascii=False))
    elif meter is None:
        print_progress(told)
    else:
        typer.echo("\n".join(record_lines(told)))


def nodes(
    site: Folder = Path("config"),
    node: Annotated[str | None, typer.Option(help="one of them, with what its last uplinks read")] = None,
    as_json: AsJson = False,
) -> None:
    """Print the nodes that are heard and sit on no meter, and by which profiles what they send can be read."""
    told = ask_service(site, {"do": "nodes"} if node is None else {"do": "node", "node": node})
    if as_json:
        typer.echo(json.dumps(told, ensure_ascii=False))
    elif node is None:
        print_nodes(told, time.time())
    else:
        typer.echo("\n".join(node_lines(told, time.time())))


def _ask(site: Path, what: str, request: dict[str, object]) -> dict[str, Any]:
    return ask_service(site, {"do": what, "who": who_sits_here(), **request}, REPLAY_WITHIN)


def _notes(place: str | None, antenna: str | None, note: str | None, photo: Path | None) -> dict[str, object]:
    given = {"place": place, "antenna": antenna, "note": note, "photo": str(photo.resolve()) if photo else None}
    return {name: text for name, text in given.items() if text}


def _since(text: str | None) -> dict[str, object]:
    return {} if text is None else {"since": moment_before(text, time.time(), "--since")}


def _shown(site: Path, tag: str, shows: list[str] | None) -> dict[str, object]:
    """What the display shows, in the fields' units."""
    if not shows:
        return {}
    from aggregator.config.configuration import load

    meters = {meter.tag: meter for meter in load(site).declared.meters}
    if tag not in meters:
        raise typer.BadParameter(no_meter(tag, meters), param_hint="TAG")
    units = {each.name: each.unit for each in meters[tag].profile.fields if each.computed is None}
    return {"shows": dict(_shown_of(tag, each, units) for each in shows)}


def _shown_of(tag: str, text: str, units: dict[str, str]) -> tuple[str, dict[str, object]]:
    field, equals, amount = text.partition("=")
    if not equals:
        raise typer.BadParameter(f"`{text}` is not of the form flow=12.5", param_hint="--shows")
    if field not in units:
        raise typer.BadParameter(f"{tag} has no field {field}; it has {', '.join(units)}", param_hint="--shows")
    from aggregator.config.units import quantity

    try:
        return field, {"value": quantity(amount, units[field]), "unit": units[field]}
    except Wrong as error:
        raise typer.BadParameter(f"{error.what}. {error.cure}.", param_hint="--shows") from error


def _exchanged(text: str) -> tuple[str, dict[str, float | None]]:
    """A field and what the counters of the old and the new meter show: `volume=1234.5:0`."""
    field, _, both = text.partition("=")
    old, _, new = both.partition(":")
    try:
        return field, {"old": None if old.strip() == UNREADABLE else number(old), "new": number(new)}
    except Wrong as error:
        hint = f"`{text}` is not of the form volume=OLD:NEW, each a number in the field's unit, OLD also {UNREADABLE}"
        raise typer.BadParameter(hint, param_hint="--counter") from error


def _tell_linked(told: dict[str, Any], shows: list[str] | None) -> None:
    typer.echo(f"node {told['node']} sits on {told['tag']}: {told['stage']}")
    agrees = _tell_checks(told, shows)
    if told["taken"] is not None:
        taken = told["taken"]
        typer.echo(f"from before: {taken['shown']} shown, {taken['late']} only kept in the history")
        for reason, count in taken["refused"].items():
            typer.echo(f"{counted(count, 'uplink')} still set aside: {reason}")
    elif told["set_aside"]:
        before = counted(told["set_aside"], "earlier uplink")
        typer.echo(f"{before} of this node stay set aside; if it sat there already, unlink it and link it with --since")
    if not agrees:
        raise typer.Exit(DISAGREES)


def _tell_checks(told: dict[str, Any], shows: list[str] | None) -> bool:
    """Print how what was shown compares; whether all of it agrees."""
    checks = told["link"]["checks"][-len(shows) :] if shows else []
    for check in checks:
        typer.echo(check["says"])
    return all(check["agrees"] for check in checks)
