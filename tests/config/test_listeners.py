"""Two listeners on one port of one address: the second could never be opened."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.config import load
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
