"""The commands about what was kept: take it out, record what the broker sends, take once more what was set aside."""

from __future__ import annotations

import asyncio
import io
import math
import secrets
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, TextIO

import typer

from aggregator import logs, terminal
from aggregator.cli.app import CannotWrite, Folder, run_loop
from aggregator.config import Configuration, load
from aggregator.config.scalars import Wrong, duration
from aggregator.takeout import Form, NothingStored, Wanted, What, rows_of
from aggregator.takeout import write as write_rows

REPLAY_WITHIN = 600.0  # s for a service to take all that was set aside
Output = Annotated[Path | None, typer.Option("--output", "-o", help="a file instead of the screen")]
Time = "a time (RFC 3339, UTC unless it says otherwise), a date, or how long ago: '24 h'"


def export(
    site: Folder = Path("config"),
    meter: Annotated[list[str] | None, typer.Option(help="only this meter, by its tag; may be given again")] = None,
    field: Annotated[list[str] | None, typer.Option(help="only this field; may be given again")] = None,
    since: Annotated[str | None, typer.Option(help=f"from then on: {Time}")] = None,
    until: Annotated[str | None, typer.Option(help="up to before then, written as for --since")] = None,
    form: Annotated[Form, typer.Option("--as", help="what to write")] = Form.CSV,
    output: Output = None,
    journal: Annotated[bool, typer.Option("--journal", help="events instead of readings")] = False,
    aside: Annotated[bool, typer.Option("--aside", help="the messages set aside instead of readings")] = False,
) -> None:
    """Take the history out as CSV, or as one JSON object a line, while the service runs or while it does not."""
    from aggregator.daemon import data_folder

    if journal and aside:
        raise typer.BadParameter("name one of the two", param_hint="--journal and --aside")
    what = What.EVENTS if journal else What.ASIDE if aside else What.READINGS
    if field and what is not What.READINGS:
        raise typer.BadParameter("only readings have fields", param_hint="--field")
    if meter and what is What.ASIDE:
        raise typer.BadParameter("messages set aside belong to no meter", param_hint="--meter")
    configuration = load(site)
    path = _history(data_folder(configuration))
    _check_names(configuration, path, meter or [], field or [])
    now = time.time()
    begin = -math.inf if since is None else _moment(since, now, "--since")
    end = math.inf if until is None else _moment(until, now, "--until")
    _put_out(what, form, path, Wanted(meter or None, field or None, begin, end), output)


def _history(data: Path) -> Path:
    """The store's file. Raises NothingStored."""
    from aggregator.keeper import FILE

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


def _check_names(configuration: Configuration, path: Path, meters: list[str], fields: list[str]) -> None:
    """Refuse what was never declared nor stored: a slip of the pen must not look like an empty history."""
    from aggregator.store.reader import names

    tags, stored = names(path) if meters or fields else (set(), set())
    declared = configuration.declared.meters
    tags |= {each.tag for each in declared}
    stored |= {field.name for each in declared for field in each.profile.fields}
    for given, known, hint in ((meters, tags, "--meter"), (fields, stored, "--field")):
        for each in given:
            if each not in known:
                raise typer.BadParameter(f"{each} is neither declared nor in the history", param_hint=hint)


def _moment(text: str, now: float, hint: str) -> float:
    """UTC seconds of a time, a date, or a length of time before `now`."""
    try:
        return now - duration(text.strip().removesuffix("ago"))
    except Wrong:
        pass
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise typer.BadParameter(f"`{text}` is not {Time}", param_hint=hint) from error
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _put_out(what: What, form: Form, path: Path, wanted: Wanted, output: Path | None) -> None:
    rows = rows_of(what, path, wanted)
    if output is None:
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(encoding="utf-8")  # a format is the same in every language of the machine
        write_rows(what, form, rows, sys.stdout)
        return
    with terminal.progress(what) as tell, _opened(output) as out:
        count = write_rows(what, form, rows, out, tell)
    typer.echo(f"wrote {count} {what} into {output}", err=True)


@contextmanager
def _opened(output: Path) -> Iterator[TextIO]:
    """A file to write. Raises CannotWrite, also for what goes wrong while it is being written."""
    try:
        with output.open("w", encoding="utf-8", newline="") as out:
            yield out
    except OSError as error:
        raise CannotWrite(f"cannot write {output}: {error.strerror}. Make room, or name another file.") from error


