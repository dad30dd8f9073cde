"""The commands about the register device: the list of its registers, and what they hold now."""

from __future__ import annotations

import json
import time
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from aggregator import terminal
from aggregator.cli.app import Folder, write
from aggregator.config import Configuration, load
from aggregator.core.address_map import Device
from aggregator.poller import Line, NotAnswered, Poller, lines
from aggregator.register_list import RegisterList

Unit = Annotated[int | None, typer.Option("--unit", help="unit id; default: the first device of map.yaml")]


class ListForm(StrEnum):
    """What the register list comes out as."""

    TABLE = "table"
    CSV = "csv"
    MARKDOWN = "markdown"
    HTML = "html"
    JSON = "json"


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
    write(texts[form](), output)


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
    listener = configuration.service.listeners[0]
    poller = Poller(device, host or listener.own_host, port or listener.tcp[1], most_registers=most)
    try:
        _poll(configuration, poller, tag or [], watch, as_json=as_json)
    finally:
        poller.close()


def _poll(configuration: Configuration, poller: Poller, tags: list[str], watch: float | None, *, as_json: bool) -> None:
    def once() -> list[Line]:
        """Poll. While watching, a device that does not answer is said not to, and asked again."""
        try:
            return lines(poller.poll(tags))
        except NotAnswered as error:
            if watch is None:
                raise
            typer.echo(error, err=True)
            return []

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
            "quality of": "field" if line.own_status else "meter",
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
