"""Links and nodes as people read them: how far a site is, one meter's record, and the nodes that sit nowhere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from rich.console import Console

from aggregator.terminal.tables import print_rows
from aggregator.terminal.words import age_text, second_text

METER_COLUMNS = ("meter", "name", "area", "is", "node", "linked by", "since", "last uplink")
NODE_COLUMNS = ("node", "last heard", "first heard", "uplinks", "rssi", "snr", "reads as")
FILE = "meters.yaml"


def print_progress(told: Mapping[str, Any]) -> None:
    """Print how far a site is with its links."""
    console = Console(highlight=False)
    counts = told["counts"]
    console.print(
        "{meters} meters: {linked} linked, {heard} heard, {verified} verified, {not_yet} not linked".format_map(counts)
        + (f"; {counts['disagree']} where display and reading do not agree" if counts["disagree"] else "")
    )
    if told["nodes_on_no_meter"]:
        console.print(f"nodes heard that sit on no meter: {told['nodes_on_no_meter']} (`aggregator nodes`)")
    _print(METER_COLUMNS, [_meter_row(each) for each in told["meters"]])
    if more := told["count"] - len(told["meters"]):
        console.print(f"and {more} more")


def _meter_row(each: Mapping[str, Any]) -> list[str]:
    since = "-" if each["since"] is None else second_text(each["since"])
    by = "-" if each["node"] is None else FILE if each["by_file"] else each["who"]
    age = "-" if each["age"] is None else f"{age_text(each['age'])} ago"
    return [each["tag"], each["name"], each["area"], each["stage"], each["node"] or "-", by, since, age]


def print_nodes(told: Mapping[str, Any], now: float) -> None:
    """Print the nodes that are heard and sit on no meter; `now` is UTC seconds."""
    console = Console(highlight=False)
    if not told["nodes"]:
        console.print("no node is heard that sits on no meter")
        return
    _print(NODE_COLUMNS, [_node_row(each, now) for each in told["nodes"]])
    if more := told["count"] - len(told["nodes"]):
        console.print(f"and {more} more")


def _node_row(each: Mapping[str, Any], now: float) -> list[str]:
    heard = [f"{age_text(max(0.0, now - each[moment]))} ago" for moment in ("last", "first")]
    radio = ["-" if each[figure] is None else f"{each[figure]:g}" for figure in ("rssi", "snr")]
    fits = ", ".join(fit["profile"] for fit in each["fits"]) or "no profile of this site"
    return [each["node"], *heard, str(each["count"]), *radio, fits]


def _print(columns: tuple[str, ...], rows: list[list[str]]) -> None:
    print_rows(columns, (dict(zip(columns, row, strict=True)) for row in rows), texts=("name", "reads as"))


def node_lines(told: Mapping[str, Any], now: float) -> Iterator[str]:
    """One node that sits on no meter: how it was heard, and what its uplinks read by each profile that fits."""
    yield f"node {told['node']}: heard {told['count']} times, last {age_text(max(0.0, now - told['last']))} ago"
    for each in told["uplinks"]:
        yield f"  {second_text(each['at'])}, counter {each['counter']}, port {each['port']}, {_radio_text(each)}"
        if each["payload"] is not None:
            yield f"    payload {each['payload'] or 'empty'}"
        if each["decoded"] is not None:
            yield f"    decoded by the network {each['decoded']}"
        for fit in each["fits"]:
            yield f"    as {fit['profile']}: " + ", ".join(_read_text(read) for read in fit["reads"])
        if not each["fits"]:
            yield "    no profile of this site can read it"
    if told["fits"] and told["fits"][0]["meters_without_node"]:
        likeliest = told["fits"][0]
        free = ", ".join(likeliest["meters_without_node"])
        yield f"  meters of profile {likeliest['profile']} without a node: {free}"


def _radio_text(each: Mapping[str, Any]) -> str:
    figures = ((each["rssi"], "RSSI {:g} dBm"), (each["snr"], "SNR {:g} dB"), (each["spreading_factor"], "SF{:g}"))
    return ", ".join(text.format(figure) for figure, text in figures if figure is not None) or "no radio figures"


def _read_text(read: Mapping[str, Any]) -> str:
    value = read["value"]
    shown = "no value" if value is None else f"{value:.12g}" if isinstance(value, int | float) else value
    doubt = "" if read["quality"] == "good" else f" ({read['quality']})"
    return f"{read['field']} {shown} {read['unit']}".rstrip() + doubt


def record_lines(told: Mapping[str, Any]) -> Iterator[str]:
    """The record of one meter's links, to be printed and filed."""
    yield f"{told['tag']}: {told['stage']}"
    yield f"  meter       {told['name']}, {told['area']}"
    if told["link"]:
        yield from _link_lines(told["link"])
    elif told["node"]:
        yield f"  node        {told['node']}, by {FILE}"
    for past in told["past"]:
        yield ""
        yield "  before:"
        yield from _link_lines(past)


def _link_lines(link: Mapping[str, Any]) -> Iterator[str]:
    label = "".join(f", {name} {text}" for name, text in link["label"].items())
    yield f"  node        {link['node']}{label}"
    doubt = "" if link["clock"] == "trusted" else " (the gateway's clock was not trustworthy)"
    yield f"  sits there  since {second_text(link['since'])}{doubt}"
    yield f"  linked by   {FILE if link['by_file'] else link['who']}, entered {second_text(link['entered'])}"
    for name in ("place", "antenna", "note", "photo"):
        if link[name]:
            yield f"  {name:11} {link[name]}"
    if link["seen"]:
        reads = ", ".join(_read_text(read) for read in link["seen"]["reads"])
        yield f"  had sent    {reads}, {_radio_text(link['seen'])}, {second_text(link['seen']['at'])}"
    for check in link["checks"]:
        yield f"  compared    {check['says']}; {check['who']}, {second_text(check['at'])}"
    if not link["checks"]:
        yield "  compared    never with the meter's display"
    if link["end"]:
        by = f" by {link['end']['who']}" if link["end"]["who"] else ""
        why = f", {link['end']['why']}" if link["end"]["why"] else ""
        yield f"  ended       {second_text(link['end']['at'])}{by}{why}"
