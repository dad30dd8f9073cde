"""The commands about how a map may change: freeze what plant software relies on, thaw it, compare two maps."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from aggregator.cli.app import DIFFERENT, CannotWrite, Folder, SiteOption, counted
from aggregator.config.configuration import load
from aggregator.config.frozen import FILE, Frozen, Issue, frozen_text, read_frozen, read_frozen_file
from aggregator.core.address_map import fingerprint
from aggregator.core.difference import differences
from aggregator.core.freeze import chosen, freeze, line_count, names_of, thaw
from aggregator.core.promise import Line, Promise, promises_of
from aggregator.core.reach import Reach, changed_reach
from aggregator.core.slip import near
from aggregator.register_list import CHANGE_COLUMNS, change_rows, changes_json, saved_map
from aggregator.terminal.tables import print_rows

Devices = Annotated[list[str] | None, typer.Option("--unit", help="unit id or name of a device; may be given again")]


class ChangeForm(StrEnum):
    """What a comparison comes out as."""

    TABLE = "table"
    JSON = "json"


def freeze_map(
    site: Folder = Path("config"),
    tag: Annotated[list[str] | None, typer.Option(help="only this meter, or gateway; may be given again")] = None,
    unit: Devices = None,
) -> None:
    """Record the addresses that plant software relies on; a map that would change them is refused from then on."""
    configuration = load(site)
    declared = configuration.declared
    promised = promises_of(declared.devices)
    more = chosen(promised, tag or (), unit or ())
    _all_found(tag or (), "--tag", lambda name: chosen(promised, [name], ()))
    _all_found(unit or (), "--unit", lambda name: chosen(promised, (), [name]))
    frozen = freeze(configuration.frozen, more)
    issue = Issue(declared.name, declared.revision, f"{fingerprint(declared.devices):08x}")
    _write(site, Frozen(issue, tuple(frozen)))
    before, now = line_count(configuration.frozen), line_count(frozen)
    typer.echo(f"{_are(now, 'frozen')} in {site / FILE}, {now - before} of them new")


def thaw_map(
    names: Annotated[list[str], typer.Argument(help="tags, TAG/ITEM or gateway", metavar="NAME...")],
    unit: Devices = None,
    site: SiteOption = Path("config"),
) -> None:
    """Let the named addresses change again: a meter's, one item's of it as FT-101/flow, or the gateway's."""
    frozen = read_frozen(site)
    if frozen is None:
        raise typer.BadParameter(f"nothing is frozen: there is no {site / FILE}", param_hint="NAME")
    left: Sequence[Promise] = frozen.promises
    for name in names:
        fewer = thaw(left, name, unit or ())
        if list(fewer) == list(left):
            cure = near(name, names_of(frozen.promises), "There are")
            raise typer.BadParameter(f"{name} is not frozen. {cure}.", param_hint="NAME")
        left = fewer
    _write(site, Frozen(frozen.issue, tuple(left)))
    thawed = line_count(frozen.promises) - line_count(left)
    typer.echo(f"{_are(thawed, 'thawed')}, {line_count(left)} stay frozen in {site / FILE}")


def _are(items: int, what: str) -> str:
    return f"{counted(items, 'item is', 'items are')} {what}"


def _all_found(names: Iterable[str], option: str, find: Callable[[str], list[Promise]]) -> None:
    for name in names:
        if not find(name):
            raise typer.BadParameter(f"the map has no {name}", param_hint=option)


def _write(site: Path, frozen: Frozen) -> None:
    """Put the whole file in the place of the old one, so that no reader ever sees half of it. Raises CannotWrite."""
    path = site / FILE
    fresh = path.with_name(f"{FILE}.new")
    try:
        with fresh.open("w", encoding="utf-8") as file:
            file.write(frozen_text(frozen))
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except OSError as error:
        raise CannotWrite(f"cannot write {path}: {error.strerror}. Make the folder one you may write into.") from error


def compare(
    old: Annotated[Path, typer.Argument(help="a site's folder, its map.frozen.yaml, or a list saved by map --as json")],
    new: Annotated[Path, typer.Argument(help="the same, of the map as it is to be")],
    form: Annotated[ChangeForm, typer.Option("--as", help="what to print")] = ChangeForm.TABLE,
) -> None:
    """Say what plant software would find moved, changed, gone, new or no longer readable; code 4 where anything is."""
    (before, could), (after, can) = _map(old), _map(new)
    found, reach = differences(before, after), changed_reach(could, can, before, after)
    if old.name == FILE:  # only what is frozen can be held against a whole map
        found = [each for each in found if each.was is not None]
        reach = [run for run in reach if not run.readable]
    if form is ChangeForm.JSON:
        typer.echo(changes_json(found, reach), nl=False)
    elif found or reach:
        print_rows(CHANGE_COLUMNS, change_rows(found, reach))
    if form is ChangeForm.TABLE:
        same = len(before) - sum(each.was is not None for each in found)
        typer.echo(f"{counted(len(found) + len(reach), 'difference')}; {_are(same, 'as before')}")
    if found or reach:
        raise typer.Exit(DIFFERENT)


def _map(path: Path) -> tuple[list[Line], Reach]:
    """The items of a map, and what of it can be read."""
    if path.is_dir():
        promises: Sequence[Promise] = promises_of(load(path, hold_frozen=False).declared.devices)
    elif path.suffix == ".json":
        return saved_map(path)
    else:
        promises = read_frozen_file(path).promises
    return [line for promise in promises for line in promise.lines()], Reach.of_promises(promises)
