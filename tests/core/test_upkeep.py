"""What meters need, by the figures that their nodes and profiles give."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from aggregator.core.meter import Meter, MeterState
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, Times
from aggregator.core.upkeep import DAY, LEAST_SNR, Upkeep, margin_of, upkeep_of
from aggregator.core.uplink import Radio

NODE = "70b3d57ed0000001"


@pytest.fixture
def state(meter_of: Callable[..., Meter], watchful: Profile) -> Callable[..., MeterState]:
    def build(**meter: object) -> MeterState:
        return MeterState(replace(meter_of(profile=watchful, node=NODE), **meter))  # type: ignore[arg-type]

    return build


def heard(state: MeterState, now: Now, radio: Radio = Radio(-90.0, 5.0, 7), **values: float) -> None:  # noqa: B008 - frozen
    times = Times(None, None, now.utc, now.monotonic)
    pairs = [(state.meter.profile.index_of(name), value) for name, value in values.items()]
    state.take(state.judge(pairs, times, 0), times, radio, 1)  # type: ignore[arg-type]


def kinds(found: Upkeep) -> list[str]:
    return [need.kind for need in found.needs]


@pytest.mark.parametrize(("factor", "least"), [(7, -7.5), (8, -10), (9, -12.5), (10, -15), (11, -17.5), (12, -20)])
def test_a_frame_at_the_limit_of_its_spreading_factor_has_nothing_to_spare(factor: int, least: float) -> None:
    """SX1276 data sheet, table 13: SNR that the demodulator needs."""
    assert margin_of(least, factor) == 0
    assert margin_of(least + 3, factor) == 3
    assert set(LEAST_SNR) == {7, 8, 9, 10, 11, 12}


def test_where_nobody_says_how_it_was_heard_there_is_no_margin() -> None:
    assert margin_of(None, 7) is None
    assert margin_of(5.0, None) is None


def test_a_meter_that_is_well_needs_nothing(state: Callable[..., MeterState], start: Now) -> None:
    meter = state()
    heard(meter, start, flow=1.0, volume=5.0, methane=0.5, battery=3.6)
    found = upkeep_of(meter, start)
    assert (kinds(found), found.weight) == ([], 0)
    assert (found.battery, found.battery_low, found.margin, found.heard) == (3.6, 3.0, 12.5, start.utc)


def test_needs_are_told_worst_first_with_their_figures(
    state: Callable[..., MeterState], start: Now, later: Callable[[float], Now]
) -> None:
    meter = state(calibration_due=start.utc + 10 * DAY)
    assert kinds(upkeep_of(meter, start)) == ["never heard", "calibration due"]
    heard(meter, start, Radio(-120.0, -6.0, 7), flow=1.0, volume=5.0, methane=0.5, battery=2.9)
    found = upkeep_of(meter, start)
    assert [(need.kind, need.value) for need in found.needs] == [
        ("battery low", 2.9),
        ("weak link", 1.5),
        ("calibration due", 10.0),
    ]
    now = later(20 * DAY)
    meter.expire(now.monotonic)
    found = upkeep_of(meter, now)
    assert kinds(found)[0] == "silent"
    assert found.needs[0].value == 20 * DAY
    assert "calibration overdue" in kinds(found)
    assert found.weight > upkeep_of(state(), start).weight


def test_many_lost_uplinks_are_a_need_of_their_own(state: Callable[..., MeterState], start: Now) -> None:
    meter = state()
    heard(meter, start, flow=1.0, volume=5.0, methane=0.5, battery=3.6)
    meter.sequence.loss.note(start.utc, 80, 20)
    found = upkeep_of(meter, start)
    assert [(need.kind, need.value) for need in found.needs] == [("uplinks lost", 20.0)]
    assert math.isclose(found.loss or 0.0, 20.0)


def test_a_meter_without_a_node_needs_one_before_all_else(state: Callable[..., MeterState], start: Now) -> None:
    never = upkeep_of(state(node=None), start)
    assert (kinds(never), never.node) == (["no node"], None)
    assert never.weight > upkeep_of(state(), start).weight  # one that is silent
    meter = state()
    heard(meter, start, flow=1.0, volume=5.0, methane=0.5, battery=2.9)
    assert upkeep_of(meter, start).node == NODE
    meter.seat(None, start.utc)
    found = upkeep_of(meter, start)
    assert (kinds(found), found.battery, found.node) == (["no node"], None, None)  # the battery went with the node


def test_a_battery_without_a_limit_is_found_by_its_name(state: Callable[..., MeterState], start: Now) -> None:
    fields = [replace(each, low_below=None) for each in state().meter.profile.fields]
    meter = state(profile=replace(state().meter.profile, fields=tuple(fields)))
    heard(meter, start, flow=1.0, volume=5.0, methane=0.5, battery=2.9)
    found = upkeep_of(meter, start)
    assert (found.battery, found.battery_unit, found.battery_low, kinds(found)) == (2.9, "V", None, [])
    fields[3] = replace(fields[3], name="cell")
    other = state(profile=replace(state().meter.profile, fields=tuple(fields)))
    assert upkeep_of(other, start).battery_unit == ""
