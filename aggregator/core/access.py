"""Who may do what: rights, who holds them, and the networks they are given to.

    read           every function that changes nothing
    acknowledge    write what acknowledges alarms or silences the sounder
    command        write everything else: take into test, reset, set, switch

Whoever may write may read too. A request that nobody has given the right for is answered with exception 01, as for a
function that is not there (MODBUS/TCP Security specification v21, role-based authorization; clause from memory).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import Flag
from typing import Final, NamedTuple, Protocol

from aggregator.core.address_map import Item, Shows

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address


class Right(Flag):
    """What somebody may do; several are one value."""

    READ = 1
    ACKNOWLEDGE = 2
    COMMAND = 4


NOTHING: Final = Right(0)
EVERYTHING: Final = Right.READ | Right.ACKNOWLEDGE | Right.COMMAND
RIGHT_NAMES: Final = tuple(right.name.lower() for right in Right if right.name)
WRITING: Final = Right.ACKNOWLEDGE | Right.COMMAND
NEEDS: Final[Mapping[Shows, Right]] = {Shows.ACKNOWLEDGE: Right.ACKNOWLEDGE, Shows.SILENCE: Right.ACKNOWLEDGE}


def right_to_write(item: Item) -> Right:
    """The right that a write of an item needs: `command`, unless it is an operator's acknowledgement."""
    return NEEDS.get(item.shows, Right.COMMAND)


def rights_named(names: Iterable[str]) -> Right:
    """Rights by their names; whoever may write may read too."""
    rights = NOTHING
    for name in names:
        rights |= Right[name.upper()] | Right.READ
    return rights


def names_of(rights: Right) -> list[str]:
    """The names of rights, in the order of their declaration."""
    return [right.name.lower() for right in Right if right in rights and right.name]


class Look(NamedTuple):
    """A read that somebody has made of a device's tables: function, addresses, and when last (monotonic s)."""

    tables: object
    function: int
    start: int
    quantity: int
    at: float


class Witness(Protocol):
    """Whoever can tell what somebody has read."""

    def looks(self) -> Iterator[Look]:
        """Every read that is known of them, in any order."""


@dataclass(frozen=True, slots=True)
class Party:
    """Whoever asks: `name` as records have it, what they may do, and who can tell what they have read."""

    name: str
    may: Right
    witness: Witness | None = field(default=None, compare=False, repr=False)
    reads: bool = field(init=False, compare=False)
    writes: bool = field(init=False, compare=False)

    def __post_init__(self) -> None:
        """Work out once what each request asks for."""
        object.__setattr__(self, "reads", Right.READ in self.may)
        object.__setattr__(self, "writes", self.reads and bool(self.may & WRITING))

    def may_write(self, item: Item) -> bool:
        """Whether a write of an item is theirs to do."""
        return self.writes and right_to_write(item) in self.may


@dataclass(frozen=True, slots=True)
class Rule:
    """What clients of a network may do."""

    network: Network
    may: Right


@dataclass(frozen=True, slots=True)
class Roles:
    """What the roles in clients' certificates may do: nothing, where one is not declared.

    `without` is what a certificate without a role may do: the specification hands on no role then, and leaves it to
    the rules (MODBUS/TCP Security specification v21; clause from memory).
    """

    rights: Mapping[str, Right]
    without: Right = NOTHING

    def rights_of(self, role: str | None) -> Right:
        """The rights of a role, None for a certificate without one."""
        return self.without if role is None else self.rights.get(role, NOTHING)


class Access:
    """Who may connect, and what for. Of several networks that hold an address, the smallest one counts."""

    def __init__(self, rules: Iterable[Rule]) -> None:
        self._rules = sorted(rules, key=lambda rule: rule.network.prefixlen, reverse=True)

    @classmethod
    def for_all(cls, may: Right) -> Access:
        """The same rights for every address."""
        return cls(Rule(ipaddress.ip_network(every), may) for every in ("0.0.0.0/0", "::/0"))

    def rights_of(self, host: str) -> Right | None:
        """What a client at an address may do; None where it may not even connect."""
        try:
            address = _plain(ipaddress.ip_address(host))
        except ValueError:
            return None
        found = (rule.may for rule in self._rules if address in rule.network)
        return next(found, None)


def _plain(address: IpAddress) -> IpAddress:
    """An IPv4 address as itself where an IPv6 socket has wrapped it (RFC 4291 section 2.5.5.2)."""
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return mapped or address
