"""A running total in registers: it stands where its reading does not, and tells what does not fit."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from aggregator.core.profile import Profile
from aggregator.core.reading import Now, Reason
from aggregator.core.site import Site

SiteOf = Callable[..., Site]
Send = Callable[..., list[str]]
Registers = Callable[..., tuple[int, ...]]
Later = Callable[[float], Now]
TOTAL, STATUS, VOLUME_STATUS = 121, 100, 108


@pytest.fixture
def site(site_of: SiteOf, watchful: Profile) -> Site:
    return site_of(profile=watchful)


def test_a_total_that_never_began_is_no_value(site: Site, registers: Registers) -> None:
    assert registers(site.images[1], TOTAL, 2) == (0xFFFF, 0xFFFF)


def test_a_total_goes_on_where_the_counter_comes_round(
    site: Site, send: Send, registers: Registers, later: Later
) -> None:
    send(site, 1, volume=990)
    assert registers(site.images[1], TOTAL, 2) == (0, 990)
    assert send(site, 2, at=900.0, volume=20) == ["counter wrapped"]
    assert registers(site.images[1], TOTAL, 2, later(900)) == (0, 1020)
    assert registers(site.images[1], VOLUME_STATUS, 1, later(900)) == (1,)


def test_a_held_value_moves_no_total_and_is_flagged(site: Site, send: Send, registers: Registers, later: Later) -> None:
    send(site, 1, volume=500)
    send(site, 2, at=900.0, volume=3)
    assert registers(site.images[1], TOTAL, 2, later(900)) == (0, 500)
    assert registers(site.images[1], VOLUME_STATUS, 1, later(900)) == (Reason.JUMPED | 2,)


def test_a_total_stands_when_its_reading_is_stale(site: Site, send: Send, registers: Registers, later: Later) -> None:
    send(site, 1, volume=500)
    site.tick(later(1e5))
    assert registers(site.images[1], VOLUME_STATUS, 1, later(1e5)) == (Reason.STALE | 2,)
    assert registers(site.images[1], TOTAL, 2, later(1e5)) == (0, 500)


def test_a_total_beyond_its_register_is_clamped_and_says_so(site: Site, registers: Registers, later: Later) -> None:
    site.set_total("FT-101", "volume", 5e9, 0.0, who="shift", now=later(0))
    assert registers(site.images[1], TOTAL, 2) == (0xFFFF, 0xFFFE)
    assert registers(site.images[1], STATUS, 1)[0] & Reason.CLAMPED
