"""The command that plays a site without radio, meters or broker."""

from __future__ import annotations

import os
import sys
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

from aggregator import logs
from aggregator.cli.app import run_loop
from aggregator.config.configuration import load
from aggregator.terminal.show import Show

MIN_SPEED, MAX_SPEED = 0.1, 600.0  # nodes that report each minute then send ten times a second


def demo(
    site: Annotated[Path | None, typer.Argument(help="a site's folder; default: the sample", metavar="SITE")] = None,
    speed: Annotated[float, typer.Option(help="site seconds per second: 60 makes an hour pass in a minute")] = 60.0,
    seed: Annotated[int, typer.Option(help="the same seed repeats the same day")] = 1,
    port: Annotated[
        int, typer.Option(help="where to listen for Modbus, on this machine only", min=1, max=65535)
    ] = 5020,
    pages: Annotated[int, typer.Option(help="where to serve pages, on this machine only", min=1, max=65535)] = 8080,
    lasts: Annotated[float | None, typer.Option(help="end after so many seconds", min=0.1)] = None,
) -> None:
    """Run a simulated site: nodes, broker and service in one, with a live table and the lines to poll it."""
    from aggregator.demo.stage import Headline, Play, perform

    if not MIN_SPEED <= speed <= MAX_SPEED:
        raise typer.BadParameter(f"{speed:g} is outside {MIN_SPEED:g} to {MAX_SPEED:g}", param_hint="--speed")
    configuration = load(_short(site or sample_site()))
    logs.configure("error", for_people=True)  # the table has the terminal, and shows what warnings would say
    with TemporaryDirectory(prefix="aggregator-demo-") as data:
        play = Play(speed, seed, port, pages, lasts, Path(data))
        headline, show = Headline(configuration, play, _program()), Show()
        run_loop(
            lambda: perform(
                configuration,
                play,
                started=lambda service: show.begin(service.site, service.clock.now, lambda: headline.lines(service)),
                look=lambda _: show.refresh(),
                ended=lambda _: show.end(),
            )
        )


def sample_site() -> Path:
    """The sample site: that of the checkout one stands in, else the one that is installed with the package."""
    beside = Path(__file__).resolve().parents[2] / "config"
    known = (Path("config"), beside, Path(str(files("aggregator") / "sample")))
    return next(folder for folder in known if (folder / "site.yaml").exists())


def _program() -> str:
    """How this program was called, as it is typed once more."""
    called = Path(sys.argv[0])
    if called.name == "__main__.py":
        return f"{_short(Path(sys.executable))} -m aggregator"
    return str(_short(called))


def _short(folder: Path) -> Path:
    """A path as it is shortest to type from here."""
    relative = Path(os.path.relpath(folder))
    return relative if len(str(relative)) < len(str(folder)) else folder
