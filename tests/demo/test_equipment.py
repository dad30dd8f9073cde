"""Simulated equipment: inside its range, repeatable, and totals that are the integral of the flow."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.config.configuration import Configuration
from aggregator.core.profile import Field, Profile
from aggregator.demo.equipment import DAY, Equipment, Plumes, air

HOUR = 3600.0


def of(*fields: Field, seed: str = "a meter") -> Equipment:
    return Equipment(Profile("p", "P", fields), seed)


def test_every_field_of_the_sample_stays_inside_its_range_for_a_day(sample: Configuration) -> None:
    for profile in {meter.profile.name: meter.profile for meter in sample.declared.meters}.values():
        equipment = Equipment(profile, "a meter")
        for hour in range(24):
            for field, value in zip(profile.fields, equipment.read(hour * HOUR), strict=True):
                assert field.low <= value <= field.high, (profile.name, field.name)


def test_the_same_seed_reads_the_same_and_another_one_does_not() -> None:
    fields = (Field("flow", "m3/h", "flow", 0, 650), Field("h2s", "ppm", "h2s", 0, 100))
    assert of(*fields).read(1234.5) == of(*fields).read(1234.5)
    assert of(*fields).read(1234.5) != of(*fields, seed="another").read(1234.5)


@pytest.mark.parametrize(
    ("flow_unit", "total_unit", "factor"),
    [("m3/h", "m3", 1 / 3600), ("Nm3/h", "Nm3", 1 / 3600), ("l/min", "m3", 1 / 60_000)],
)
def test_a_total_grows_by_the_integral_of_the_flow(flow_unit: str, total_unit: str, factor: float) -> None:
    equipment = of(Field("flow", flow_unit, "flow", 0, 650), Field("volume", total_unit, "volume", 0, 1e9))
    moments = np.arange(0.0, DAY + 1, 30.0)
    read = np.array([equipment.read(float(now)) for now in moments])
    # numpy's trapezoids over the noisy flow: 1 % of noise a sample averages out over the day
    grown = float(np.trapezoid(read[:, 0], moments)) * factor
    assert read[-1, 1] - read[0, 1] == pytest.approx(grown, rel=0.002)
    assert np.all(np.diff(read[:, 1]) > 0)


def test_a_total_of_another_kind_of_volume_grows_all_the_same() -> None:
    equipment = of(Field("flow", "m3/h", "flow", 0, 650), Field("volume", "Nm3", "volume", 0, 1e9))
    assert equipment.read(HOUR)[1] > equipment.read(0.0)[1]


def test_the_flow_follows_the_day() -> None:
    equipment = of(Field("flow", "m3/h", "flow", 0, 650))
    flows = [equipment.read(hour * HOUR)[0] for hour in range(24)]
    assert max(flows) > 1.2 * min(flows) > 0


def test_clean_air_is_what_a_detector_reads() -> None:
    # Composition of dry air, from memory: oxygen 20.946 %vol, carbon dioxide about 420 ppm
    assert air(Field("oxygen", "%vol", "")) == pytest.approx(20.946)
    assert air(Field("carbon_dioxide", "%vol", "")) == pytest.approx(0.042)
    assert air(Field("co2", "ppm", "")) == pytest.approx(420)
    assert air(Field("methane", "%LEL", "")) == 0


def test_oxygen_falls_and_other_gas_rises_when_a_plume_goes_by() -> None:
    minutes = [60.0 * minute for minute in range(3 * 24 * 60)]
    oxygen = [of(Field("oxygen", "%vol", "", 0, 25)).read(now)[0] for now in minutes[:: 60 * 24]]
    assert max(oxygen) < 21.1
    low = of(Field("oxygen", "%vol", "", 0, 25))
    assert min(low.read(now)[0] for now in minutes) < 19.5
    high = of(Field("methane", "%LEL", "", 0, 100))
    assert max(high.read(now)[0] for now in minutes) > 10


def test_plumes_come_and_go() -> None:
    from random import Random

    plumes = Plumes(Random(7))
    heights = [plumes.at(60.0 * minute) for minute in range(3 * 24 * 60)]
    assert min(heights) == 0
    assert max(heights) > 0.1
    assert [plumes.at(60.0 * minute) for minute in range(100)] == heights[:100]


def test_a_field_without_range_or_known_unit_has_a_value() -> None:
    assert 0 <= of(Field("speed", "rpm", "speed")).read(0.0)[0] <= 100
    assert of(Field("state", "", "state", 0, 15)).read(5.0) == [0]


def test_running_hours_go_on_and_a_battery_runs_down() -> None:
    equipment = of(Field("hours", "h", "", 0, 40_000), Field("battery", "V", "", 2, 4))
    (hours, volts), (later_hours, later_volts) = equipment.read(0.0), equipment.read(DAY)
    assert later_hours - hours == pytest.approx(24)
    assert later_volts < volts
