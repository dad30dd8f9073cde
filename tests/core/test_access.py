"""Rights and the networks they are given to. Networks in CIDR form: RFC 4632, RFC 4291; addresses of RFC 5737, 3849."""

from __future__ import annotations

from ipaddress import ip_network

import pytest

from aggregator.core.access import (
    EVERYTHING,
    NEEDS,
    NOTHING,
    RIGHT_NAMES,
    Access,
    Party,
    Right,
    Roles,
    Rule,
    names_of,
    right_to_write,
    rights_named,
)
from aggregator.core.address_map import Item, Shows, Table
from aggregator.core.functions import SERVES, WRITES, respond
from aggregator.core.meter import UNDER_TEST
from aggregator.core.reading import Now
from aggregator.core.site import Site
from tests.core.conftest import FIRST

NOW = Now(5000.0, 1_795_600_000.0)
READER = Party("192.0.2.8", Right.READ)
ACKNOWLEDGER = Party("192.0.2.9", Right.READ | Right.ACKNOWLEDGE)


@pytest.fixture
def access() -> Access:
    return Access(
        [
            Rule(ip_network("192.0.2.0/24"), Right.READ),
            Rule(ip_network("192.0.2.64/26"), Right.READ | Right.COMMAND),
            Rule(ip_network("192.0.2.70/32"), Right.READ | Right.ACKNOWLEDGE),
            Rule(ip_network("2001:db8::/32"), Right.READ),
        ]
    )


@pytest.mark.parametrize(
    ("host", "rights"),
    [
        ("192.0.2.7", Right.READ),
        ("192.0.2.65", Right.READ | Right.COMMAND),
        ("192.0.2.70", Right.READ | Right.ACKNOWLEDGE),
        ("192.0.2.127", Right.READ | Right.COMMAND),
        ("192.0.2.128", Right.READ),
        ("2001:db8::1", Right.READ),
        ("::ffff:192.0.2.65", Right.READ | Right.COMMAND),  # IPv4-mapped, RFC 4291 section 2.5.5.2
        ("198.51.100.1", None),
        ("::1", None),
        ("?", None),
    ],
)
def test_the_smallest_network_that_holds_an_address_counts(access: Access, host: str, rights: Right | None) -> None:
    assert access.rights_of(host) == rights


def test_the_same_rights_for_all_hold_for_both_kinds_of_address() -> None:
    access = Access.for_all(Right.READ)
    assert [access.rights_of(host) for host in ("198.51.100.1", "2001:db8::1", "fe80::1%eth0")] == [Right.READ] * 3


def test_whoever_may_write_may_read_too() -> None:
    assert rights_named(["command"]) == Right.READ | Right.COMMAND
    assert rights_named(RIGHT_NAMES) == EVERYTHING
    assert names_of(EVERYTHING) == list(RIGHT_NAMES) == ["read", "acknowledge", "command"]


@pytest.mark.parametrize("function", WRITES)
def test_every_write_without_a_right_is_answered_as_if_the_function_were_not_there(trial: Site, function: int) -> None:
    """Exception 01 for what a role may not do (MODBUS/TCP Security v21, from memory), whatever else is wrong."""
    image = trial.images[1]
    for rest in (b"", bytes.fromhex("00 64 FF 00"), bytes.fromhex("FF FF 00 00"), bytes(20)):
        assert respond(image, bytes([function]) + rest, READER, NOW) == bytes([function | 0x80, 1])


@pytest.mark.parametrize("function", SERVES)
def test_who_may_nothing_is_answered_nothing(trial: Site, function: int) -> None:
    nobody = Party("192.0.2.1", NOTHING)
    assert respond(trial.images[1], bytes([function, 0, FIRST, 0, 1]), nobody, NOW) == bytes([function | 0x80, 1])


def test_a_coil_that_commands_needs_more_than_the_right_to_acknowledge(trial: Site) -> None:
    image = trial.images[1]
    write = bytes.fromhex("05") + FIRST.to_bytes(2, "big") + bytes.fromhex("FF 00")
    assert respond(image, write, ACKNOWLEDGER, NOW) == bytes.fromhex("85 01")
    assert not trial.states["FT-101"].reasons & UNDER_TEST
    assert respond(image, write, Party("192.0.2.10", EVERYTHING), NOW) == write
    assert [note.event for note in trial.take_notes()] == ["meter taken into test", "register written"]


def test_registers_need_their_right_too(trial: Site) -> None:
    image = trial.images[1]
    write = bytes.fromhex("06 00 00 00 01")
    assert respond(image, write, ACKNOWLEDGER, NOW) == bytes.fromhex("86 01")
    assert respond(image, write, Party("192.0.2.10", EVERYTHING), NOW) == write


def test_what_is_not_listed_needs_the_right_to_command() -> None:
    assert Shows.VALUE not in NEEDS
    assert right_to_write(Item(Table.HOLDING, 0, Shows.VALUE, "flow")) is Right.COMMAND


def test_a_role_may_what_is_declared_for_it_and_any_other_nothing() -> None:
    """MODBUS/TCP Security v21 (from memory): a certificate without one hands on no role, and the rules decide."""
    roles = Roles({"operator": Right.READ | Right.COMMAND}, without=Right.READ)
    asked = ("operator", "Operator", "operator ", "", None)
    assert [roles.rights_of(role) for role in asked] == [Right.READ | Right.COMMAND, *[Right(0)] * 3, Right.READ]
    assert Roles({}).rights_of(None) == Right(0)
