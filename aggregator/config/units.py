"""Units as a technician writes them, and the straight line from one to another. Used at load only.

The trade's spellings are translated for the units library. Three things that look alike are kept apart on purpose:
gauge and absolute pressure (barg, bar), %LEL and %vol, and cubic metres at line, normal and standard conditions
(m3, Nm3, Sm3). Converting between those needs a pressure, a gas or base conditions, not a factor.
"""

from __future__ import annotations

import math
import re
from functools import cache

import pint

from aggregator.config.scalars import NUMBER, Wrong, no_comma, number, text
from aggregator.core.encoding import IDENTITY, Scale

DEFINITIONS = (
    "percent_vol = 0.01",
    "percent_lel = [lower_explosive_limit]",
    "bar_gauge = [gauge_pressure]",
    "millibar_gauge = 0.001 * bar_gauge",
    "kilopascal_gauge = 0.01 * bar_gauge",
    "hectopascal_gauge = 0.001 * bar_gauge",
    "megapascal_gauge = 10 * bar_gauge",
    "pascal_gauge = 0.00001 * bar_gauge",
    "psi_gauge = 0.06894757293168361 * bar_gauge",  # NIST SP 811 (2008) B.8: 1 psi = 6 894.757 Pa
    "normal_cubic_metre = [volume_at_normal_conditions]",
    "standard_cubic_metre = [volume_at_standard_conditions]",
)
SPELLINGS = (
    (r"%\s*LEL", "percent_lel"),
    (r"%\s*vol", "percent_vol"),
    (r"\bmbar\s*\(?g\)?(?![a-z])", "millibar_gauge"),
    (r"\bbar\s*\(?g\)?(?![a-z])", "bar_gauge"),
    (r"\bkPa\s*\(?g\)?(?![a-z])", "kilopascal_gauge"),
    (r"\bhPa\s*\(?g\)?(?![a-z])", "hectopascal_gauge"),
    (r"\bMPa\s*\(?g\)?(?![a-z])", "megapascal_gauge"),
    (r"\bPa\s*\(?g\)?(?![a-z])", "pascal_gauge"),
    (r"\bpsi\s*\(?g\)?(?![a-z])", "psi_gauge"),
    (r"\b(m?bar|[hkM]?Pa|psi)\s*\(?a\)?(?![a-z])", r"\1"),
    (r"\bNm(3|³)(?!\w)", "normal_cubic_metre"),
    (r"\bSm(3|³)(?!\w)", "standard_cubic_metre"),
    (r"\b([cdkm]?m|ft|in)(3|³)(?!\w)", r"\1**3"),
    (r"\b([cdkm]?m|ft|in)(2|²)(?!\w)", r"\1**2"),
    (r"(°C|\bdegC\b)(?=\s*/)", "delta_degC"),  # a rate is made of differences
    (r"(°F|\bdegF\b)(?=\s*/)", "delta_degF"),
    (r"°C|\bdegC\b", "degC"),
    (r"°F|\bdegF\b", "degF"),
    (r"%(?! *[a-zA-Z])", "percent"),
)
LOOK_ALIKES = (
    (
        "lower_explosive_limit",
        "%LEL needs the gas and the edition of its lower explosive limit; keep the meter's own unit",
    ),
    ("gauge_pressure", "Gauge pressure needs the air pressure to become absolute; keep the meter's own unit"),
    ("volume_at", "Volumes at other conditions need pressure and temperature; keep the meter's own unit"),
)
GAUGE = re.compile(r"\b(m?bar|[hkM]?Pa|psi)\s*\(?g\)?(?![a-z])")
QUANTITY = re.compile(rf"\s*({NUMBER.pattern})\s*(.*?)\s*")
# The library reads a unit as arithmetic: without these bounds `9**9**9` keeps it busy for ever.
WRITTEN = re.compile(r"[A-Za-z%°µμΩ0-9³²/*^·().\- ]{1,32}")
LONG_POWER = re.compile(r"(\*\*|\^)\s*-?\s*(\d{2,}|\d\s*(\*\*|\^))")
KNOWN = "m3/h, Nm3/h, mbar, barg, kPa, °C, %LEL, %vol, ppm, mg/m3, V, %"


@cache
def _registry() -> pint.UnitRegistry[float]:
    registry: pint.UnitRegistry[float] = pint.UnitRegistry(autoconvert_offset_to_baseunit=False, cache_folder=None)
    for definition in DEFINITIONS:
        registry.define(definition)
    return registry


