"""Who polls a service, as people read it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from aggregator.terminal.words import age_text, second_text


def client_lines(told: Mapping[str, Any], now: float) -> Iterator[str]:
    """Who polls a service, as people read it; `now` is UTC seconds."""
    if not told["clients"]:
        yield "nobody has connected since the service started"
    for client in told["clients"]:
        last, since = age_text(now - client["last"]), second_text(client["since"])
        units = ", ".join(client["units"]) or "none yet"
        yield "{host} at {listener}: ".format_map(client) + f"last heard {last} ago"
        yield "  connections {connections} open, {connected} so far".format_map(client) + f", since {since}"
        yield "  requests    {requests}, {rate:g}/s".format_map(client) + f", units {units}"
        for read in client["reads"]:
            runs = ", ".join(_run_text(*run) for run in read["addresses"])
            yield f"  reads       unit {read['unit']}, function {read['function']:02d}: {runs}"
        if client["exceptions"]:
            yield "  exceptions  " + ", ".join(f"{count} of {code}" for code, count in client["exceptions"].items())
        for wrong in client["wrong"]:
            yield f"  wrong       {_wrong_text(wrong)}, {_times(wrong['times'])}, last {second_text(wrong['last'])}"
            if wrong["meant"]:
                yield f"              {wrong['meant']}"
    if told["refused"]:
        yield "refused: " + ", ".join(f"{count} {what}" for what, count in told["refused"].items())


def _wrong_text(wrong: Mapping[str, Any]) -> str:
    asked = (
        "" if wrong["start"] is None else f" for {_run_text(wrong['start'], wrong['start'] + wrong['quantity'] - 1)}"
    )
    return f"unit {wrong['unit']}, function {wrong['function']:02d}{asked}: exception {wrong['exception']}"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _run_text(first: int, last: int) -> str:
    return str(first) if last <= first else f"{first}-{last}"
