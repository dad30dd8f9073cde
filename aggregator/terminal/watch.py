"""A running site on a terminal, those meters first that are most in need of somebody; for who is on ssh.

    Alder Fen biogas works                                        2027-01-15 08:00:05 UTC
    2 alarms unacknowledged; meters: 3 in alarm, 45 good, 3 uncertain, 2 bad of 50

    !!  AT-204    34.10 %LEL   methane high: unacknowledged (high); good, 20 s old
    -   FT-117   102.50 m3/h   uncertain: silent for 52 min, expected every 15 min

Every line says in words what its mark says: `!!` an alarm that nobody has acknowledged, `!` one that stands, or
would but for the meter's test, `x` no value, `-` silent, `?` in doubt, `.` something that is worth a remark.
"""

from __future__ import annotations

import textwrap
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from rich.live import Live
from rich.text import Text

from aggregator.core.reading import span_words
from aggregator.core.trouble import BAD, HELD, IN_TEST, OWED, SILENT
from aggregator.terminal.tables import WIDEST, out
from aggregator.terminal.words import second_text, value_text

EVERY = 1.0  # s
AROUND = 4  # lines above and below the meters
MARKS = ((OWED, "!!"), (HELD, "!"), (BAD, "x"), (SILENT, "-"), (IN_TEST, "?"), (1, "."))
GAP = "  "
NARROWEST = 30  # columns for what is the matter, however wide the rest is
NAMES_FROM = 110  # columns of a terminal that has room for names
MOST_PLAIN = 500  # meters where there is no terminal

Told = Mapping[str, Any]
Look = Callable[[int], "Told | str"]
"""What the service tells of so many meters, or a sentence that says why it does not."""


def watch(look: Look) -> None:
    """Follow a site until Ctrl-C, on a screen of its own that leaves the terminal as it was."""
    screen = Screen()
    with Live(Text(""), console=out, screen=True, auto_refresh=False) as live:
        while True:
            began = time.monotonic()
            screen.take(look(max(1, out.height - AROUND)), began)
            live.update(Text("\n").join(screen.lines(out.width, out.height, began)), refresh=True)
            time.sleep(max(0.0, EVERY - (time.monotonic() - began)))


def print_once(told: Told) -> None:
    """The same, once, where there is no terminal to follow it on."""
    for line in (*head_lines(told, WIDEST), Text(""), *meter_lines(told["meters"], told["utc"], WIDEST)):
        out.print(line, soft_wrap=True)
    if more := more_line(told, len(told["meters"])):
        out.print(more, soft_wrap=True)


class Screen:
    """What stands on the screen: the last that was told, and since when nothing is told any more."""

    def __init__(self) -> None:
        self._told: Told | None = None
        self._heard: float | None = None  # when the service answered last, monotonic s
        self._trouble: str | None = None

    def take(self, answer: Told | str, monotonic: float) -> None:
        """Take what the service answered, or why it did not."""
        if isinstance(answer, str):
            self._trouble = answer
        else:
            self._told, self._heard, self._trouble = answer, monotonic, None

    def lines(self, width: int, height: int, monotonic: float) -> list[Text]:
        """What fits a screen. What is old is dim, and the first line says how old."""
        found = [] if self._trouble is None else [self._gone(width, monotonic)]
        if self._told is None:
            return found
        told, style = self._told, "" if self._trouble is None else "dim"
        found += [*head_lines(told, width), Text("")]
        room = height - 1 - len(found)  # the last line says what did not fit
        shown = 0
        for meter in told["meters"]:
            lines = meter_lines([meter], told["utc"], width)
            if len(lines) > room:
                break
            room, shown = room - len(lines), shown + 1
            found += lines
        if more := more_line(told, shown):
            found.append(Text(more))
        for line in found[self._trouble is not None :]:
            line.stylize(style)
        return found

    def _gone(self, width: int, monotonic: float) -> Text:
        since = "" if self._heard is None else f" What follows is {span_words(monotonic - self._heard)} old."
        return Text(cut(f"The service does not answer.{since} {self._trouble}", width), style="bold reverse")


def head_lines(told: Told, width: int) -> list[Text]:
    """The site, the time, and how it is as a whole."""
    moment = second_text(told["utc"])
    title = cut(told["site"], width - len(moment) - 2)
    owed = told["alarms_unacknowledged"]
    grades = "{meters_in_alarm} in alarm, {meters_good} good, {meters_uncertain} uncertain, {meters_bad} bad"
    counts = f"{owed} alarm{'' if owed == 1 else 's'} unacknowledged; meters: {grades} of {{meters_total}}"
    wrong = [
        words
        for words, is_so in (
            ("the broker is away", not told["broker_connected"]),
            ("nothing is stored", not told["stored"]),
            ("the clock is not trustworthy", not told["clock_trusted"]),
        )
        if is_so
    ]
    found = [Text(f"{title}{moment:>{max(0, min(width, 120) - len(title))}}")]
    found += [Text(line) for line in textwrap.wrap(counts.format_map(told), width)]
    return [*found, Text(cut("; ".join(wrong), width), style="bold")] if wrong else found


def meter_lines(meters: Sequence[Told], now: float, width: int) -> list[Text]:
    """Meters, a line each; what is the matter goes on in further lines where it is long."""
    tags = max((len(each["tag"]) for each in meters), default=0)
    found = []
    for each in meters:
        name = f"{each['name'][:24]:24}{GAP}" if width >= NAMES_FROM else ""
        begin = f"{mark(each['trouble']):2}{GAP}{each['tag']:{max(tags, 8)}}{GAP}{name}{_value(each):>17}{GAP}"
        first, *rest = textwrap.wrap(sentence(each, now), max(NARROWEST, width - len(begin))) or [""]
        style = "bold" if each["trouble"] >= IN_TEST else ""
        found.append(Text(begin).append(first, style=style))
        found += [Text(" " * len(begin)).append(line, style=style) for line in rest]
    return found


def sentence(meter: Told, now: float) -> str:
    """What is the matter with a meter: its worst alarm, then how far to trust it, and its age unless that is said."""
    parts = []
    if meter["alarm"] is not None:
        more = f", and {meter['alarm']['more']} more" if meter["alarm"]["more"] else ""
        parts.append("{says} ({priority})".format_map(meter["alarm"]) + more)
    says = meter["says"]
    if meter["heard"] is not None and not meter["stale"]:
        says += f", {span_words(max(0.0, now - meter['heard']))} old"
    return "; ".join([*parts, says])


def mark(trouble: int) -> str:
    """The sign of how much a meter is in need of somebody; none where it is well."""
    return next((sign for least, sign in MARKS if trouble >= least), "")


def more_line(told: Told, shown: int) -> str:
    """What was left out for want of room; nothing where all is there."""
    more = told["count"] - shown
    if told["count"] == 0:
        return "no meter needs anybody" if told["meters_total"] else "this site has no meters"
    return f"and {more} more, less in need of somebody" if more > 0 else ""


def _value(meter: Told) -> str:
    """The first field: what the worst alarm is about, else what a meter is there for."""
    if not meter["fields"]:
        return "-"
    field = meter["fields"][0]
    return f"{value_text(field['value'], field['decimals'])} {field['unit']}".rstrip()


def cut(text: str, width: int) -> str:
    """A text that fits, with a sign where it did not."""
    return text if len(text) <= width else f"{text[: max(0, width - 1)]}…"
