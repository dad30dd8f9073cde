"""Common gases: what they are called, how much of them is dangerous, and who says so.

Every figure names its source, and says `from memory` where the printed page was not at hand. Limits of exposure stay in
ppm as their tables print them and are never worked out from mg/m3: regulators' own conversions do not agree with the
molar mass. Lower explosive limits differ by edition (methane 4.4 %vol in one standard, 5.0 in another), so that %LEL
means nothing without it. All of it is for orientation: what holds at a site is for a competent person there to say.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from aggregator.core.errors import AggregatorError

MOLAR_VOLUME = 24.45
"""Litres a mole of gas takes at 25 °C and 1 atm, as the NIOSH Pocket Guide and 29 CFR 1910.1000 use it."""

OSHA_Z1 = "29 CFR 1910.1000 Table Z-1"
OSHA_Z2 = "29 CFR 1910.1000 Table Z-2"
NIOSH = "NIOSH Pocket Guide to Chemical Hazards"
IDLH_1994 = "NIOSH IDLH documentation, May 1994"
IDLH_RECALLED = IDLH_1994 + ", from memory"
IDLH_2017 = "NIOSH IDLH Value Profile, 2017"
IEC_2010 = "IEC 60079-20-1:2010"
MEMORY = ", from memory"


class Basis(StrEnum):
    """Over what time a limit of exposure holds."""

    AVERAGE_8H = "8 h average"
    SHORT_TERM = "15 min average"
    CEILING = "ceiling"
    PEAK = "peak"
    IMMEDIATE = "immediately dangerous"


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit of exposure in ppm; `note` is what its table adds."""

    basis: Basis
    ppm: float
    source: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Gas:
    """One gas. `molar_mass` in g/mol; `lel` and `uel` in %vol in air (IEC 60079-20-1:2010), None where it has none."""

    name: str
    formula: str
    cas: str
    molar_mass: float
    lel: float | None = None
    uel: float | None = None
    limits: tuple[Limit, ...] = ()

    def mg_per_m3(self, ppm: float) -> float:
        """A concentration in mg/m3 at 25 °C and 1 atm."""
        return ppm * self.molar_mass / MOLAR_VOLUME

    def ppm(self, mg_per_m3: float) -> float:
        """A concentration in ppm, from mg/m3 at 25 °C and 1 atm."""
        return mg_per_m3 * MOLAR_VOLUME / self.molar_mass

    def volume_percent(self, lel_percent: float, lel: float | None = None) -> float:
        """%vol of a reading in %LEL; `lel` is the 100 % mark in %vol that the detector was calibrated to.

        Left out, it is that of IEC 60079-20-1:2010. Raises NotFlammable.
        """
        return lel_percent / 100 * self._mark(lel)

    def lel_percent(self, volume_percent: float, lel: float | None = None) -> float:
        """%LEL of a concentration in %vol; as `volume_percent` the other way."""
        return volume_percent / self._mark(lel) * 100

    def _mark(self, lel: float | None) -> float:
        mark = self.lel if lel is None else lel
        if mark is None:
            raise NotFlammable(f"{self.name} has no lower explosive limit in {IEC_2010}")
        return mark


class NotFlammable(AggregatorError):
    """A %LEL was asked of a gas that has no lower explosive limit."""


def _average(ppm: float, source: str, note: str = "") -> Limit:
    return Limit(Basis.AVERAGE_8H, ppm, source, note)


def _short(ppm: float, source: str) -> Limit:
    return Limit(Basis.SHORT_TERM, ppm, source)


def _ceiling(ppm: float, source: str, note: str = "") -> Limit:
    return Limit(Basis.CEILING, ppm, source, note)


def _idlh(ppm: float, source: str = IDLH_1994) -> Limit:
    return Limit(Basis.IMMEDIATE, ppm, source)


