"""Help as people read it: what a word of the line stands for, in place of the library's names of types."""

from __future__ import annotations

import re
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperArgument, TyperCommand

WORDS = {"str": "TEXT", "path": "PATH", "int": "NUMBER", "float": "NUMBER", "bool": ""}
LIBRARYS_OWN = "Value error, "
RANGE = re.compile(r"(?:(?P<low>[\d.]+)<=)?x(?:<=(?P<high>[\d.]+)|>=(?P<least>[\d.]+))?")
OPTION, SITE_FILE = "--site", "site.yaml"


class PlainCommand(TyperCommand):
    """A command whose help calls an argument by its name, and an option's value a TEXT, a NUMBER or a PATH."""

    def get_params(self, ctx: Any) -> list[Any]:
        """The parameters, each made to say in plain words what it takes."""
        params: list[Any] = super().get_params(ctx)
        for each in params:
            if isinstance(each, TyperArgument):
                each.metavar = each.metavar or each.name.upper()
            each.display_type_rich = partial(_word, each)
            bounds = type(each)._get_number_range_help_str(each)  # noqa: SLF001 - the library has no other place for it
            each._get_number_range_help_str = partial(_bounds, bounds)  # noqa: SLF001
        return params

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take a command line, and refuse what is wrong without the library's own words for errors."""
        try:
            return super().parse_args(ctx, self._with_site(ctx, args))
        except typer.BadParameter as error:
            error.message = error.message.removeprefix(LIBRARYS_OWN)
            raise

    def _with_site(self, ctx: Any, args: list[str]) -> list[str]:
        """A command line on which `--site` names the site's folder, whatever the command."""
        site = next((each for each in self.params if each.name == "site"), None)
        if isinstance(site, TyperArgument):
            return _as_argument(args)
        if site is not None:
            valued = {name for each in self.params if not getattr(each, "is_flag", False) for name in each.opts}
            for before, word in pairwise(["", *args]):
                if before not in valued and (Path(word) / SITE_FILE).is_file():
                    ctx.fail(f"{word} is a site's folder. Write --site {word}, if that is what was meant.")
        return args


def _as_argument(args: list[str]) -> list[str]:
    """A command line of a command that names nothing but the site: what `--site` names is its word."""
    for at, word in enumerate(args):
        if word == OPTION and at + 1 < len(args):
            return [*args[:at], *args[at + 2 :], args[at + 1]]
        if word.startswith(f"{OPTION}="):
            return [*args[:at], *args[at + 1 :], word.removeprefix(f"{OPTION}=")]
    return args


def _word(parameter: Any, ctx: Any) -> str:
    """What an option's value is; an argument has its name already."""
    if parameter.metavar is not None:
        return "" if isinstance(parameter, TyperArgument) else str(parameter.metavar)
    kind = re.sub(r"^list\[(.*)\]$", r"\1", parameter.display_type(ctx).strip("<>")).removesuffix(" range")
    return WORDS.get(kind, kind)


def _bounds(bounds: str | None) -> str | None:
    """A range in words: `4 to 125`, `0.1 or more`."""
    match = RANGE.fullmatch(bounds or "")
    if match is None:
        return bounds
    return f"{match['least']} or more" if match["least"] else f"{match['low']} to {match['high']}"
