"""How far a meter is: only what came of the node and the meter that are there now counts as heard."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import pytest

from aggregator.core.device_code import DeviceCode
from aggregator.core.errors import CannotLink
from aggregator.core.keeping import Kept, KeptLink, Remembered
from aggregator.core.link_progress import Stage, progress_of
from aggregator.core.reading import Now
from aggregator.core.site import Site

OLD, NEW = "70b3d57ed0000009", "70b3d57ed0000008"
WHO = "fitter"

Send = Callable[..., list[str]]
Later = Callable[[float], Now]


@pytest.fixture
def site(site_of: Callable[..., Site], start: Now) -> Site:
    """One meter, which the file does not link."""
    declared = site_of(1).declared
    meters = tuple(replace(meter, node=None) for meter in declared.meters)
    return Site(replace(declared, meters=meters), start)


def link(site: Site, node: str, now: Now, **more: Any) -> None:
    site.arrange(lambda linking: linking.link("FT-101", DeviceCode(node), WHO, now, **more))


def swap_node(site: Site, now: Now, **more: Any) -> None:
    site.arrange(lambda linking: linking.swap_node("FT-101", DeviceCode(NEW), WHO, now, **more))


def swap_meter(site: Site, now: Now) -> None:
    site.arrange(lambda linking: linking.swap_meter("FT-101", {}, WHO, now))


def unlink(site: Site, now: Now) -> None:
    site.arrange(lambda linking: linking.unlink("FT-101", WHO, now))


def seen(site: Site, now: Now) -> tuple[Stage, float | None]:
    row = progress_of(site.states["FT-101"], site.linking, now)
    return row.stage, row.age


@pytest.mark.parametrize("ahead", [0.0, 5.0])  # s by which the network's clock goes before the gateway's
def test_what_the_old_node_sent_just_before_the_exchange_is_not_heard_of_the_new_one(
    site: Site, send: Send, message: Callable[..., bytes], later: Later, ahead: float
) -> None:
    link(site, OLD, later(0.0))
    site.receive("lns/a/up", message(1, node=9, at=900.0 + ahead, flow=12.5), retained=False, now=later(900.0))
    assert seen(site, later(900.1))[0] is Stage.HEARD
    swap_node(site, later(900.2))
    assert seen(site, later(900.3)) == (Stage.LINKED, None)
    send(site, 1, node=8, at=960.0, flow=13.5)
    assert seen(site, later(970.0)) == (Stage.HEARD, 10.0)


def test_nor_where_the_new_one_is_said_to_have_sat_there_before_that(site: Site, send: Send, later: Later) -> None:
    link(site, OLD, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    swap_node(site, later(1000.0), since=later(600.0).utc)
    assert seen(site, later(1000.0)) == (Stage.LINKED, None)


def test_nor_does_the_old_ones_reading_verify_the_new_one(site: Site, send: Send, later: Later) -> None:
    link(site, OLD, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    swap_node(site, later(1000.0), since=later(600.0).utc)
    with pytest.raises(CannotLink, match=f"node {NEW} has sent no flow for FT-101 yet"):
        site.arrange(lambda linking: linking.verify("FT-101", {"flow": 12.5}, WHO, later(1010.0)))
    send(site, 1, node=8, at=1060.0, flow=12.5)
    site.arrange(lambda linking: linking.verify("FT-101", {"flow": 12.5}, WHO, later(1070.0)))
    assert seen(site, later(1070.0))[0] is Stage.VERIFIED


def test_a_network_whose_clock_goes_behind_makes_no_uplink_one_of_the_node_before(
    site: Site, message: Callable[..., bytes], later: Later
) -> None:
    link(site, OLD, later(100.0))
    site.receive("lns/a/up", message(1, node=9, at=90.0, flow=12.5), retained=False, now=later(110.0))
    assert seen(site, later(110.0)) == (Stage.HEARD, 20.0)


def test_another_meter_was_not_heard_by_what_the_old_one_showed(site: Site, send: Send, later: Later) -> None:
    link(site, OLD, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    swap_meter(site, later(900.2))
    assert seen(site, later(900.3)) == (Stage.LINKED, None)
    send(site, 2, node=9, at=960.0, flow=13.5)
    assert seen(site, later(960.0)) == (Stage.HEARD, 0.0)


def test_a_node_taken_off_and_put_back_is_heard_once_it_reports_again(site: Site, send: Send, later: Later) -> None:
    link(site, OLD, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    unlink(site, later(900.1))
    assert seen(site, later(900.2)) == (Stage.NOT_YET, None)
    link(site, OLD, later(900.3))
    assert seen(site, later(900.4)) == (Stage.LINKED, None)


def exchanged(site: Site, now: Now) -> None:
    swap_node(site, now)


def untouched(_site: Site, _now: Now) -> None:
    pass


@pytest.mark.parametrize(
    ("act", "stage"),
    [(untouched, Stage.HEARD), (exchanged, Stage.LINKED), (swap_meter, Stage.LINKED)],
)
@pytest.mark.parametrize("way", ["restart", "files taken anew"])
def test_so_it_is_after_a_restart_and_when_the_files_are_taken_anew(
    site: Site,
    send: Send,
    later: Later,
    remembered: Callable[[Iterable[Kept]], dict[str, Remembered]],
    act: Callable[[Site, Now], None],
    stage: Stage,
    way: str,
) -> None:
    link(site, OLD, later(0.0))
    send(site, 1, node=9, at=900.0, flow=12.5)
    act(site, later(900.2))
    if way == "restart":
        anew = Site(site.declared, later(1000.0))
        anew.restore(kept_of(site, remembered), later(1000.0))
    else:
        anew = Site(site.declared, later(1000.0), site)
        anew.take_over(site, WHO, later(1000.0))
    assert seen(anew, later(1000.0))[0] is stage


def kept_of(site: Site, fold: Callable[[Iterable[Kept]], dict[str, Remembered]]) -> dict[str, Remembered]:
    """What a store gives back after a restart, the links with it."""
    kept = site.take_kept()
    found = fold(each for each in kept if not isinstance(each, KeptLink))
    newest = {each.number: each for each in kept if isinstance(each, KeptLink)}
    for each in newest.values():
        found.setdefault(each.tag, Remembered()).links.append(each)
    return found


def test_a_meter_of_the_file_is_heard_by_its_node_from_the_beginning(
    site_of: Callable[..., Site], send: Send, later: Later
) -> None:
    site = site_of(1)
    assert seen(site, later(0.0)) == (Stage.LINKED, None)
    send(site, 1, at=900.0, flow=12.5)
    assert seen(site, later(910.0)) == (Stage.HEARD, 10.0)
    swap_meter(site, later(920.0))
    assert seen(site, later(930.0)) == (Stage.LINKED, None)
