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
from pathlib import Path
from typing import Annotated, Any, TextIO

import typer

from aggregator import logs
from aggregator.cli.app import (
    MOMENT,
    CannotWrite,
    Folder,
    SiteOption,
    counted,
    data_in_use,
    history_file,
    moment_before,
    run_loop,
)
from aggregator.config.configuration import Configuration, load
from aggregator.takeout import Form, Wanted, What, rows_of
from aggregator.takeout import write as write_rows
from aggregator.terminal.tables import progress

NO_SERVICE = "no service runs on this site; replaying on its files"
REPLAY_WITHIN = 600.0  # s for a service to take all that was set aside
Output = Annotated[Path | None, typer.Option("--output", "-o", help="a file instead of the screen")]


def export(
    site: Folder = Path("config"),
    meter: Annotated[list[str] | None, typer.Option(help="only this meter, by its tag; may be given again")] = None,
    field: Annotated[list[str] | None, typer.Option(help="only this field; may be given again")] = None,
    since: Annotated[str | None, typer.Option(help=f"from then on: {MOMENT}")] = None,
    until: Annotated[str | None, typer.Option(help="up to before then, written as for --since")] = None,
    form: Annotated[Form, typer.Option("--as", help="what to write")] = Form.CSV,
    output: Output = None,
    journal: Annotated[bool, typer.Option("--journal", help="events instead of readings")] = False,
    aside: Annotated[bool, typer.Option("--aside", help="the messages set aside instead of readings")] = False,
) -> None:
    """Take the history out as CSV, or as one JSON object a line, while the service runs or while it does not."""
    if journal and aside:
        raise typer.BadParameter("name one of the two", param_hint="--journal and --aside")
    what = What.EVENTS if journal else What.ASIDE if aside else What.READINGS
    if field and what is not What.READINGS:
        raise typer.BadParameter("only readings have fields", param_hint="--field")
    if meter and what is What.ASIDE:
        raise typer.BadParameter("messages set aside belong to no meter", param_hint="--meter")
    configuration = load(site)
    path = history_file(data_in_use(configuration))
    _check_names(configuration, path, meter or [], field or [])
    now = time.time()
    begin = -math.inf if since is None else moment_before(since, now, "--since")
    end = math.inf if until is None else moment_before(until, now, "--until")
    _put_out(what, form, path, Wanted(meter or None, field or None, begin, end), output)


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


def _put_out(what: What, form: Form, path: Path, wanted: Wanted, output: Path | None) -> None:
    rows = rows_of(what, path, wanted)
    if output is None:
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(encoding="utf-8")  # a format is the same in every language of the machine
        write_rows(what, form, rows, sys.stdout)
        return
    with progress(what) as tell, _opened(output) as out:
        count = write_rows(what, form, rows, out, tell)
    typer.echo(f"wrote {counted(count, what.one, what)} into {output}", err=True)


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
    overwrite: Annotated[bool, typer.Option("--overwrite", help="also where the file holds something")] = False,
) -> None:
    """Write what the broker sends on the site's topics into a file, beside the service and without disturbing it."""
    from aggregator.recording import record as record_messages

    if not overwrite and output.is_file() and output.stat().st_size:
        raise CannotWrite(f"{output} holds something already. Name another file, or say --overwrite.")
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
        typer.echo(f"wrote {counted(written, 'message')} into {output}", err=True)

    run_loop(work)


def _own_connection(configuration: Configuration, what: str) -> Any:
    """The site's broker with a client id that nobody else has, so that the service's messages stay its own."""
    from aggregator.declared import broker_of

    broker = broker_of(configuration.service.broker)
    return replace(broker, client=f"{broker.client}-{what}-{secrets.token_hex(4)}", keeps=0.0)


def replay(
    recording: Annotated[Path | None, typer.Argument(help="a recording", metavar="FILE")] = None,
    aside: Annotated[bool, typer.Option("--aside", help="take what was set aside once more, after the fix")] = False,
    publish: Annotated[
        bool, typer.Option("--publish", help="publish FILE to the site's broker, for all to see")
    ] = False,
    speed: Annotated[
        float | None,
        typer.Option(help="of --publish: 1 for the recorded pace, 2 for twice it", min=0.001),
    ] = None,
    site: SiteOption = Path("config"),
) -> None:
    """Take a recording as if each message had come when it was recorded, or once more what was set aside."""
    if aside and publish:
        raise typer.BadParameter("say one of the two", param_hint="--aside and --publish")
    if aside is (recording is not None):
        raise typer.BadParameter("name a recording, or say --aside for what was set aside", param_hint="FILE")
    if speed is not None and not publish:
        raise typer.BadParameter("only what is published has a pace", param_hint="--speed")
    configuration = load(site)
    if recording is None:
        _replay_aside(configuration)
    elif publish:
        _publish(configuration, recording, speed)
    else:
        _replay_recording(configuration, recording)


def _replay_aside(configuration: Configuration) -> None:
    from aggregator.control import NoService, ask_site

    data = configuration.data_folder
    try:
        told = ask_site(configuration.folder, data, {"do": "replay aside"}, REPLAY_WITHIN)
    except NoService:
        typer.echo(NO_SERVICE, err=True)
        told = _replay_on_files(configuration, history_file(data))
    _tell(told, "still refused and still set aside")


def _replay_recording(configuration: Configuration, recording: Path) -> None:
    from aggregator.control import NoService, ask_site
    from aggregator.keeper import FILE
    from aggregator.recording import messages_of

    data = configuration.data_folder
    with _read(recording):
        retained = sum(each.retained for each in messages_of(recording))  # and so the whole of it is known to be right
    request = {"do": "replay file", "file": str(recording.resolve())}
    try:
        told = ask_site(configuration.folder, data, request, REPLAY_WITHIN)
    except NoService:
        typer.echo(NO_SERVICE, err=True)
        told = _replay_on_files(configuration, data / FILE, recording)
    _tell(told, "refused")
    _tell_left_out(retained)


def _tell(told: dict[str, Any], refused: str) -> None:
    typer.echo(f"{told['shown']} shown, {told['late']} only kept in the history, {told['known']} known already")
    for reason, count in told["refused"].items():
        typer.echo(f"{count} {refused}: {reason}")


def _tell_left_out(retained: int) -> None:
    if retained:
        typer.echo(f"left out {retained} that the broker had retained: they would pass for fresh")


@contextmanager
def _read(recording: Path) -> Iterator[None]:
    """Around the reading of a recording. Raises CannotWrite where it cannot be read."""
    try:
        yield
    except OSError as error:
        raise CannotWrite(f"cannot read {recording}: {error.strerror}. Name another file.") from error


def _replay_on_files(configuration: Configuration, path: Path, recording: Path | None = None) -> dict[str, Any]:
    from aggregator.clock import Clock
    from aggregator.declared import limits_of
    from aggregator.replay import replay_files

    clock = Clock()
    limits = limits_of(configuration.service.storage)
    trusted = clock.is_trusted()
    replayed = replay_files(
        configuration.declared, path, limits, clock.now(), clock_trusted=trusted, recording=recording
    )
    return replayed.as_answer()


def _publish(configuration: Configuration, recording: Path, speed: float | None) -> None:
    from aggregator.recording import messages_of
    from aggregator.recording import publish as publish_messages

    broker = _own_connection(configuration, "replay")
    with _read(recording):
        published = publish_messages(broker, messages_of(recording), speed=speed)
    typer.echo(f"published {counted(published.messages, 'message')}")
    _tell_left_out(published.left_out)
