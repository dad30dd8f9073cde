"""The commands about the register device: the list of its registers, and what they hold now."""

from __future__ import annotations

import json
import ssl
import time
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from aggregator.cli.app import Folder, write
from aggregator.config.configuration import Configuration, load
from aggregator.config.files import SerialKeys
from aggregator.core.address_map import Device
from aggregator.core.slip import no_meter
from aggregator.poller import Line, NotAnswered, Poller, Road, lines, over_serial, over_tcp, over_tls, tls_context
from aggregator.register_list import RegisterList, csv_text, html_text, json_text, markdown_text
from aggregator.terminal.listed import print_list
from aggregator.terminal.polled import print_lines, watch_lines

Unit = Annotated[
    str | None,
    typer.Option("--unit", help="unit id or name of a device; default: the first of map.yaml", metavar="UNIT"),
]


class ListForm(StrEnum):
    """What the register list comes out as."""

    TABLE = "table"
    CSV = "csv"
    MARKDOWN = "markdown"
    HTML = "html"
    JSON = "json"


TEXTS = {
    ListForm.TABLE: markdown_text,
    ListForm.CSV: csv_text,
    ListForm.MARKDOWN: markdown_text,
    ListForm.HTML: html_text,
    ListForm.JSON: json_text,
}


class Parity(StrEnum):
    """The parity bit of each character on a serial line."""

    EVEN = "even"
    ODD = "odd"
    NONE = "none"


def show_map(
    site: Folder = Path("config"),
    form: Annotated[ListForm, typer.Option("--as", help="what to print")] = ListForm.TABLE,
    unit: Annotated[
        str | None, typer.Option("--unit", help="one device only, by its unit id or name", metavar="UNIT")
    ] = None,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="a file instead of the screen")] = None,
) -> None:
    """Print the register list: every address, its type, scale, meter and meaning."""
    configuration = load(site)
    listed = RegisterList.of(configuration.declared, None if unit is None else device_of(configuration, unit))
    if form is ListForm.TABLE and output is None:
        print_list(listed)
        return
    write(TEXTS[form](listed), output)


def poll(
    site: Folder = Path("config"),
    host: Annotated[str | None, typer.Option(help="where the device listens; default: site.yaml's listener")] = None,
    port: Annotated[int | None, typer.Option(help="its port; default: site.yaml's listener", min=1, max=65535)] = None,
    unit: Unit = None,
    tag: Annotated[list[str] | None, typer.Option(help="only this meter; may be given again")] = None,
    watch: Annotated[float | None, typer.Option(help="poll again every so many seconds", min=0.1)] = None,
    most: Annotated[int, typer.Option(help="registers a read may ask for", min=4, max=125)] = 125,
    as_json: Annotated[bool, typer.Option("--json", help="one JSON object a field and line")] = False,
    tls: Annotated[bool, typer.Option("--tls", help="over TLS; site.yaml's listener with `tls:` by default")] = False,
    certificate: Annotated[str | None, typer.Option(help="PEM file to show over TLS", metavar="PATH")] = None,
    key: Annotated[str | None, typer.Option(help="PEM file of its key", metavar="PATH")] = None,
    ca: Annotated[str | None, typer.Option(help="PEM file of who signs the listener's", metavar="PATH")] = None,
    serial: Annotated[str | None, typer.Option(help="a port at the far end of a serial line, instead")] = None,
    baud: Annotated[int | None, typer.Option(help="of the serial line; default: site.yaml's, else 19200")] = None,
    parity: Annotated[Parity | None, typer.Option(help="of the serial line; default: site.yaml's, else even")] = None,
    stop_bits: Annotated[
        int | None, typer.Option(help="of the serial line; default: site.yaml's", min=1, max=2)
    ] = None,
) -> None:
    """Read a running device through the map, as plant software would, and print values, quality and age."""
    configuration = load(site)
    device = device_of(configuration, unit)
    known = [meter.tag for meter in configuration.declared.meters]
    for each in tag or []:
        if each not in known:
            raise typer.BadParameter(no_meter(each, known), param_hint="--tag")
    line = LineOptions(serial, baud, parity, stop_bits)
    shown = ShownOptions(tls, certificate, key, ca)
    if serial and (host or port or shown.any):
        raise typer.BadParameter(
            "--host, --port and what is said of TLS are of a network; leave them out", param_hint="--serial"
        )
    road = (
        _over_serial(configuration, line) if serial else _over_network(configuration, device, line, shown, host, port)
    )
    poller = Poller(device, road, most_registers=most)
    try:
        _poll(configuration, poller, tag or [], watch, as_json=as_json)
    finally:
        poller.close()


