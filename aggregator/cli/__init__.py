"""The command line. Every command ends with one of six codes, and no traceback ever reaches a user for wrong input.

0  done
1  the site's files are wrong; each problem is printed with file, line, column and cure. `rehearse`: or not all was as
   the rehearsal expects
2  the command line is wrong
3  something outside is in the way: a port in use, a password that is not there, a device that does not answer
4  `compare` only: the two maps are not the same
5  `verify`, and `link` or `swap` with --shows: done and on record, but reading and display do not agree
"""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from aggregator import __version__
from aggregator.cli.app import FILES_WRONG, OUTSIDE, counted
from aggregator.cli.late import MARKUP, LateGroup
from aggregator.core.errors import AggregatorError, ConfigurationError

CTRL_C = 130  # what typer ends with then
NOT_WRITTEN = (errno.EPIPE, errno.ENOSPC)  # what standard output can suffer
app = typer.Typer(
    cls=LateGroup,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=MARKUP,
    help="Many gas meters on radio nodes, one Modbus device. Monitoring, not a safety function.",
    epilog="Exit codes: 0 done, 1 files wrong or rehearsed and not as expected, 2 command line wrong, 3 something "
    "outside is in the way, 4 compared and different, 5 done, but reading and display do not agree.",
)


def main() -> None:
    """Run a command; turn what can go wrong outside this program into a sentence and an exit code."""
    _open_closed_streams()
    try:
        _run_app()
    except ConfigurationError as error:
        for problem in error.problems:
            typer.echo(problem, err=True)
        count = len(error.problems)
        typer.echo(f"{counted(count, 'problem')}; nothing was changed.", err=True)
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