@cache
def _parsed(unit: str) -> pint.Unit:
    if not WRITTEN.fullmatch(unit) or LONG_POWER.search(unit):
        raise _no_unit(unit)
    translated = unit
    for spelling, name in SPELLINGS:
        translated = re.sub(spelling, name, translated)
    try:
        return _registry().Unit(translated)
    except Exception:  # noqa: BLE001 - the library raises a dozen unrelated types for odd text, tokenizer errors among them
        raise _no_unit(unit) from None


def _no_unit(unit: str) -> Wrong:
    return Wrong(f"`{unit}` is no unit", f"Write a unit such as {KNOWN}")


def unit(value: object) -> str:
    """A unit's own spelling, once it is known to be one. `-` stands for a plain number."""
    given = text(value)
    if given in ("-", "1"):
        return ""
    _parsed(given)
    return given


@cache
def conversion(one: str, other: str) -> Scale:
    """The line that leads from values in one unit to values in another. Raises Wrong where none does.

    >>> conversion("mbar", "bar").factor, conversion("%vol", "ppm").factor
    (0.001, 10000.0)
    """
    if one == other:
        return IDENTITY
    if not one or not other:
        raise Wrong(f"a plain number cannot be turned into {one or other}", "Give both a unit, or neither")
    registry = _registry()
    source, target = _parsed(one), _parsed(other)
    if source.dimensionality != target.dimensionality:
        raise Wrong(f"{one} cannot be turned into {other}", _why_not(source, target))
    no_line = Wrong(f"{one} cannot be turned into {other}", "No straight line joins them; use the same unit for both")
    try:
        at_one, at_two, at_ten = (registry.Quantity(each, source).to(target).magnitude for each in (1.0, 2.0, 10.0))
        if at_one == at_two or not math.isclose(at_ten - at_one, 9 * (at_two - at_one), rel_tol=1e-9):
            raise no_line
        at_zero = registry.Quantity(0.0, source).to(target).magnitude
    except (pint.PintError, ArithmeticError):
        raise no_line from None
    return Scale(_tidy(at_one - at_zero), _tidy(at_zero))


def quantity(value: object, wanted: str) -> float:
    """A number with or without a unit, in the wanted unit. Without one it is in the wanted unit already.

    >>> quantity("45 mbar", "bar"), quantity("3", "bar")
    (0.045, 3.0)
    """
    given = text(value)
    no_comma(given)
    match = QUANTITY.fullmatch(given)
    if not match:
        raise Wrong(f"`{given}` is no quantity", f"Write a number and a unit, for instance 45 {wanted or ''}".rstrip())
    name = match.groups()[-1]
    amount = number(match[1])
    return amount if not name else float(conversion(unit(name), wanted).value(amount))


def difference(value: object, wanted: str) -> float:
    """A difference of two quantities in the wanted unit: here 2 °C are 2 K, and no temperature.

    Nor has a difference of gauge pressures anything to do with the air pressure.

    >>> difference("2 °C", "°C"), round(difference("9 °F", "°C"), 9), difference("200 Pa", "mbarg")
    (2.0, 5.0, 2.0)
    """
    given = text(value)
    match = QUANTITY.fullmatch(given)
    if not match or not match.groups()[-1]:
        return quantity(given, wanted)
    return number(match[1]) * conversion(_of_differences(unit(match.groups()[-1])), _of_differences(wanted)).factor


def written_rate(value: object, wanted: str) -> tuple[str, float]:
    """The unit in which a rate is written, and how many of it are one of the wanted unit.

    >>> written_rate("5 mbar/min", "mbarg/s")
    ('mbar/min', 60.0)
    """
    match = QUANTITY.fullmatch(text(value))
    name = unit(match.groups()[-1]) if match and match.groups()[-1] else wanted
    return name, conversion(_of_differences(wanted), _of_differences(name)).factor


def _of_differences(name: str) -> str:
    return GAUGE.sub(r"\1", name)


def _tidy(value: float) -> float:
    """A factor without the dust of floating-point multiplication: 0.1 rather than 0.09999999999999999."""
    return float(f"{value:.12g}")


def _why_not(source: pint.Unit, target: pint.Unit) -> str:
    dimensions = f"{source.dimensionality} {target.dimensionality}"
    return next((cure for kind, cure in LOOK_ALIKES if kind in dimensions), "Use a unit of the same kind")
