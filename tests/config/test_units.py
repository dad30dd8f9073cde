"""Conversions against published factors, and the three look-alikes that no factor joins."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.config import units
from aggregator.config.scalars import Wrong

SP_811 = "NIST SP 811 (2008), appendix B.8"
SI = "SI brochure, 9th edition (2019)"


@pytest.mark.parametrize(
    ("one", "other", "factor", "source"),
    [
        ("bar", "kPa", 100, f"{SI}, table 8 note; from memory"),
        ("bar", "mbar", 1000, f"{SI}, prefixes"),
        ("mbar", "hPa", 1, f"{SP_811}; from memory"),
        ("MPa", "bar", 10, f"{SP_811}; from memory"),
        ("psi", "kPa", 6.894757, f"{SP_811}; from memory"),
        ("psia", "kPa", 101.5598 / 14.73, "base pressure of US gas contracts, 14.73 psia = 101.5598 kPa; from memory"),
        ("psig", "barg", 0.06894757, f"{SP_811}; from memory"),
        ("barg", "mbarg", 1000, f"{SI}, prefixes"),
        ("kPa(g)", "mbar(g)", 10, f"{SI}, prefixes"),
        ("atm", "kPa", 101.325, f"{SP_811}; from memory"),
        ("m3/h", "l/min", 1000 / 60, f"{SI}, table 8: 1 l = 1 dm3, 1 h = 60 min"),
        ("dm3", "m3", 0.001, f"{SI}, table 8"),
        ("ft3", "m3", 0.02831685, f"{SP_811}; from memory"),
        ("Nm3/h", "Nm³/min", 1 / 60, f"{SI}, table 8"),
        ("m³/h", "m^3/h", 1, "two spellings of one unit"),
        ("%vol", "ppm", 10000, "1 % = 1e-2, 1 ppm = 1e-6; ISO 80000-1 section 6.5; from memory"),
        ("kWh", "MJ", 3.6, f"{SP_811}; from memory"),
        ("mA", "A", 0.001, f"{SI}, prefixes"),
        ("mg/m3", "µg/m3", 1000, f"{SI}, prefixes"),
        ("d", "h", 24, f"{SI}, table 8"),
    ],
)
def test_a_factor_is_the_published_one(one: str, other: str, factor: float, source: str) -> None:
    line = units.conversion(one, other)
    assert line.factor == pytest.approx(factor, rel=1e-6), source
    assert line.offset == 0
    assert units.conversion(other, one).factor == pytest.approx(1 / factor, rel=1e-6), source


@pytest.mark.parametrize(
    ("one", "value", "other", "expected", "source"),
    [
        ("°C", 0, "K", 273.15, f"{SI}, 2.3.1: t/°C = T/K - 273.15"),
        ("°C", 15, "K", 288.15, "ISO 13443:1996, reference temperature; from memory"),
        ("°F", 60, "K", 288.7056, "US gas base temperature, 519.67 °R; from memory, computed"),
        ("°F", 32, "°C", 0, f"{SP_811}: t/°C = (t/°F - 32) / 1.8; from memory"),
        ("°F", 212, "°C", 100, f"{SP_811}; from memory"),
        ("°C", -40, "°F", -40, f"{SP_811}, computed"),
        ("degC", 20, "degF", 68, f"{SP_811}, computed"),
    ],
)
def test_a_temperature_moves_with_its_zero(one: str, value: float, other: str, expected: float, source: str) -> None:
    assert units.conversion(one, other).value(value) == pytest.approx(expected, abs=5e-5), source


LOOK_ALIKES = [
    ("barg", "bar", "Gauge pressure"),
    ("mbar(g)", "kPa(a)", "Gauge pressure"),
    ("psig", "psia", "Gauge pressure"),
    ("%LEL", "%vol", "%LEL needs the gas"),
    ("% LEL", "ppm", "%LEL needs the gas"),
    ("Nm3/h", "m3/h", "Volumes at other conditions"),
    ("Sm3", "Nm3", "Volumes at other conditions"),
    ("m3", "mbar", "Use a unit of the same kind"),
    ("dBm", "mW", "No straight line joins them"),
    ("Qm^9*Qm^9", "m^9*m^9", "No straight line joins them"),
    ("V", "", "Give both a unit"),
]


@pytest.mark.parametrize(("one", "other", "why"), LOOK_ALIKES)
def test_what_no_factor_joins_is_refused_both_ways(one: str, other: str, why: str) -> None:
    for pair in ((one, other), (other, one)):
        with pytest.raises(Wrong) as caught:
            units.conversion(*pair)
        assert caught.value.cure.startswith(why)


@pytest.mark.parametrize(
    "written", ["m3s", "furlongz", "9**9**9**9", "m**9**9", "(((", "lambda x", "%rHz%", "9" * 40, "a;b"]
)
def test_what_is_no_unit_is_refused_at_once(written: str) -> None:
    with pytest.raises(Wrong, match="is no unit"):
        units.unit(written)


@given(st.text(alphabet="m3/h%LELvoNSbarg()*^-. 0123456789°CkPa", max_size=12))
def test_any_text_is_a_unit_or_is_refused(text: str) -> None:
    with contextlib.suppress(Wrong):
        assert units.unit(text) in (text.strip(), "")


def test_a_dash_stands_for_a_plain_number() -> None:
    assert units.unit("-") == units.unit("1") == ""


@pytest.mark.parametrize(
    ("written", "wanted", "value"),
    [
        ("45 mbar", "bar", 0.045),
        ("45mbar", "mbar", 45),
        ("3", "bar", 3),
        ("-20 °C", "°C", -20),
        ("1e3 ppm", "%vol", 0.1),
    ],
)
def test_a_quantity_is_turned_into_the_wanted_unit(written: str, wanted: str, value: float) -> None:
    assert units.quantity(written, wanted) == pytest.approx(value)


@pytest.mark.parametrize("written", ["mbar", "", "45 V", "1,5 bar", "45 furlongz"])
def test_what_is_no_such_quantity_is_refused(written: str) -> None:
    with pytest.raises(Wrong):
        units.quantity(written, "bar")


@pytest.mark.parametrize(
    ("written", "wanted", "unit", "times"),
    [
        ("5 mbar/min", "mbarg/s", "mbar/min", 60.0),
        ("5 mbarg/min", "mbarg/s", "mbarg/min", 60.0),
        ("2 Pa/s", "mbarg/s", "Pa/s", 100.0),
        ("3 °C/h", "°C/s", "°C/h", 3600.0),
    ],
)
def test_a_rate_is_told_in_the_unit_in_which_it_was_written(written: str, wanted: str, unit: str, times: float) -> None:
    """A minute has 60 s and an hour 3600 s (SI Brochure, 9th edition, table 8); 1 mbar is 100 Pa."""
    name, factor = units.written_rate(written, wanted)
    assert name == unit
    assert factor == pytest.approx(times)
    assert units.difference(written, wanted) * times == pytest.approx(float(written.split(maxsplit=1)[0]))