GASES: tuple[Gas, ...] = (
    Gas("methane", "CH4", "74-82-8", 16.043, 4.4, 17.0),
    Gas("ethane", "C2H6", "74-84-0", 30.070, 2.4, 15.5),
    Gas(
        "propane",
        "C3H8",
        "74-98-6",
        44.096,
        1.7,
        10.9,
        (_average(1000, OSHA_Z1 + MEMORY), _idlh(2100, IDLH_RECALLED)),
    ),
    Gas("n-butane", "C4H10", "106-97-8", 58.122, 1.4, 9.3),
    Gas(
        "n-pentane",
        "C5H12",
        "109-66-0",
        72.149,
        1.1,
        8.7,
        (_average(1000, OSHA_Z1 + MEMORY), _idlh(1500, IDLH_RECALLED)),
    ),
    Gas(
        "n-hexane",
        "C6H14",
        "110-54-3",
        86.175,
        1.0,
        8.9,
        (_average(500, OSHA_Z1 + MEMORY), _idlh(1100, IDLH_RECALLED)),
    ),
    Gas("ethylene", "C2H4", "74-85-1", 28.053, 2.3, 36.0),
    Gas("acetylene", "C2H2", "74-86-2", 26.037, 2.3, 100.0),
    Gas("hydrogen", "H2", "1333-74-0", 2.016, 4.0, 77.0),
    Gas(
        "methanol",
        "CH4O",
        "67-56-1",
        32.042,
        6.0,
        36.0,
        (_average(200, OSHA_Z1 + MEMORY), _idlh(6000, IDLH_RECALLED)),
    ),
    Gas(
        "toluene",
        "C7H8",
        "108-88-3",
        92.138,
        1.0,
        7.8,
        (_average(200, OSHA_Z2 + MEMORY), _idlh(500, IDLH_RECALLED)),
    ),
    Gas(
        "hydrogen sulphide",
        "H2S",
        "7783-06-4",
        34.081,
        4.0,
        45.5,
        (
            _ceiling(20, OSHA_Z2),
            Limit(Basis.PEAK, 50, OSHA_Z2, "10 min, once a shift, where nothing else measurable occurs"),
            _ceiling(10, NIOSH, "10 min"),
            _idlh(100),
        ),
    ),
    Gas(
        "carbon monoxide",
        "CO",
        "630-08-0",
        28.010,
        10.9,
        74.0,
        (_average(50, OSHA_Z1), _average(35, NIOSH), _ceiling(200, NIOSH), _idlh(1200)),
    ),
    Gas(
        "ammonia",
        "NH3",
        "7664-41-7",
        17.031,
        15.0,
        33.6,
        (_average(50, OSHA_Z1), _average(25, NIOSH), _short(35, NIOSH), _idlh(300)),
    ),
    Gas(
        "sulphur dioxide",
        "SO2",
        "7446-09-5",
        64.064,
        limits=(_average(5, OSHA_Z1), _average(2, NIOSH), _short(5, NIOSH), _idlh(100)),
    ),
    Gas(
        "nitrogen dioxide",
        "NO2",
        "10102-44-0",
        46.006,
        limits=(_ceiling(5, OSHA_Z1), _short(1, NIOSH), _idlh(13, IDLH_2017)),
    ),
    Gas(
        "nitric oxide",
        "NO",
        "10102-43-9",
        30.006,
        limits=(_average(25, OSHA_Z1 + MEMORY), _average(25, NIOSH + MEMORY), _idlh(100, IDLH_RECALLED)),
    ),
    Gas(
        "chlorine",
        "Cl2",
        "7782-50-5",
        70.906,
        limits=(_ceiling(1, OSHA_Z1), _ceiling(0.5, NIOSH, "15 min"), _idlh(10, IDLH_RECALLED)),
    ),
    Gas(
        "carbon dioxide",
        "CO2",
        "124-38-9",
        44.010,
        limits=(
            _average(5000, OSHA_Z1 + MEMORY),
            _average(5000, NIOSH + MEMORY),
            _short(30000, NIOSH + MEMORY),
            _idlh(40000, IDLH_RECALLED),
        ),
    ),
)

_NAMES = {name.lower(): gas for gas in GASES for name in (gas.name, gas.formula, gas.cas)}


def gas_named(name: str) -> Gas | None:
    """A gas by its name, formula or CAS number, whatever the case; None where the table has none."""
    return _NAMES.get(name.strip().lower())
