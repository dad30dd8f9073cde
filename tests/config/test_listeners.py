"""Listeners: two on one port of one address could never be opened; who may do what there."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.config.configuration import load
from aggregator.config.files import SerialKeys
from aggregator.config.listeners import access_of, roles_of
from aggregator.core.access import EVERYTHING, Right
from aggregator.core.errors import ConfigurationError


def complaints(site: Path, one: str, other: str) -> list[str]:
    path = site / "site.yaml"
    text = path.read_text(encoding="utf-8")
    assert "  - tcp: 127.0.0.1:5020\n" in text
    path.write_text(text.replace("127.0.0.1:5020\n", f'"{one}"\n  - tcp: "{other}"\n'), encoding="utf-8")
    try:
        load(site)
    except ConfigurationError as error:
        return [problem.what for problem in error.problems]
    return []


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("127.0.0.1:5020", "127.0.0.1:5020"),
        ("0.0.0.0:5020", "192.0.2.7:5020"),  # RFC 5737: addresses for documentation
        ("192.0.2.7:5020", ":5020"),
        ("[::1]:5020", "[0:0::1]:5020"),
        ("[::]:5020", "[2001:db8::7]:5020"),  # RFC 3849: addresses for documentation
        ("gateway:5020", "gateway:5020"),
        ("localhost:5020", "127.0.0.1:5020"),
    ],
)
def test_one_port_of_one_address_is_listened_on_once(good_site: Path, one: str, other: str) -> None:
    (what,) = complaints(good_site, one, other)
    assert what.startswith("port 5020 of ")
    assert what.endswith(" is listened on in site.yaml:26 too")


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("127.0.0.1:5020", "127.0.0.1:5021"),
        ("127.0.0.1:5020", "192.0.2.7:5020"),
        ("0.0.0.0:5020", "[::]:5020"),
        ("127.0.0.1:0", "127.0.0.1:0"),  # a new port each time
        ("0.0.0.0:0", "127.0.0.1:0"),
    ],
)
def test_other_ports_and_other_addresses_do_not_clash(good_site: Path, one: str, other: str) -> None:
    assert complaints(good_site, one, other) == []


def rights(site: Path, allow: str, host: str) -> Right | None:
    path = site / "site.yaml"
    text = path.read_text(encoding="utf-8")
    assert "    clients: 8\n" in text
    path.write_text(text.replace("    clients: 8\n", f"    clients: 8\n{allow}"), encoding="utf-8")
    return access_of(load(site).service.listeners[0]).rights_of(host)


def test_where_nothing_is_declared_anybody_may_read_and_nobody_may_write(good_site: Path) -> None:
    assert rights(good_site, "", "192.0.2.7") is Right.READ


@pytest.mark.parametrize(
    ("host", "may"),
    [
        ("192.0.2.7", Right.READ | Right.COMMAND),
        ("192.0.2.8", Right.READ),
        ("198.51.100.1", None),
        ("2001:db8::7", None),
    ],
)
def test_networks_are_let_in_with_their_rights_and_nobody_else(good_site: Path, host: str, may: Right | None) -> None:
    allow = "    allow:\n      - 192.0.2.0/24\n      - {from: 192.0.2.7, may: [command]}\n"
    assert rights(good_site, allow, host) == may


def test_any_is_every_address_of_both_kinds(good_site: Path) -> None:
    access = "    allow: [{from: any, may: [acknowledge]}]\n"
    assert rights(good_site, access, "2001:db8::7") == Right.READ | Right.ACKNOWLEDGE


def serial_lines(site: Path, *lines: str) -> list[SerialKeys | None]:
    path = site / "site.yaml"
    more = "".join(f"  - {line}\n" for line in lines)
    path.write_text(path.read_text(encoding="utf-8").replace("log: {", more + "log: {"), encoding="utf-8")
    return [listener.serial for listener in load(site).service.listeners]


def test_a_serial_line_is_its_port_alone_or_all_there_is_to_say_of_it(good_site: Path) -> None:
    """Left out: 19200 baud and even parity, the defaults of MODBUS over Serial Line V1.02 section 2.5.1."""
    said = (
        "port: /dev/ttyS1, baud: 9600, parity: odd, stop_bits: 2, rs485: yes, turnaround: 10 ms, may: [read, command]"
    )
    network, short, full = serial_lines(good_site, "serial: /dev/ttyUSB0", f"{{serial: {{{said}}}, devices: [1]}}")
    assert network is None
    assert short == SerialKeys(port="/dev/ttyUSB0")
    assert short is not None
    assert (short.baud, short.parity, short.stop_bits_sent, short.rs485) == (19200, "even", 1, False)
    assert (short.may, short.turnaround) == (["read"], None)
    assert full is not None
    assert (full.baud, full.parity, full.stop_bits_sent, full.rs485) == (9600, "odd", 2, True)
    assert (full.may, full.turnaround) == (["read", "command"], 0.01)


def test_without_parity_a_second_stop_bit_is_sent_unless_it_is_said_otherwise(good_site: Path) -> None:
    """A character has 11 bits (MODBUS over Serial Line V1.02 section 2.5.1)."""
    lines = ("serial: {port: /dev/a, parity: none}", "serial: {port: /dev/b, parity: none, stop_bits: 1}")
    _, one, other = serial_lines(good_site, *lines)
    assert one is not None
    assert other is not None
    assert (one.stop_bits_sent, other.stop_bits_sent) == (2, 1)


TLS = "    tls: {certificate: a.pem, key: a.key, client_ca: ca.pem, roles: {operator: [command], viewer: [read]}%s}\n"


def test_over_tls_every_network_may_connect_unless_some_are_named_and_roles_give_the_rights(good_site: Path) -> None:
    assert rights(good_site, TLS % "", "2001:db8::7") == EVERYTHING
    listener = load(good_site).service.listeners[0]
    assert listener.tls is not None
    roles = roles_of(listener.tls)
    asked = ("operator", "viewer", "stranger", "", None)
    expected = [Right.READ | Right.COMMAND, Right.READ, *[Right(0)] * 3]
    assert [roles.rights_of(role) for role in asked] == expected


def test_over_tls_networks_that_are_named_keep_their_say(good_site: Path) -> None:
    allow = "    allow: [192.0.2.0/24]\n" + TLS % ", without_role: [acknowledge]"
    assert rights(good_site, allow, "192.0.2.7") == Right.READ
    listener = load(good_site).service.listeners[0]
    assert listener.tls is not None
    assert roles_of(listener.tls).rights_of(None) == Right.READ | Right.ACKNOWLEDGE
