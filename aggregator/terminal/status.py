"""What a running service says of itself, as people read it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from aggregator.terminal.words import age_text, moment_text

MOST_LOSSY = 3  # meters whose loss is told to people; JSON has more of them


def status_lines(told: Mapping[str, Any]) -> list[str]:
    """What a service says of itself, as people read it."""
    last = told["last_uplink_age"]
    refused = ", ".join(f"{count} {reason}" for reason, count in told["refused"].items())
    broker = "connected" if told["broker_connected"] else f"away ({told['broker_trouble'] or 'not reached yet'})"
    about = {
        "service": f"version {told['version']}, for {age_text(told['uptime'])}, map {told['map_fingerprint']}",
        "broker": f"{broker}; last uplink {'never' if last is None else age_text(last) + ' ago'}",
        "files": _files_text(told),
        "clock": ("trustworthy" if told["clock_trusted"] else "not trustworthy")
        + f"; set {told['clock_sets']} times since the start",
        "meters": "{meters_good} good, {meters_uncertain} uncertain, {meters_bad} bad of {meters_total}; "
        "{meters_stale} stale, {meters_never_seen} never seen, {meters_under_test} under test".format_map(told),
        "uplinks": "{uplinks_accepted} taken, {uplinks_duplicate} doubled, {uplinks_late} late, {uplinks_lost} lost, "
        "{uplinks_rejected} refused".format_map(told)
        + (f": {refused}" if refused else ""),
        "store": (told["store_problem"] or "storing")
        + "; {store_waiting} waiting, {store_committed} written, {store_dropped} dropped".format_map(told),
    }
    lines = [told["site"], *(f"  {name:8} {what}" for name, what in about.items())]
    lines += [f"  {'loss':8} {_loss_text(each)}" for each in told["losses"][:MOST_LOSSY]]
    lines += [f"  {'listener':8} {away_text(each)}" for each in told["listeners_away"]]
    if told["pages_away"]:
        lines.append(f"  {'pages':8} {pages_away_text(told['pages_away'])}")
    lines += [f"  {'serial':8} {_serial_text(each)}" for each in told["serial_lines"]]
    lines += [f"  {'TLS':8} {_certificate_text(each)}" for each in told["certificates"]]
    return lines + [f"  {'by hand':8} {_substituted_text(each)}" for each in told["substituted"]] + _untold(told)


def _loss_text(each: Mapping[str, Any]) -> str:
    return f"{each['tag']}: {each['over_a_day'] or 0:.1f} % of a day's uplinks; {each['since_start']} since the start"


def _files_text(told: Mapping[str, Any]) -> str:
    taken = f"taken anew {told['generation']} times since the start"
    if told["waits_for_restart"]:
        waiting = " and ".join(f"`{name}`" for name in told["waits_for_restart"])
        taken += f"; {waiting} in site.yaml waits for the next start"
    return f"{taken}; the last change was refused, `aggregator check` says why" if told["files_refused"] else taken


def away_text(each: Mapping[str, Any]) -> str:
    """Which listener is not open, why, and what becomes of it."""
    return f"{each['listener']} is not open, and tried again until it is: {each['reason']}"


def pages_away_text(reason: str) -> str:
    """Why nobody can see the pages, and what becomes of it."""
    return f"{reason} It is tried again until they are."


def _serial_text(each: Mapping[str, Any]) -> str:
    return "{port}: {requests} requests carried out, {errors} times noise; ".format_map(each) + (
        each["trouble"] or "open"
    )


def _certificate_text(each: Mapping[str, Any]) -> str:
    warning = "; renew it" if each["soon"] else ""
    return f"{each['of']}: {each['file']} ends {moment_text(each['ends'])}, in {each['days']} d{warning}"


def _substituted_text(each: Mapping[str, Any]) -> str:
    value = f"{each['tag']} {each['field']} {each['value']:g} {each['unit']}".rstrip()
    why = f": {each['why']}" if each["why"] else ""
    return f"{value}, until {moment_text(each['until'])} ({each['who']}{why})"


def _untold(told: Mapping[str, Any]) -> list[str]:
    more = told["fields_substituted"] - len(told["substituted"])
    return [f"  {'':8} and {more} more"] if more else []
