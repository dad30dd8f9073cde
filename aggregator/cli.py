"""The command line. Every command ends with one of four codes, and no traceback ever reaches a user for wrong input.

0  done
1  the site's files are wrong; each problem is printed with file, line, column and cure
2  the command line is wrong
3  something outside is in the way: a port in use, a password that is not there, a device that does not answer
"""

from __future__ import annotations

import asyncio
import errno
import json
import os
import sys
import time
from collections.abc import Callable, Coroutine
from enum import StrEnum
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from aggregator import __version__, logs, terminal
from aggregator.clock import Clock
from aggregator.config import Configuration, load
from aggregator.config.files import FILES
from aggregator.config.schema import schema_text, write_schemas
from aggregator.core.address_map import Device
from aggregator.core.errors import AggregatorError, ConfigurationError
from aggregator.poller import Line, Poller, lines
from aggregator.register_list import RegisterList

FILES_WRONG, OUTSIDE = 1, 3
CTRL_C = 130  # what typer ends with then
NOT_WRITTEN = (errno.EPIPE, errno.ENOSPC)  # what standard output can suffer
MIN_SPEED, MAX_SPEED = 0.1, 600.0  # of the demo; nodes that report each minute then send ten times a second
app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    help="Many gas meters on radio nodes, one Modbus device. Monitoring, not a safety function.",
    epilog="Exit codes: 0 done, 1 files wrong, 2 command line wrong, 3 something outside is in the way.",
)
Folder = Annotated[Path, typer.Argument(help="the site's folder", metavar="SITE")]
Unit = Annotated[int | None, typer.Option("--unit", help="unit id; default: the first device of map.yaml")]


def main() -> None:
    """Run a command; turn what can go wrong outside this program into a sentence and an exit code."""
    _open_closed_streams()
    try:
        _run_app()
    except ConfigurationError as error:
        for problem in error.problems:
            typer.echo(problem, err=True)
        count = len(error.problems)
        typer.echo(f"{count} problem{'s' if count > 1 else ''}; nothing was changed.", err=True)
        raise SystemExit(FILES_WRONG) from None
    except AggregatorError as error:
        typer.echo(error, err=True)
        raise SystemExit(OUTSIDE) from None
    except OSError as error:
        if error.errno not in NOT_WRITTEN:
            raise
        # What is left over must go somewhere, or the interpreter tries to write it once more as it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if error.errno == errno.EPIPE:  # who read it had enough
            raise SystemExit(0) from None
        typer.echo(f"cannot write what was asked for: {error.strerror}. Make room, or write elsewhere.", err=True)
        raise SystemExit(OUTSIDE) from None


def _open_closed_streams() -> None:
    """Whoever starts a program with its output closed (`>&-`) means that nobody listens, not that it should fail."""
    sys.stdout = sys.stdout or Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - open to the end
    sys.stderr = sys.stderr or Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115


def _run_app() -> None:
    """Run the command, and have everything it printed written before it counts as done."""
    try:
        app()
    except SystemExit as end:
        # The library makes codes of its own of these two.
        if isinstance(end.__context__, BrokenPipeError):
            raise end.__context__ from None
        if end.code == CTRL_C:
            raise SystemExit(0) from None
        raise
    finally:
        sys.stdout.flush()


def _version(value: bool) -> None:
    if value:
        typer.echo(f"aggregator {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="print it")] = False,
) -> None:
    """Many gas meters on radio nodes, one Modbus device."""


class LogForm(StrEnum):
    """How log lines are written."""

    AUTO = "auto"
    PEOPLE = "people"
    JSON = "json"


@app.command()
def run(
    site: Folder = Path("config"),
    log: Annotated[LogForm, typer.Option(help="people on a terminal, JSON elsewhere, unless chosen")] = LogForm.AUTO,
) -> None:
    """Serve a site until SIGTERM or Ctrl-C."""
    configuration = load(site)
    for_people = log is LogForm.PEOPLE or (log is LogForm.AUTO and sys.stderr.isatty())
    logs.configure(configuration.service.log.level, for_people=for_people)
    _run_loop(lambda: _serve(configuration))