@dataclass(frozen=True, slots=True)
class LineOptions:
    """The options of a serial line, each None where it was not given."""

    port: str | None
    baud: int | None
    parity: Parity | None
    stop_bits: int | None


@dataclass(frozen=True, slots=True)
class ShownOptions:
    """The options of TLS, each None where it was not given."""

    wanted: bool
    certificate: str | None
    key: str | None
    ca: str | None

    @property
    def any(self) -> bool:
        """Whether one of them was given."""
        return self.wanted or bool(self.certificate or self.key or self.ca)

    def context(self) -> ssl.SSLContext:
        """What they make. Raises BadParameter where one is missing: both ends show certificates."""
        if not (self.certificate and self.key and self.ca):
            raise typer.BadParameter("give --certificate, --key and --ca with it", param_hint="--tls")
        return tls_context(self.ca, self.certificate, self.key)


def _over_serial(configuration: Configuration, line: LineOptions) -> Road:
    """The road along a serial line, with the settings of the site's first one where the options say nothing else."""
    assert line.port
    lines = (listener.serial for listener in configuration.service.listeners)
    keys = next((each for each in lines if each), SerialKeys(port=line.port))
    if line.parity:
        keys = keys.model_copy(update={"parity": line.parity.value, "stop_bits": None})
    return over_serial(line.port, line.baud or keys.baud, keys.parity, line.stop_bits or keys.stop_bits_sent)


def _over_network(
    configuration: Configuration,
    device: Device,
    line: LineOptions,
    shown: ShownOptions,
    host: str | None,
    port: int | None,
) -> Road:
    """The road to a device's listener: one over TLS where any option of TLS is given, else a plain one."""
    for name, given in (("--baud", line.baud), ("--parity", line.parity), ("--stop-bits", line.stop_bits)):
        if given is not None:
            raise typer.BadParameter("it is said of a serial line; name its port with --serial", param_hint=name)
    context = shown.context() if shown.any else None
    of_kind = [each for each in configuration.service.listeners if each.tcp and bool(each.tls) == shown.any]
    serving = (each for each in of_kind if each.devices is None or device.name in each.devices)
    listener = next(serving, of_kind[0] if of_kind else None)
    if listener is None and not (host and port):
        raise _no_such_listener(configuration, shown)
    if listener is not None and listener.tcp:
        host, port = host or listener.own_host, port or listener.tcp[1]
    return over_tls(host or "", port or 0, context) if context else over_tcp(host or "", port or 0)


def _no_such_listener(configuration: Configuration, shown: ShownOptions) -> typer.BadParameter:
    if shown.any:
        return typer.BadParameter("no listener of site.yaml has `tls:`; name --host and --port", param_hint="--tls")
    if any(each.tls for each in configuration.service.listeners):
        what = "the site is served over TLS only; give --tls with --certificate, --key and --ca"
        return typer.BadParameter(what, param_hint="--tls")
    what = "the site is served along serial lines only; name a port at the far end of one"
    return typer.BadParameter(what, param_hint="--serial")


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
        print_lines(configuration, once())
    else:
        watch_lines(configuration, once, watch)


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


def device_of(configuration: Configuration, unit: str | None) -> Device:
    """The device of a name or a unit id, by default the first. Raises BadParameter where there is none, or several."""
    devices = configuration.declared.devices
    if unit is None:
        return devices[0]
    named = [device for device in devices if device.name == unit]
    found = named or [device for device in devices if str(device.unit_id) == unit]
    if len(found) == 1:
        return found[0]
    called = ", ".join(_called(device) for device in found or devices)
    what = f"several devices have unit {unit}; name one of" if found else f"map.yaml has no device {unit}; it has"
    raise typer.BadParameter(f"{what} {called}", param_hint="--unit")


def _called(device: Device) -> str:
    return device.name if device.name == str(device.unit_id) else f"{device.name} (unit {device.unit_id})"
