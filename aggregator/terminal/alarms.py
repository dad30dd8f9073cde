"""Alarms as a table on a terminal: worst first, with what the operator should do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console

from aggregator.core.alarm import Key, Written
from aggregator.core.alarm_figures import AlarmFigures, told
from aggregator.core.keeping import KeptEvent
from aggregator.terminal.tables import print_rows
from aggregator.terminal.words import age_text, moment_text, second_text

PLAIN = Written("", 1.0)  # what has no unit


def print_alarms(told: Mapping[str, Any], *, limits: bool) -> None:
    """Print what a service says of its alarms; with `limits` also what each watches for and how soon it can tell."""
    console = Console(highlight=False)
    watched = ("limit", "told within") if limits else ()
    titles = ("tag", "alarm", "priority", "state", "value", "now", *watched, "raised", "what to do")
    if told["alarms"]:
        rows = (dict(zip(titles, _row(each, limits=limits), strict=True)) for each in told["alarms"])
        print_rows(titles, rows, texts=("what to do",))
    more = told["count"] - len(told["alarms"])
    if more:
        console.print(f"and {more} more")
    for line in _summary(told):
        console.print(line)


def print_journal(rows: Sequence[KeptEvent], units: Mapping[Key, Written]) -> None:
    """Print what the journal says of alarms, a line for each change; `units` are of values and limits."""
    titles = ("time", "tag", "alarm", "event", "state", "value", "limit", "who", "about")
    print_rows(titles, [_event(each, units) for each in rows], numbers=("value", "limit"), texts=("about",))


def _event(event: KeptEvent, units: Mapping[Key, Written]) -> dict[str, str]:
    facts = dict(event.facts)
    alarm = str(facts.get("alarm", "-"))
    unit = units.get((event.tag or "", alarm), PLAIN)
    limit = facts.get("setpoint", facts.get("new"))
    about = facts.get("why") or facts.get("by") or (f"was {_amount(facts['old'], unit)}" if "old" in facts else "")
    return {
        "time": second_text(event.at),
        "tag": event.tag or "-",
        "alarm": alarm,
        "event": event.event,
        "state": str(facts.get("state", "-")),
        "value": _amount(facts.get("value"), unit),
        "limit": _amount(limit, unit),
        "who": event.who or "-",
        "about": str(about),
    }


def _amount(value: object, unit: Written) -> str:
    return f"{value * unit.times:g} {unit.unit}".rstrip() if isinstance(value, int | float) else "-"


def print_figures(figures: AlarmFigures) -> None:
    """Print the figures of an alarm system, each beside its target and who says so."""
    print_rows(
        ("figure", "value", "target", "source"),
        [
            {"figure": each.name, "value": each.value, "target": each.target, "source": each.source}
            for each in told(figures)
        ],
        numbers=("value",),
    )
    for title, listed in (("worst ten", figures.worst), ("chatter", figures.chattering)):
        for (tag, alarm), count in listed:
            Console(highlight=False).print(f"{title}: {tag} {alarm}, {count} times", markup=False)
    Console(highlight=False).print(f"from {moment_text(figures.begin)} to {moment_text(figures.end)}")


def _row(each: Mapping[str, Any], *, limits: bool) -> list[str]:
    unit = Written(each["unit"], 1.0) if each["written"] is None else Written(**each["written"])
    value, present = _amount(each["value"], unit), each["now"]
    now = "-" if present is None else _amount(present["value"], Written(present["unit"], 1.0))
    limit = [_amount(each["setpoint"], unit), _within(each["detected_within"])] if limits else []
    raised = "-" if each["raised"] is None else moment_text(each["raised"])
    shelf = each["shelf"]
    note = f"until {moment_text(shelf['until'])}, {shelf['who']}: {shelf['why']}" if shelf else ""
    what = ". ".join(text.removesuffix(".") for text in (each["message"], each["action"], note) if text)
    return [each["tag"], each["alarm"], each["priority"], each["state"], value, now, *limit, raised, what]


def _within(seconds: float | None) -> str:
    return "-" if seconds is None else age_text(seconds)


def _summary(told: Mapping[str, Any]) -> list[str]:
    sounder = "asked for" if told["sounder"] else "silent"
    counts = f"{told['unacknowledged']} unacknowledged, {told['meters_in_alarm']} meters in alarm, sounder {sounder}"
    lines = [counts, *[f"first up in {group}: {' '.join(first)}" for group, first in told["first_up"].items()]]
    return lines + [f"suppressed by design: {each['name']}" for each in told["suppressions"] if each["on"]]