async def _serve(configuration: Configuration) -> None:
    from aggregator.daemon import Service, broker_of, data_folder

    broker = broker_of(configuration.service.broker)
    service = Service(configuration, broker, Clock(), data_folder(configuration))
    service.stop_on_signals()
    await service.run()


def _run_loop(work: Callable[[], Coroutine[Any, Any, None]]) -> None:
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


@app.command()
def check(site: Folder = Path("config")) -> None:
    """Read a site's files and say everything that is wrong with them, or what they make."""
    configuration = load(site)
    declared = configuration.declared
    linked = sum(meter.node is not None for meter in declared.meters)
    listed = RegisterList.of(declared)
    typer.echo(f"{site}: {declared.name} is in order.")
    typer.echo(f"  {len(declared.meters)} meters of {declared.profile_count()} profiles, {linked} linked to a node")
    for device in declared.devices:
        items = sum(row["unit id"] == str(device.unit_id) for row in listed.rows)
        typer.echo(f"  unit {device.unit_id}: {len(device.blocks)} blocks, {items} items")
    typer.echo(f"  map fingerprint {listed.fingerprint:08x}")


class ListForm(StrEnum):
    """What the register list comes out as."""

    TABLE = "table"
    CSV = "csv"
    MARKDOWN = "markdown"
    HTML = "html"
    JSON = "json"


@app.command("map")
def show_map(
    site: Folder = Path("config"),
    form: Annotated[ListForm, typer.Option("--as", help="what to print")] = ListForm.TABLE,
    unit: Annotated[int | None, typer.Option("--unit", help="one unit id only")] = None,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="a file instead of the screen")] = None,
) -> None:
    """Print the register list: every address, its type, scale, meter and meaning."""
    configuration = load(site)
    if unit is not None:
        _device(configuration, unit)
    listed = RegisterList.of(configuration.declared, unit)
    if form is ListForm.TABLE and output is None:
        terminal.print_list(listed)
        return
    texts = {
        ListForm.TABLE: listed.markdown,
        ListForm.CSV: listed.csv,
        ListForm.MARKDOWN: listed.markdown,
        ListForm.HTML: listed.html,
        ListForm.JSON: listed.json,
    }
    _write(texts[form](), output)


def _write(text: str, output: Path | None) -> None:
    if output is None:
        sys.stdout.write(text)
        return
    try:
        output.write_text(text, encoding="utf-8")
    except OSError as error:
        raise CannotWrite(f"cannot write {output}: {error.strerror}. Name another file.") from error
    typer.echo(f"wrote {output}")


class CannotWrite(AggregatorError):
    """A file that was asked for cannot be written."""


@app.command()
def poll(
    site: Folder = Path("config"),
    host: Annotated[str | None, typer.Option(help="where the device listens; default: site.yaml's listener")] = None,
    port: Annotated[int | None, typer.Option(help="its port; default: site.yaml's listener", min=1, max=65535)] = None,
    unit: Unit = None,
    tag: Annotated[list[str] | None, typer.Option(help="only this meter; may be given again")] = None,
    watch: Annotated[float | None, typer.Option(help="poll again every so many seconds", min=0.1)] = None,
    most: Annotated[int, typer.Option(help="registers a read may ask for", min=4, max=125)] = 125,
    as_json: Annotated[bool, typer.Option("--json", help="one JSON object a field and line")] = False,
) -> None:
    """Read a running device through the map, as plant software would, and print values, quality and age."""
    configuration = load(site)
    device = _device(configuration, unit)
    known = {meter.tag for meter in configuration.declared.meters}
    for each in tag or []:
        if each not in known:
            raise typer.BadParameter(f"there is no meter {each}", param_hint="--tag")
    listener = configuration.service.listeners[0].tcp
    own_host = "127.0.0.1" if listener[0] == "0.0.0.0" else listener[0]  # noqa: S104 - every network includes our own
    poller = Poller(device, host or own_host, port or listener[1], most_registers=most)
    try:
        _poll(configuration, poller, tag or [], watch, as_json=as_json)
    finally:
        poller.close()


