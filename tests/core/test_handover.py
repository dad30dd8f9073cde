"""A site's files taken anew while it runs: what goes on, and what begins."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.address_map import Table
from aggregator.core.alarm import Alarm, Alarms, Kind, Priority
from aggregator.core.alarm_state import State
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, Reason
from aggregator.core.response import set_setpoint
from aggregator.core.site import Declared, Site

SiteOf = Callable[..., Site]
Send = Callable[..., list[str]]
Later = Callable[[float], Now]
GOOD = {"flow": 12.5, "volume": 100, "methane": 1.0}
METHANE = 2
HIGH = Alarm("FT-101", "methane high", Kind.HIGH, Priority.HIGH, METHANE, 20.0, 2.0, may_be=(10.0, 30.0))


def anew(site: Site, now: Now, **changes: object) -> Site:
    return taken_over(replace(site.declared, **changes), now, site)  # type: ignore[arg-type]


def taken_over(declared: Declared, now: Now, before: Site) -> Site:
    site = Site(declared, now, before)
    site.take_over(before, "test", now)
    return site


def picture(site: Site, now: Now) -> dict[tuple[int, str, int], bytes]:
    """Every register and bit of every device, but the count of reloads."""
    found = {}
    for unit, image in site.images.items():
        for table in (Table.INPUT, Table.HOLDING):
            read = image.read_input_registers if table is Table.INPUT else image.read_holding_registers
            for block in image.device.in_table(table):
                for at in range(block.start, block.end):
                    if (unit, table, at) != (1, Table.INPUT, 36):
                        found[unit, table.key, at] = read(at, 1, now)
    return found


@pytest.fixture
def site(site_of: SiteOf) -> Site:
    plain = site_of(2)
    return Site(replace(plain.declared, alarms=Alarms((HIGH,))), Now(5000.0, 1_795_600_000.0))


def test_the_same_files_change_no_register_but_the_count(site: Site, send: Send, later: Later) -> None:
    send(site, 1, at=10.0, **GOOD)
    send(site, 2, at=900.0, **{**GOOD, "methane": 25.0})
    site.hold_in_test("FT-102", on=True, who="technician", why="calibration", now=later(950))
    site.substitute("FT-101", "flow", 50.0, lasts=3600.0, who="technician", now=later(960))
    before = picture(site, later(1000))
    site = anew(site, later(1000))
    assert picture(site, later(1000)) == before
    assert site.states["FT-102"].held == ("technician", "calibration", later(950).utc)
    assert site.figures.generation == 1
    assert site.annunciator.alarms[HIGH.key].state is State.UNACKNOWLEDGED


@given(at=st.integers(0, 8), readings=st.lists(st.sampled_from([1.0, 19.0, 25.0, 130.0]), min_size=1, max_size=8))
def test_taking_the_same_files_anew_at_any_point_changes_nothing(
    site_of: SiteOf, send: Send, later: Later, at: int, readings: list[float]
) -> None:
    declared = replace(site_of(2).declared, alarms=Alarms((HIGH,)))
    one, other = Site(declared, later(0)), Site(declared, later(0))
    for number, methane in enumerate(readings):
        if number == at:
            other = anew(other, later(600 * number))
        for each in (one, other):
            send(each, number, at=600.0 * number + 1, **{**GOOD, "methane": methane, "volume": number})
            each.tick(later(600 * number + 2))
        end = later(600 * number + 3)
        assert picture(one, end) == picture(other, end)


def test_a_new_meter_begins_and_one_that_is_gone_is_gone(site: Site, send: Send, later: Later) -> None:
    send(site, 1, at=10.0, **GOOD)
    meters = site.declared.meters
    added = replace(meters[1], tag="FT-109", node="70b3d57ed0000009")
    devices = tuple(
        replace(device, blocks=tuple(block for block in device.blocks if block.tag != "FT-102"))
        for device in site.declared.devices
    )
    site = anew(site, later(20), meters=(meters[0], added), devices=devices)
    assert list(site.states) == ["FT-101", "FT-109"]
    assert site.states["FT-109"].reasons & Reason.NEVER_SEEN
    assert site.states["FT-101"].readings[0].value == 12.5


def changed(site: Site, profile: Profile) -> Declared:
    return replace(site.declared, meters=tuple(replace(each, profile=profile) for each in site.declared.meters))


def test_a_field_goes_on_by_its_name_and_unit(site: Site, send: Send, later: Later) -> None:
    send(site, 1, at=10.0, **GOOD)
    plain = site.declared.meters[0].profile
    fields = (replace(plain.fields[0], unit="l/min"), *plain.fields[1:])
    site = taken_over(changed(site, replace(plain, fields=fields)), later(20), site)
    assert [reading.value for reading in site.states["FT-101"].readings[:3]] == [None, 100, 1.0]


def test_another_node_begins_its_frames_anew(site: Site, send: Send, later: Later) -> None:
    send(site, 41, at=10.0, **GOOD)
    first = replace(site.declared.meters[0], node="70b3d57ed0000009")
    site = anew(site, later(20), meters=(first, *site.declared.meters[1:]))
    assert site.states["FT-101"].sequence.last is None
    assert site.states["FT-101"].readings[0].value == 12.5


def test_a_doubled_frame_is_known_after_the_files_were_taken_anew(site: Site, send: Send, later: Later) -> None:
    send(site, 41, at=10.0, **GOOD)
    site = anew(site, later(20))
    send(site, 41, at=21.0, **GOOD)
    assert site.figures.counts.duplicate == 1


def test_a_frame_heard_before_its_node_was_moved_is_no_news_after(site: Site, send: Send, later: Later) -> None:
    send(site, 41, at=10.0, **GOOD)
    first, second = site.declared.meters
    assert first.node
    moved = (replace(first, node=second.node), replace(second, node=first.node))
    site = anew(site, later(20), meters=moved)
    send(site, 41, at=21.0, **GOOD)  # by the same node, now on the other meter
    assert (site.figures.counts.duplicate, site.states["FT-102"].readings[0].value) == (1, None)
    send(site, 42, at=700.0, **{**GOOD, "flow": 77.0})
    assert site.states["FT-102"].readings[0].value == 77.0
    assert site.states["FT-101"].readings[0].value == 12.5


def test_another_reporting_interval_holds_for_the_frames_too(site: Site, later: Later) -> None:
    first = replace(site.declared.meters[0], reports_every=60.0)
    site = anew(site, later(20), meters=(first, *site.declared.meters[1:]))
    assert site.states["FT-101"].sequence.interval == 60.0


def test_a_setpoint_that_was_changed_goes_on_and_a_new_one_of_the_file_holds(site: Site, later: Later) -> None:
    site.respond(lambda alarms: set_setpoint(alarms, alarms.alarms[HIGH.key], 12.0, "panel", later(1)))
    site = anew(site, later(2))
    assert site.annunciator.alarms[HIGH.key].setpoint == 12.0
    site.respond(lambda alarms: set_setpoint(alarms, alarms.alarms[HIGH.key], None, "panel", later(3)))
    site = anew(site, later(4), alarms=Alarms((replace(HIGH, setpoint=25.0),)))
    assert site.annunciator.alarms[HIGH.key].setpoint == 25.0


def test_an_alarm_declared_anew_for_a_meter_in_test_is_out_of_service(site: Site, later: Later) -> None:
    site.hold_in_test("FT-101", on=True, who="technician", now=later(1))
    more = replace(HIGH, name="methane high-high", kind=Kind.HIGH_HIGH, setpoint=40.0)
    site = anew(site, later(2), alarms=Alarms((HIGH, more)))
    assert site.annunciator.alarms[more.key].state is State.OUT_OF_SERVICE


def events(site: Site) -> Iterable[str]:
    return [note.event for note in site.take_notes()]


def test_the_journal_says_what_was_taken_and_what_was_refused(site: Site, later: Later) -> None:
    site = anew(site, later(1))
    site.refuse_files(3, "operator", later(2))
    assert events(site) == ["files taken anew", "changed files refused"]
    assert site.figures.figure("state", later(2)) == 8
    assert anew(site, later(3)).figures.figure("state", later(3)) == 0
