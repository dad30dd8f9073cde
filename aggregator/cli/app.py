"""What the commands share: the exit codes, how a site is named, how a loop is run and a file is written."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from aggregator.core.errors import AggregatorError

FILES_WRONG, OUTSIDE = 1, 3
Folder = Annotated[Path, typer.Argument(help="the site's folder", metavar="SITE")]


class CannotWrite(AggregatorError):
    """A file that was asked for cannot be written."""


def write(text: str, output: Path | None) -> None:
    """Put a text on the screen, or into a file and say so. Raises CannotWrite."""
    if output is None:
        sys.stdout.write(text)
        return
    try:
        output.write_text(text, encoding="utf-8")
    except OSError as error:
        raise CannotWrite(f"cannot write {output}: {error.strerror}. Name another file.") from error
    typer.echo(f"wrote {output}")


def run_loop(work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run a coroutine on the fastest loop there is, and raise the one error that ended it as itself."""
    try:
        with asyncio.Runner(loop_factory=_new_loop) as runner:
            runner.run(work())
    except ExceptionGroup as group:
        _raise_first(group)


def _new_loop() -> asyncio.AbstractEventLoop:
    try:
        import uvloop
    except ImportError:
        return asyncio.new_event_loop()
    return uvloop.new_event_loop()


def _raise_first(group: ExceptionGroup[Exception]) -> NoReturn:
    first = group.exceptions[0]
    if isinstance(first, ExceptionGroup):
        _raise_first(first)
    raise first