def record(
    output: Annotated[Path, typer.Option("--output", "-o", help="the file to write")],
    site: Folder = Path("config"),
    lasts: Annotated[float | None, typer.Option(help="end after so many seconds", min=0.1)] = None,
    count: Annotated[int | None, typer.Option(help="end after so many messages", min=1)] = None,
) -> None:
    """Write what the broker sends on the site's topics into a file, beside the service and without disturbing it."""
    from aggregator.recording import record as record_messages

    configuration = load(site)
    logs.configure("warning", for_people=True)
    broker = _own_connection(configuration, "record")
    topics = [envelope.topic for envelope in configuration.declared.envelopes]

    async def work() -> None:
        ended = asyncio.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            asyncio.get_running_loop().add_signal_handler(number, ended.set)
        with _opened(output) as out:
            written = await record_messages(
                broker,
                topics,
                out,
                ended,
                most=count,
                lasts=lasts,
                listening=lambda: typer.echo("recording; Ctrl-C ends it", err=True),
            )
        typer.echo(f"wrote {written} messages into {output}", err=True)

    run_loop(work)


def _own_connection(configuration: Configuration, what: str) -> Any:
    """The site's broker with a client id that nobody else has, so that the service's messages stay its own."""
    from aggregator.daemon import broker_of

    broker = broker_of(configuration.service.broker)
    return replace(broker, client=f"{broker.client}-{what}-{secrets.token_hex(4)}", keeps=0.0)


def replay(
    places: Annotated[
        list[Path] | None, typer.Argument(help="the site's folder, and a recording to publish", metavar="SITE FILE")
    ] = None,
    aside: Annotated[bool, typer.Option("--aside", help="take what was set aside once more, after the fix")] = False,
    publish: Annotated[
        bool, typer.Option("--publish", help="publish FILE to the site's broker, for all to see")
    ] = False,
    speed: Annotated[
        float | None,
        typer.Option(help="1 for the recorded pace, 2 for twice it; default: as fast as it goes", min=0.001),
    ] = None,
) -> None:
    """Take once more what was set aside, or publish a recording."""
    site, recording = _site_and_file(places or [])
    if aside == publish:
        raise typer.BadParameter(
            "say --aside for what was set aside, or --publish for a recording", param_hint="--aside and --publish"
        )
    if publish is (recording is None):
        raise typer.BadParameter("--publish needs a recording, and --aside none", param_hint="FILE")
    configuration = load(site)
    if recording is None:
        _replay_aside(configuration)
    else:
        _publish(configuration, recording, speed)


def _site_and_file(places: list[Path]) -> tuple[Path, Path | None]:
    """A folder is the site, anything else the recording."""
    folders = [place for place in places if place.is_dir()]
    files = [place for place in places if not place.is_dir()]
    if len(folders) > 1 or len(files) > 1:
        raise typer.BadParameter("name one folder of a site and one recording", param_hint="SITE and FILE")
    return folders[0] if folders else Path("config"), files[0] if files else None


def _replay_aside(configuration: Configuration) -> None:
    from aggregator.control import NoService, ask
    from aggregator.daemon import data_folder

    data = data_folder(configuration)
    try:
        told = ask(data, {"do": "replay aside"}, REPLAY_WITHIN)
    except NoService:
        typer.echo("no service runs on this site; replaying on its files", err=True)
        told = _replay_on_files(configuration, _history(data))
    typer.echo(f"{told['shown']} shown, {told['late']} only kept in the history, {told['known']} known already")
    for reason, count in told["refused"].items():
        typer.echo(f"{count} still refused and still set aside: {reason}")


def _replay_on_files(configuration: Configuration, path: Path) -> dict[str, Any]:
    from aggregator.clock import Clock
    from aggregator.daemon import limits_of
    from aggregator.replay import replay_files

    clock = Clock()
    limits = limits_of(configuration.service.storage)
    trusted = clock.is_trusted()
    return replay_files(configuration.declared, path, limits, clock.now(), clock_trusted=trusted).as_answer()


def _publish(configuration: Configuration, recording: Path, speed: float | None) -> None:
    from aggregator.recording import messages_of
    from aggregator.recording import publish as publish_messages

    broker = _own_connection(configuration, "replay")
    try:
        published = publish_messages(broker, messages_of(recording), speed=speed)
    except OSError as error:
        raise CannotWrite(f"cannot read {recording}: {error.strerror}. Name another file.") from error
    typer.echo(f"published {published.messages} messages")
    if published.left_out:
        typer.echo(f"left out {published.left_out} that the broker had retained: they would pass for fresh")
