"""The command that follows a running site on a terminal."""

from __future__ import annotations

import signal
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from aggregator.cli.app import Folder
from aggregator.cli.service import ask_service
from aggregator.terminal import watch as table
from aggregator.terminal.tables import out

PATIENCE = 3.0  # s for an answer; the screen stands still meanwhile


def watch(
    site: Folder = Path("config"),
    area: Annotated[list[str] | None, typer.Option(help="only this area; may be given again")] = None,
    meter: Annotated[list[str] | None, typer.Option(help="only this meter, by its tag; may be given again")] = None,
    trouble: Annotated[bool, typer.Option("--trouble", help="only meters that need somebody")] = False,
) -> None:
    """Follow the meters of the running service, those first that need somebody most, until Ctrl-C.

    Where the output is no terminal they are printed once.
    """
    request: dict[str, object] = {"do": "meters", "areas": area or None, "tags": meter or None, "trouble": trouble}
    if not out.is_terminal:
        table.print_once(ask_service(site, {**request, "most": table.MOST_PLAIN}))
        return

    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))  # the screen is put back on the way out
    table.watch(_looking(site, request))


def _looking(site: Path, request: dict[str, object]) -> table.Look:
    """Asks for so many meters again and again; a service that is away may come back, and who follows wants to see it.

    Only what is refused from the beginning, such as an area that there is not, ends it.
    """
    from aggregator.control import CannotAsk, NoService, Refused

    answered = False

    def look(most: int) -> dict[str, Any] | str:
        nonlocal answered
        try:
            told = ask_service(site, {**request, "most": most}, PATIENCE)
        except (NoService, CannotAsk, Refused) as error:
            if isinstance(error, Refused) and not answered:
                raise
            return str(error)
        answered = True
        return told

    return look
