"""Commands that are imported when they are called, so that none waits for what only another needs."""

from __future__ import annotations

from collections import UserDict
from importlib import import_module
from typing import Any, Final

import typer.main
from typer.core import TyperGroup
from typer.models import CommandInfo

from aggregator.cli.plain import PlainCommand

COMMANDS = {
    "run": "service:run",
    "check": "files:check",
    "map": "registers:show_map",
    "plan": "plans:plan",
    "poll": "registers:poll",
    "explain": "commissioning:explain",
    "clients": "service:clients",
    "freeze": "maps:freeze_map",
    "thaw": "maps:thaw_map",
    "compare": "maps:compare",
    "watch": "watching:watch",
    "reload": "service:reload",
    "status": "service:status",
    "test": "service:hold_in_test",
    "total": "service:set_total",
    "substitute": "service:substitute",
    "withdraw": "service:withdraw",
    "alarms": "alarms:alarms",
    "acknowledge": "alarms:acknowledge",
    "reset": "alarms:reset",
    "shelve": "alarms:shelve",
    "unshelve": "alarms:unshelve",
    "out-of-service": "alarms:out_of_service",
    "setpoint": "alarms:setpoint",
    "silence": "alarms:silence",
    "suppress": "alarms:suppress",
    "nodes": "links:nodes",
    "link": "links:link",
    "verify": "links:verify",
    "unlink": "links:unlink",
    "swap": "links:swap",
    "links": "links:links",
    "rehearse": "rehearse:rehearse",
    "settings": "settings:settings",
    "set": "settings:change",
    "people": "people:people",
    "gases": "gases:gases",
    "export": "history:export",
    "record": "history:record",
    "replay": "history:replay",
    "demo": "demo:demo",
    "schema": "files:schema",
}
NEGATIVE = ("substitute", "setpoint", "set")  # commands of which an argument may begin with a minus
MARKUP: Final = "rich"  # how help is written


class LateCommands(UserDict[str, Any]):
    """Commands by their names, in the order of the help. Each is made when it is first looked up."""

    def __getitem__(self, name: str) -> Any:
        """The command; KeyError where there is none."""
        found = super().__getitem__(name)
        if isinstance(found, str):
            found = self.data[name] = _command(name, found)
        return found


class LateGroup(TyperGroup):
    """All commands of the program."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands = LateCommands(COMMANDS)


def _command(name: str, place: str) -> Any:
    """The command of a function, given as `module:function` of this package."""
    module, _, function = place.partition(":")
    info = CommandInfo(
        name,
        cls=PlainCommand,
        context_settings={"ignore_unknown_options": name in NEGATIVE},
        callback=getattr(import_module(f"aggregator.cli.{module}"), function),
    )
    return typer.main.get_command_from_info(info, pretty_exceptions_short=True, rich_markup_mode=MARKUP)
