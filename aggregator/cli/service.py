"""The commands about the service: serve a site, and ask a running one."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from aggregator import logs
from aggregator.cli.app import Folder, run_loop
from aggregator.clock import Clock
from aggregator.config import Configuration, load


class LogForm(StrEnum):
    """How log lines are written."""

    AUTO = "auto"
    PEOPLE = "people"
    JSON = "json"


def run(
    site: Folder = Path("config"),
    log: Annotated[LogForm, typer.Option(help="people on a terminal, JSON elsewhere, unless chosen")] = LogForm.AUTO,
) -> None:
    """Serve a site until SIGTERM or Ctrl-C."""
    configuration = load(site)
    for_people = log is LogForm.PEOPLE or (log is LogForm.AUTO and sys.stderr.isatty())
    logs.configure(configuration.service.log.level, for_people=for_people)
    run_loop(lambda: _serve(configuration))


async def _serve(configuration: Configuration) -> None:
    from aggregator.daemon import Service, broker_of, data_folder

    broker = broker_of(configuration.service.broker)
    service = Service(configuration, broker, Clock(), data_folder(configuration))
    service.stop_on_signals()
    await service.run()
