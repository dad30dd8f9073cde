"""From one unit of a gas's concentration to another: what ppm is in mg/m3, and %LEL in %vol, needs to know the gas."""

from __future__ import annotations

from aggregator.config import units
from aggregator.config.scalars import Wrong
from aggregator.core.encoding import Scale
from aggregator.core.gas import MOLAR_VOLUME, gas_named
from aggregator.core.profile import Field


def conversion_of(field: Field, wanted: str) -> Scale:
    """The line from a field's unit to another, by way of its gas where there is no other. Raises Wrong.

    ppm and mg/m3 are joined by the molar mass at 25 °C and 1 atm, %LEL and %vol by the 100 % mark that the detector was
    calibrated to (`lel` of the field), since editions differ in it.
    """
    try:
        return units.conversion(field.unit, wanted)
    except Wrong:
        for one, other, factor in _bridges(field):
            for source, target, line in ((one, other, Scale(factor)), (other, one, Scale(1 / factor))):
                try:
                    to_bridge, from_bridge = units.conversion(field.unit, source), units.conversion(target, wanted)
                except Wrong:
                    continue
                return to_bridge.then(line).then(from_bridge)
        raise


def _bridges(field: Field) -> list[tuple[str, str, float]]:
    found = []
    gas = gas_named(field.gas or "")
    if gas is not None:
        found.append(("ppm", "mg/m3", gas.molar_mass / MOLAR_VOLUME))
    if field.lel is not None:
        found.append(("%LEL", "%vol", field.lel / 100))
    return found
