"""Listeners from site.yaml: no two on one port of one address."""

from __future__ import annotations

import ipaddress

from aggregator.config.document import Document
from aggregator.config.files import SiteKeys
from aggregator.config.findings import Findings

LOOPBACK = ipaddress.IPv4Address("127.0.0.1")


def check_listeners(keys: SiteKeys, file: Document, findings: Findings) -> None:
    """Find every two listeners of which the second could not be opened."""
    for at, each in enumerate(keys.listeners):
        for before, other in enumerate(keys.listeners[:at]):
            if _clash(each.tcp, other.tcp):
                first = file.place("listeners", before, "tcp").short
                what = f"port {each.tcp[1]} of {each.tcp[0]} is listened on in {first} too"
                findings.wrong(file.place("listeners", at, "tcp"), what, "Remove one of them, or give it another port")
                break


def _clash(one: tuple[str, int], other: tuple[str, int]) -> bool:
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
