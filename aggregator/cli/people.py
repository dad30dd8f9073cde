"""The command about who may use the pages."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from aggregator.cli.app import Folder, counted
from aggregator.config.data_folder import found_data_folder
from aggregator.web.people import People, Role


class RoleName(StrEnum):
    """What somebody may do; each may do what those before it may."""

    LOOK = "look"
    OPERATE = "operate"
    ENGINEER = "engineer"


def people(
    site: Folder = Path("config"),
    add: Annotated[str | None, typer.Option(metavar="NAME", help="let somebody in; asks for a password")] = None,
    role: Annotated[
        RoleName | None,
        typer.Option(help="look; operate (alarms, test); engineer (all else). With --add, or for --of"),
    ] = None,
    of: Annotated[str | None, typer.Option(metavar="NAME", help="give somebody another --role")] = None,
    password: Annotated[str | None, typer.Option(metavar="NAME", help="give somebody another password")] = None,
    remove: Annotated[str | None, typer.Option(metavar="NAME", help="let somebody in no more")] = None,
    key: Annotated[str | None, typer.Option(metavar="NAME", help="make a key for a program; it is shown once")] = None,
    drop_keys: Annotated[str | None, typer.Option(metavar="NAME", help="take all keys of somebody back")] = None,
) -> None:
    """Who may use the pages of a site: list them, or change one. The running service goes by it at once.

    A password is asked for on a terminal, and read as one line from standard input elsewhere.
    """
    if sum(each is not None for each in (add, of, password, remove, key, drop_keys)) > 1:
        raise typer.BadParameter("one change at a time")
    if (add is not None or of is not None) and role is None:
        raise typer.BadParameter("say which role", param_hint="--role")
    known = People(found_data_folder(site))
    chosen = Role[role.value.upper()] if role else Role.LOOK
    for name, change in (
        (add, _add),
        (of, _set_role),
        (password, _set_password),
        (remove, _remove),
        (key, _add_key),
        (drop_keys, _drop_keys),
    ):
        if name is not None:
            typer.echo(change(known, name, chosen))
            return
    for person in known.all().values():
        keys = f", {counted(len(person.keys), 'key')}" if person.keys else ""
        typer.echo(f"{person.name}: {person.role.words}{keys}")
    if not known.all():
        typer.echo("nobody yet. The service's log says where the first one is set up, and with which code.")


def _add(known: People, name: str, role: Role) -> str:
    known.add(name, role, asked_password())
    return f"{name} may {role.words}"


def _set_role(known: People, name: str, role: Role) -> str:
    known.set_role(name, role)
    return f"{name} may {role.words}"


def _set_password(known: People, name: str, _role: Role) -> str:
    known.set_password(name, asked_password())
    return f"{name} has another password, and has to sign in again"


def _remove(known: People, name: str, _role: Role) -> str:
    known.remove(name)
    return f"{name} may do nothing any more"


def _add_key(known: People, name: str, _role: Role) -> str:
    return known.add_key(name)


def _drop_keys(known: People, name: str, _role: Role) -> str:
    return f"{counted(known.drop_keys(name), 'key')} of {name} taken back"


def asked_password() -> str:
    """A new password: asked for twice on a terminal, else the next line of standard input."""
    if sys.stdin.isatty():
        return str(typer.prompt("password", hide_input=True, confirmation_prompt=True))
    return sys.stdin.readline().rstrip("\r\n")
