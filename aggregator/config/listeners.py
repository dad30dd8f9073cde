"""Listeners from site.yaml: none in another's place, devices that can be told apart, and who may do what there."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence

from aggregator.config.document import Document
from aggregator.config.files import ListenerKeys, ListenerTlsKeys, SiteKeys
from aggregator.config.findings import Findings
from aggregator.core.access import EVERYTHING, Access, Network, Right, Roles, Rule, rights_named
from aggregator.core.address_map import Device
from aggregator.core.errors import Place
from aggregator.core.slip import near

LOOPBACK = ipaddress.IPv4Address("127.0.0.1")


def check_listeners(keys: SiteKeys, file: Document, findings: Findings) -> None:
    """Find every two listeners of which the second could not be opened."""
    for at, each in enumerate(keys.listeners):
        for before, other in enumerate(keys.listeners[:at]):
            if each.tcp and other.tcp and clash(each.tcp, other.tcp):
                first = file.place("listeners", before, "tcp").short
                what = f"port {each.tcp[1]} of {each.tcp[0]} is listened on in {first} too"
                findings.wrong(file.place("listeners", at, "tcp"), what, "Remove one of them, or give it another port")
                break
            if each.serial and other.serial and each.serial.port == other.serial.port:
                first = file.place("listeners", before, "serial").short
                what = f"{each.serial.port} is listened on in {first} too"
                cure = "Remove one of them; one serves as many devices as its `devices:` names"
                findings.wrong(file.place("listeners", at, "serial"), what, cure)
                break
        _check_networks(each, at, file, findings)
    _check_web(keys, file, findings)


def _check_web(keys: SiteKeys, file: Document, findings: Findings) -> None:
    """Find a port for pages that a listener has already."""
    for at, each in enumerate(keys.listeners):
        if keys.web and each.tcp and clash(each.tcp, keys.web.at):
            there = file.place("listeners", at, "tcp").short
            what = f"port {keys.web.at[1]} of {keys.web.at[0]} is listened on in {there} too"
            findings.wrong(file.place("web", "at"), what, "Give the pages another port, as 8080")


def access_of(keys: ListenerKeys) -> Access:
    """Who may connect to a listener, and what for. Over TLS the role has a say too, so a network alone gives all."""
    if keys.allow is None:
        return Access.for_all(EVERYTHING if keys.tls else Right.READ)
    return Access(Rule(network, rights_named(each.may)) for each in keys.allow for network in each.from_)


def roles_of(keys: ListenerTlsKeys) -> Roles:
    """What roles may do at a listener over TLS."""
    rights = {role: rights_named(may) for role, may in keys.roles.items()}
    return Roles(rights, rights_named(keys.without_role or ()))


def _check_networks(keys: ListenerKeys, listener: int, file: Document, findings: Findings) -> None:
    """Find every network that is named twice: nobody could tell which of the two counts."""
    seen: dict[tuple[Network, ...], int] = {}
    for at, each in enumerate(keys.allow or ()):
        before = seen.setdefault(each.from_, at)
        if before != at:
            first = file.place("listeners", listener, "allow", before).short
            what = f"{' and '.join(str(network) for network in each.from_)} is named in {first} too"
            cure = "Put what its clients may do into one entry"
            findings.wrong(file.place("listeners", listener, "allow", at), what, cure)


def check_served(keys: SiteKeys, file: Document, devices: Sequence[Device], findings: Findings) -> None:
    """Find listeners that name devices which are not there or that cannot be told apart, and devices nobody serves."""
    known = {device.name for device in devices}
    first: set[str] = set()
    served: set[str] = set()
    for at, each in enumerate(keys.listeners):
        here = _served(each.devices, file, at, devices, findings)
        _check_unit_ids(here, file.place("listeners", at), findings)
        first |= {device.name for device in here[:1] if each.tcp}
        served |= {device.name for device in here}
    names_known = all(name in known for each in keys.listeners for name in each.devices or ())
    for device in devices:
        if device.name not in served and names_known:
            what = f"no listener serves the device {device.name}"
            findings.wrong(device.place, what, "Add it to the `devices:` of a listener in site.yaml")
        elif device.answers_all_units and device.name not in first:
            what = f"unit {device.unit_id} is not the first device of a listener, and only that can answer all units"
            findings.wrong(device.place, what, "Leave `answers_all_units` out, or put this device first")


def _served(
    names: Sequence[str] | None, file: Document, listener: int, devices: Sequence[Device], findings: Findings
) -> list[Device]:
    if names is None:
        return list(devices)
    known = {device.name: device for device in devices}
    for at, name in enumerate(names):
        place = file.place("listeners", listener, "devices", at)
        if name not in known:
            findings.wrong(place, f"map.yaml has no device `{name}`", near(name, known, "It has"))
        elif name in names[:at]:
            findings.wrong(place, f"the device {name} stands here twice", "Remove one of the two")
    return [known[name] for name in dict.fromkeys(names) if name in known]


def _check_unit_ids(served: Sequence[Device], place: Place, findings: Findings) -> None:
    by_unit: dict[int, Device] = {}
    for device in served:
        before = by_unit.setdefault(device.unit_id, device)
        if before is not device:
            what = f"the devices {before.name} and {device.name} have the same unit id {device.unit_id}"
            findings.wrong(place, what, "Name one of them under `devices:` here, the other at a listener of its own")


def clash(one: tuple[str, int], other: tuple[str, int]) -> bool:
    """Whether two listeners want one port of one address. Port 0 is a new one each time."""
    if one[1] != other[1] or not one[1]:
        return False
    first, second = _address(one[0]), _address(other[0])
    on_all = first.is_unspecified or second.is_unspecified
    return one[0] == other[0] or first == second or (on_all and first.version == second.version)


def _address(host: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    """An address as a number. A name is taken for this machine's: what else it may stand for is known at start only."""
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return LOOPBACK
