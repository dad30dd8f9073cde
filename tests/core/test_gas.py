"""The table of gases against open data (the `chemicals` package) and the regulations it names."""

from __future__ import annotations

import chemicals
import pytest
from chemicals import safety

from aggregator.core.gas import GASES, Basis, Gas, NotFlammable, gas_named

IEC = "IEC 60079-20-1 (2010)"
NFPA = "NFPA 497 (2008)"


def gas(name: str) -> Gas:
    found = gas_named(name)
    assert found is not None
    return found


@pytest.mark.parametrize("each", GASES, ids=lambda each: each.name)
def test_molar_masses_and_explosive_limits_are_those_of_the_open_data(each: Gas) -> None:
    """`chemicals` gives molar masses, and the limits of IEC 60079-20-1:2010, as its data files have them."""
    assert chemicals.MW(each.cas) == pytest.approx(each.molar_mass, abs=0.002)
    lower, upper = safety.LFL(CASRN=each.cas, method=IEC), safety.UFL(CASRN=each.cas, method=IEC)
    assert each.lel == (None if lower is None else pytest.approx(100 * lower))
    assert each.uel == (None if upper is None else pytest.approx(100 * upper))


# Where the editions differ: NFPA 497 (2008) beside IEC 60079-20-1 (2010), %vol.
OTHER_EDITION = {
    "methane": 5.0,
    "propane": 2.1,
    "carbon monoxide": 12.5,
    "n-pentane": 1.5,
    "n-butane": 1.9,
    "ethane": 3.0,
    "ethylene": 2.7,
    "n-hexane": 1.1,
    "acetylene": 2.5,
    "toluene": 1.1,
}


@pytest.mark.parametrize(("name", "lel"), OTHER_EDITION.items())
def test_each_difference_of_edition_is_named(name: str, lel: float) -> None:
    other = safety.LFL(CASRN=gas(name).cas, method=NFPA)
    assert 100 * other == pytest.approx(lel)
    assert gas(name).lel != pytest.approx(lel)


def test_what_is_in_no_list_of_differences_is_the_same_in_both_editions() -> None:
    for each in GASES:
        other = None if each.lel is None else safety.LFL(CASRN=each.cas, method=NFPA)
        if other is not None and each.name not in OTHER_EDITION:
            assert each.lel == pytest.approx(100 * other), each.name


@pytest.mark.parametrize(
    ("name", "printed"),
    [
        ("carbon monoxide", 1.15),
        ("ammonia", 0.70),
        ("sulphur dioxide", 2.62),
        ("nitrogen dioxide", 1.88),
        ("nitric oxide", 1.23),
        ("chlorine", 2.90),
        ("carbon dioxide", 1.80),
    ],
)
def test_conversions_round_to_the_factors_that_the_pocket_guide_prints(name: str, printed: float) -> None:
    """NIOSH Pocket Guide, conversion factors; SO2, NO2 and NO seen in public pages, the others from memory."""
    assert round(gas(name).mg_per_m3(1), 2) == pytest.approx(printed)


def test_hydrogen_sulphide_is_the_one_factor_that_the_guide_rounds_otherwise() -> None:
    """NIOSH prints 1.40; the molar mass over 24.45 gives 1.394."""
    assert gas("H2S").mg_per_m3(1) == pytest.approx(1.40, rel=0.005)
    assert gas("H2S").mg_per_m3(10) == pytest.approx(13.939, abs=0.001)


def test_a_regulators_own_conversion_is_not_the_molar_mass() -> None:
    """OSHA prints CO 50 ppm as 55 mg/m3, and the formula gives 57.3: limits are never derived from one another."""
    assert gas("CO").mg_per_m3(50) == pytest.approx(57.28, abs=0.01)


def test_lel_means_nothing_without_its_edition() -> None:
    """2.2 %vol of methane is 50 %LEL after IEC 60079-20-1 and 44 %LEL after NFPA 497."""
    methane = gas("methane")
    assert methane.lel_percent(2.2) == pytest.approx(50)
    assert methane.lel_percent(2.2, lel=5.0) == pytest.approx(44)
    assert methane.volume_percent(20) == pytest.approx(0.88)


def test_a_gas_that_does_not_burn_has_no_lel() -> None:
    with pytest.raises(NotFlammable):
        gas("CO2").lel_percent(1)


def limits(name: str) -> dict[tuple[Basis, str], float]:
    return {(each.basis, each.source.split()[0]): each.ppm for each in gas(name).limits}


def test_limits_of_exposure_are_those_of_the_tables() -> None:
    """29 CFR 1910.1000 Tables Z-1 and Z-2 and the NIOSH Pocket Guide, as public pages quote them."""
    assert limits("H2S")[Basis.CEILING, "29"] == 20
    assert limits("H2S")[Basis.IMMEDIATE, "NIOSH"] == 100
    assert limits("CO")[Basis.AVERAGE_8H, "29"] == 50
    assert limits("CO")[Basis.CEILING, "NIOSH"] == 200
    assert limits("NH3")[Basis.SHORT_TERM, "NIOSH"] == 35
    assert limits("SO2")[Basis.AVERAGE_8H, "29"] == 5


def test_the_dangerous_concentration_of_nitrogen_dioxide_is_that_of_the_later_profile() -> None:
    """13 ppm (NIOSH IDLH Value Profile, 2017), not the 20 ppm of 1994 that most tables still print."""
    assert limits("NO2")[Basis.IMMEDIATE, "NIOSH"] == 13


@pytest.mark.parametrize("name", ["ammonia", "sulphur dioxide", "carbon dioxide"])
def test_recommended_limits_agree_with_an_independent_data_set(name: str) -> None:
    """The Ontario limits in `chemicals` are another authority's; for these gases both say the same."""
    average, short = safety.TWA(gas(name).cas), safety.STEL(gas(name).cas)
    assert limits(name)[Basis.AVERAGE_8H, "NIOSH"] == average[0]
    assert limits(name)[Basis.SHORT_TERM, "NIOSH"] == short[0]


def test_every_limit_names_its_source() -> None:
    assert all(limit.source.startswith(("29 CFR", "NIOSH")) for each in GASES for limit in each.limits)


def test_a_gas_is_found_by_name_formula_or_number() -> None:
    assert gas("h2s") is gas("Hydrogen Sulphide") is gas("7783-06-4")
    assert gas_named("phlogiston") is None
