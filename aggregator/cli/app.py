"""What the commands share: the exit codes, how a site is named, how a loop is run and a file is written."""

from __future__ import annotations

import sys
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from aggregator.config.scalars import Wrong, duration
from aggregator.core.errors import AggregatorError

if TYPE_CHECKING:
    import asyncio

    from aggregator.config.configuration import Configuration

FILES_WRONG, OUTSIDE, DIFFERENT, DISAGREES = 1, 3, 4, 5
UNEXPECTED = 1  # a rehearsal went otherwise than its file, or the site's files, say
MOMENT = "a time (RFC 3339, UTC unless it says otherwise), a date, or how long ago: '24 h'"
Folder = Annotated[Path, typer.Argument(help="the site's folder; --site SITE says the same", metavar="SITE")]
SiteOption = Annotated[Path, typer.Option("--site", help="the site's folder", metavar="SITE")]
"""Where a command names something else too, a folder among its words could pass for a tag."""


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


def counted(count: int, one: str, many: str = "") -> str:
    """A number of things in words: `1 message`, `2 messages`."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def utc_of(text: str) -> float | None:
    """UTC seconds of a time (RFC 3339, UTC unless it says otherwise) or a date; None where it is neither."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def moment_before(text: str, now: float, hint: str) -> float:
    """UTC seconds of a time, a date, or a length of time before `now`."""
    try:
        return now - duration(text.strip().removesuffix("ago"))
    except Wrong:
        pass
    moment = utc_of(text)
    if moment is None:
        raise typer.BadParameter(f"`{text}` is not {MOMENT}", param_hint=hint)
    return moment


def data_in_use(configuration: Configuration) -> Path:
    """Where a site's data stand: where the running service has them, else where its files say."""
    from aggregator.control import folder_in_use

    return folder_in_use(configuration.folder, configuration.data_folder)


def history_file(data: Path) -> Path:
    """The store's file. Raises NothingStored."""
    from aggregator.keeper import FILE
    from aggregator.takeout import NothingStored

    path = data / FILE
    try:
        path.stat()
    except PermissionError as error:
        raise NothingStored(f"{path} may not be read by this user. Run this as the service's user.") from error
    except OSError as error:
        raise NothingStored(
            f"there is no history at {path}. Run the service once, or name its folder as `folder` under `storage` in "
            "site.yaml."
        ) from error
    return path


def run_loop(work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run a coroutine on the fastest loop there is, and raise the one error that ended it as itself."""
    import asyncio

    try:
        with asyncio.Runner(loop_factory=_new_loop) as runner:
            runner.run(work())
    except ExceptionGroup as group:
        _raise_first(group)


def _new_loop() -> asyncio.AbstractEventLoop:
    import asyncio

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
