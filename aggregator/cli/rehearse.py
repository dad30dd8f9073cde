"""The command that plays a rehearsal on a site's files: no broker, no service, no waiting."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

from aggregator.cli.app import UNEXPECTED, SiteOption, counted
from aggregator.config.configuration import load
from aggregator.config.rehearsals import read_rehearsal
from aggregator.core.keeping import Kept
from aggregator.core.reading import Value
from aggregator.core.rehearsal import Line, Recalled, play

HOUR, DAY = 3600, 86400


def rehearse(
    file: Annotated[Path, typer.Argument(help="a rehearsal: readings and events at times", metavar="FILE")],
    site: SiteOption = Path("config"),
    quiet: Annotated[bool, typer.Option("--quiet", help="only what is not as expected")] = False,
) -> None:
    """Play a made-up day against a site's own meters and alarms; ends with code 1 where not all is as expected."""
    declared = load(site).declared
    rehearsal = read_rehearsal(file, declared)
    typer.echo(rehearsal.title)
    differences = expected = 0
    for line in play(declared, rehearsal, through_a_store):
        differences += line.differs
        if not quiet or line.differs:
            typer.echo(_told(line))
    expected = sum(len(step.checks) for step in rehearsal.steps)
    if not differences:
        typer.echo(f"{counted(expected, 'expectation')}, all as expected")
        return
    typer.echo(f"{counted(differences, 'difference')} from what was expected")
    raise typer.Exit(UNEXPECTED)


def _told(line: Line) -> str:
    if line.differs:
        return f"DIFFERS {line.text}  ({line.place.short})"
    if line.is_step:
        return f"{_time(line.at)}  {line.text}"
    return f"     ok {line.text}" if line.is_expected else f"        {line.text}"


def _time(at: float) -> str:
    """A second of a rehearsal as its file has it."""
    day, second = divmod(round(at), DAY)
    hours, rest = divmod(second, HOUR)
    minutes, seconds = divmod(rest, 60)
    clock = f"{hours:02}:{minutes:02}" + (f":{seconds:02}" if seconds else "")
    return f"day {day + 1} {clock}" if day else clock


def through_a_store(kept: Sequence[Kept]) -> Recalled:
    """What a restart gets back of all that was kept: written into a store of its own, and read from it."""
    from aggregator.store import Limits, Store

    with TemporaryDirectory(prefix="rehearsal-") as folder:
        store = Store.open(Path(folder) / "history.db", Limits())
        store.put(kept)
        store.close()
        frames = list(store.recent_frames())
        rows = list(store.history(None, None, -math.inf, math.inf))
        remembered = store.remembered()

    def samples(tag: str, fields: Sequence[str], since: float) -> Iterable[tuple[str, float, Value | None]]:
        return [
            (row.field, row.at, row.value) for row in rows if row.tag == tag and row.field in fields and row.at >= since
        ]

    return Recalled(remembered, frames, samples)