def _poll(configuration: Configuration, poller: Poller, tags: list[str], watch: float | None, *, as_json: bool) -> None:
    def once() -> list[Line]:
        return lines(poller.poll(tags))

    if as_json:
        _print_json(once())
        while watch is not None:
            time.sleep(watch)
            _print_json(once())
    elif watch is None:
        terminal.print_lines(configuration, once())
    else:
        terminal.watch_lines(configuration, once, watch)


def _print_json(polled: list[Line]) -> None:
    for line in polled:
        facts = {
            "tag": line.tag,
            "field": line.item,
            "table": line.table.key,
            "address": line.address,
            "value": line.value,
            "unit": line.unit,
            "quality": line.quality,
            "age": line.age,
        }
        typer.echo(json.dumps(facts, ensure_ascii=False))


def _device(configuration: Configuration, unit: int | None) -> Device:
    devices = {device.unit_id: device for device in configuration.declared.devices}
    if unit is None:
        return configuration.declared.devices[0]
    if unit not in devices:
        known = ", ".join(str(each) for each in devices)
        raise typer.BadParameter(f"map.yaml has no unit {unit}; it has {known}", param_hint="--unit")
    return devices[unit]


@app.command()
def schema(
    kind: Annotated[str | None, typer.Argument(help=f"one of {', '.join(FILES)}", metavar="KIND")] = None,
    into: Annotated[Path | None, typer.Option(help="write all of them into this folder")] = None,
) -> None:
    """Print the JSON Schema of a kind of file, for an editor to complete and check it."""
    if into is not None:
        try:
            for path in write_schemas(into):
                typer.echo(f"wrote {path}")
        except OSError as error:
            raise CannotWrite(f"cannot write into {into}: {error.strerror}. Name another folder.") from error
        return
    if kind not in FILES:
        raise typer.BadParameter(f"name one of {', '.join(FILES)}, or a folder with --into", param_hint="KIND")
    sys.stdout.write(schema_text(kind))


@app.command()
def demo(
    site: Annotated[Path | None, typer.Argument(help="a site's folder; default: the sample", metavar="SITE")] = None,
    speed: Annotated[float, typer.Option(help="site seconds per second: 60 makes an hour pass in a minute")] = 60.0,
    seed: Annotated[int, typer.Option(help="the same seed repeats the same day")] = 1,
    port: Annotated[int, typer.Option(help="where to listen for Modbus, on this machine only", max=65535)] = 5020,
    lasts: Annotated[float | None, typer.Option(help="end after so many seconds", min=0.1)] = None,
) -> None:
    """Run a simulated site: nodes, broker and service in one, with a live table and the lines to poll it."""
    from aggregator.demo.stage import Play, headline, perform

    if not MIN_SPEED <= speed <= MAX_SPEED:
        raise typer.BadParameter(f"{speed:g} is outside {MIN_SPEED:g} to {MAX_SPEED:g}", param_hint="--speed")
    configuration = load(site or sample_site())
    logs.configure("error", for_people=True)  # the table has the terminal, and shows what warnings would say
    play = Play(speed, seed, port, lasts)
    show = terminal.Show(headline(configuration, play))
    _run_loop(
        lambda: perform(
            configuration,
            play,
            started=lambda service: show.begin(service.site, service.clock.now),
            look=lambda _: show.refresh(),
            ended=lambda _: show.end(),
        )
    )


def sample_site() -> Path:
    """The sample site: beside the package in a checkout, inside it where it is installed."""
    beside = Path(__file__).resolve().parent.parent / "config"
    return beside if (beside / "site.yaml").exists() else Path(str(files("aggregator") / "sample"))
