"""Mixing, matching, weighing, cooling and proving stocks. Tables and worked values: tests/chemistry/reference.yaml."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.chemistry import balance, cautions, cooling, density, heat
from dosingd.chemistry.mixing import change_with_dilution, mix
from dosingd.chemistry.proving import KIT_STEP, glass, judge, proof, wrong_readings
from dosingd.chemistry.salts import BAKED_SODA, SALTS
from dosingd.chemistry.stock import Strength
from dosingd.errors import ChemistryRefused
from dosingd.plan.model import SaltPortion
from dosingd.records import Substance


@given(
    st.sampled_from(sorted(SALTS)),
    st.floats(1, 2000),
    st.floats(0.5, 20),
    st.floats(0.8, 1),
    st.floats(0.5, 1),
)
def test_any_one_of_mass_strength_and_volume_follows_from_the_other_two(
    salt: str, mass_g: float, volume_l: float, assay: float, conversion: float
) -> None:
    how: dict[str, Any] = {"assay": assay, "conversion": conversion if salt == BAKED_SODA else 1.0}
    by_strength = mix(salt, mass_g=mass_g, volume_l=volume_l, **how)
    strength = by_strength.strength.of(by_strength.substance)
    by_volume = mix(salt, mass_g=mass_g, strength=strength, **how)
    by_mass = mix(salt, strength=strength, volume_l=volume_l, **how)
    assert by_volume.volume_l == pytest.approx(volume_l)
    assert by_mass.mass_g == pytest.approx(mass_g)
    assert by_mass.strength.of(by_mass.substance) == pytest.approx(strength)


def test_a_tray_of_baked_powder_is_as_strong_as_the_bicarbonate_that_went_in() -> None:
    # 250 g of bicarbonate, 165 g of powder: 2.976 eq whatever the oven did. In 2 L, 1.488 eq/L.
    found = mix(BAKED_SODA, mass_g=165, volume_l=2, conversion=0.92098)
    assert found.strength.alkalinity_eq_per_l == pytest.approx(1.48799, rel=1e-4)
    assert found.bicarbonate_g == pytest.approx(250, rel=1e-4)
    assert mix("sodium carbonate", mass_g=100, volume_l=2).bicarbonate_g is None


def test_a_mix_that_will_not_dissolve_is_answered_and_says_so() -> None:
    found = mix("sodium carbonate", mass_g=300, volume_l=1, coldest_c=10)
    assert not found.saturation.dissolves
    assert found.saturation.fraction == pytest.approx(5.661 / 2.273, rel=0.002)
    assert found.cautions[0].startswith("This will not stay dissolved")
    assert found.density_kg_per_l is None  # no such solution at 20 degC
    near = mix("sodium carbonate", strength=2.15, volume_l=1, coldest_c=10)
    assert near.saturation.dissolves
    assert near.cautions[0].startswith("Near the limit")


def test_strong_chloride_comes_with_a_scald_warning_and_lye_with_its_hazards() -> None:
    hot = mix("calcium chloride anhydrous", mass_g=200, volume_l=1.07)
    assert hot.temperature_rise_k == pytest.approx(35, rel=0.06)
    assert any("scalds" in line for line in hot.cautions)
    assert any("H319" in line for line in hot.cautions)
    lye = mix("sodium hydroxide", mass_g=80, volume_l=1)
    assert any("H314" in line and "H290" in line for line in lye.cautions)
    assert any("within seconds" in line for line in lye.cautions)
    for line in ("never water onto salt", "never meet", "data sheet", "goggles", "children"):
        assert line in " ".join(hot.cautions)


def test_an_assay_not_said_is_pointed_out() -> None:
    assert any("No assay" in line for line in mix("sodium carbonate", mass_g=100, volume_l=1).cautions)
    assert not any("No assay" in line for line in mix("sodium carbonate", mass_g=100, volume_l=1, assay=1.0).cautions)


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ({}, "two of mass, strength and volume"),
        ({"mass_g": 100}, "two of mass, strength and volume"),
        ({"mass_g": 100, "strength": 1, "volume_l": 1}, "two of mass, strength and volume"),
        ({"mass_g": 0, "volume_l": 1}, "A mass of 0"),
        ({"mass_g": 100, "volume_l": 0}, "A volume of 0"),
        ({"mass_g": 100, "volume_l": float("nan")}, "A volume of nan"),
        ({"mass_g": 100, "strength": -1}, "A strength of -1"),
        ({"mass_g": 100, "volume_l": 1, "assay": 1.2}, "An assay of 120 %"),
        ({"strength": 1, "volume_l": 1, "assay": 0}, "An assay of 0 %"),
        ({"mass_g": 100, "volume_l": 1, "coldest_c": 40}, "outside 0 to 30"),
        ({"mass_g": 100, "volume_l": 1, "conversion": 0.5}, "was not in the oven"),
        ({"mass_g": 100, "volume_l": 1, "conversion": 1.5}, "A conversion of 150 %"),
    ],
)
def test_a_mix_that_makes_no_sense_is_refused_in_one_sentence(how: dict[str, float], says: str) -> None:
    with pytest.raises(ChemistryRefused) as refused:
        mix("sodium carbonate", **how)
    assert says in str(refused.value)


def test_density_agrees_between_mass_percent_and_grams_per_litre() -> None:
    for salt, points in density.AT_20C.items():
        for percent, kg_per_l in points:
            assert density.density_from_mass_percent(salt, percent) == kg_per_l
            assert density.density_from_g_per_l(salt, 10 * percent * kg_per_l) == pytest.approx(kg_per_l, abs=1e-12)


def test_density_of_a_stock_of_two_salts_sums_what_each_adds() -> None:
    both = density.stock_density_kg_per_l(
        [SaltPortion("calcium chloride dihydrate", 200), SaltPortion("magnesium chloride hexahydrate", 100)], 1
    )
    one = density.stock_density_kg_per_l([SaltPortion("calcium chloride dihydrate", 200)], 1)
    other = density.stock_density_kg_per_l([SaltPortion("magnesium chloride hexahydrate", 100)], 1)
    assert both - density.WATER_20C_KG_PER_L == pytest.approx(one + other - 2 * density.WATER_20C_KG_PER_L)
    lime = density.stock_density_kg_per_l([SaltPortion("calcium hydroxide", 1.4)], 1)
    assert lime == pytest.approx(0.9996, abs=0.0005)


def test_outside_the_density_tables_is_refused() -> None:
    with pytest.raises(ChemistryRefused, match=r"outside 0 to 17\.9 %"):
        density.density_from_mass_percent("Na2CO3", 25)
    with pytest.raises(ChemistryRefused, match="outside 0 to 213"):
        density.density_from_g_per_l("Na2CO3", 300)
    for question in (density.density_from_g_per_l, density.density_from_mass_percent):
        with pytest.raises(ChemistryRefused, match="no density table"):
            question("NaCl", 5)
    with pytest.raises(ChemistryRefused, match="no water"):
        density.made_by_mass(SaltPortion("sodium carbonate", 79.49), 0)
    with pytest.raises(ChemistryRefused, match="before the oven"):
        density.made_by_mass(SaltPortion("baked soda", 79.49), 900)


def test_a_partner_is_balanced_both_ways() -> None:
    calcium = balance.partner_strength(Strength(alkalinity_eq_per_l=0.75))
    assert calcium == Strength(calcium_mol_per_l=0.375)
    assert balance.partner_strength(calcium) == Strength(alkalinity_eq_per_l=0.75)
    assert balance.volumes_match(0.75, 0.375)
    assert not balance.volumes_match(0.75, 0.75)
    assert not balance.volumes_match(0.75, 0)
    for strength in (Strength(), Strength(magnesium_mol_per_l=1), Strength(0.04, 0.02)):
        with pytest.raises(ChemistryRefused):
            balance.partner_strength(strength)
    for salt in ("magnesium chloride hexahydrate", "sodium carbonate", "calcium hydroxide"):
        with pytest.raises(ChemistryRefused):
            balance.partner_mass_g(Strength(alkalinity_eq_per_l=0.75), salt, 1)
    with pytest.raises(ChemistryRefused):
        balance.partner_mass_g(Strength(alkalinity_eq_per_l=0.75), "calcium chloride dihydrate", 1, assay=1.1)
    with pytest.raises(ChemistryRefused):
        balance.partner_mass_g(Strength(alkalinity_eq_per_l=0.75), "calcium chloride dihydrate", 0)


def test_assay_of_the_partner_makes_its_mass_larger() -> None:
    pure = balance.partner_mass_g(Strength(alkalinity_eq_per_l=0.75), "calcium chloride dihydrate", 2)
    assert pure == pytest.approx(2 * 55.128, rel=1e-4)
    assert balance.partner_mass_g(
        Strength(alkalinity_eq_per_l=0.75), "calcium chloride dihydrate", 2, 0.987
    ) == pytest.approx(pure / 0.987)


def test_a_balanced_pair_leaves_its_sodium_chloride_and_nothing_else() -> None:
    # 1 eq as carbonate and 0.5 mol of calcium chloride leave 1 mol NaCl, 58.44 g.
    pair = [SaltPortion("sodium carbonate", 105.988 / 2), SaltPortion("calcium chloride dihydrate", 147.008 / 2)]
    assert balance.left_behind_g(pair) == pytest.approx(58.44, abs=0.001)
    by_strength = balance.left_behind_g_per_l(Strength(1.0)) + balance.left_behind_g_per_l(Strength(0, 0.5))
    assert by_strength == pytest.approx(58.44, abs=0.001)
    assert balance.left_behind_g([SaltPortion("calcium hydroxide", 74.092)]) == 0
    assert balance.left_behind_g([SaltPortion("magnesium sulfate heptahydrate", 246.466)]) == pytest.approx(96.056)


def test_the_magnesium_suggestion_states_its_basis() -> None:
    least, most, basis = balance.magnesium_suggestion()
    assert 0 < least < most
    assert "aragonite" in basis
    assert "common practice" in basis


def test_steady_salt_needs_a_water_change() -> None:
    with pytest.raises(ChemistryRefused):
        balance.salt_creep_steady_g_per_kg(1.4, 0, 7, 1.023)


def test_nothing_crystallises_below_saturation_and_what_is_no_solution_is_refused() -> None:
    clear = cooling.crystallised("Na2CO3", 10.0, 1.04, 10)
    assert (clear.solid_g_per_kg, clear.weaker_percent, clear.liquid_mol_per_l) == (0, 0, 1.04)
    with pytest.raises(ChemistryRefused, match="its crystals hold 37 %"):
        cooling.crystallised("Na2CO3", 40, 4, 10)
    with pytest.raises(ChemistryRefused, match="no solubility table"):
        cooling.crystallised("NaCl", 10, 1, 10)


@pytest.mark.parametrize(
    ("rise_k", "says"),
    [(90, "boil"), (35, "scalds"), (10, "warms by about 10 K"), (-8, "cools by about 8 K"), (1, None), (-1, None)],
)
def test_heat_is_told_by_what_it_does(rise_k: float, says: str | None) -> None:
    found = heat.heat_caution(rise_k)
    assert found is None if says is None else says in str(found)


def test_bicarbonate_and_hexahydrate_cool_the_water_and_masses_must_be() -> None:
    assert heat.temperature_rise_k("sodium bicarbonate", 80, 1000) < 0
    assert heat.temperature_rise_k("calcium chloride hexahydrate", 300, 1000) < 0
    assert heat.temperature_rise_k("baked soda", 100, 1000) == heat.temperature_rise_k("sodium carbonate", 100, 1000)
    with pytest.raises(ChemistryRefused):
        heat.temperature_rise_k("sodium carbonate", 0, 1000)
    for salt in SALTS:
        assert abs(heat.temperature_rise_k(salt, 10, 1000)) < 5


@pytest.mark.parametrize("salt", SALTS)
def test_every_salt_has_its_hazards_in_words(salt: str) -> None:
    text = cautions.hazards_in_words(salt)
    assert salt in text
    for code in cautions.hazard(salt).codes:
        assert code in text
        assert cautions.STATEMENTS[code] in text
    assert ("not classified" in text) is (not cautions.hazard(salt).codes)


def test_a_glass_reads_what_the_stock_should() -> None:
    # 1 mL of 1.7831 eq/L in 1 L is 1.7831 meq/L, 5.000 dKH; 1 mL of 1 mol/L calcium is 40.08 mg/L.
    assert proof(Strength(1.78326), Substance.ALKALINITY) == pytest.approx(5.0, abs=0.001)
    assert proof(Strength(0, 1.0), Substance.CALCIUM) == pytest.approx(40.078)
    assert proof(Strength(0, 0, 1.0), Substance.MAGNESIUM, ml=10) == pytest.approx(243.05)
    for substance in (Substance.CALCIUM, Substance.OTHER):
        with pytest.raises(ChemistryRefused):
            proof(Strength(1.8), substance)
    with pytest.raises(ChemistryRefused):
        proof(Strength(1.8), Substance.ALKALINITY, ml=0)


@pytest.mark.parametrize(
    ("expected", "read", "substance", "agrees", "says"),
    [
        (5.0, 5.1, Substance.ALKALINITY, True, "reads what it should"),
        (5.0, 4.6, Substance.ALKALINITY, True, "reads what it should"),
        (5.0, 3.15, Substance.ALKALINITY, False, "not baked"),
        (5.0, 7.9, Substance.ALKALINITY, False, "carbonate weighed where the recipe means bicarbonate"),
        (5.0, 2.5, Substance.ALKALINITY, False, "half strength"),
        (5.0, 10.0, Substance.ALKALINITY, False, "double strength"),
        (5.0, 1.85, Substance.ALKALINITY, False, "washing soda"),
        (5.0, 0.2, Substance.ALKALINITY, False, "bottles swapped"),
        (5.0, 6.5, Substance.ALKALINITY, False, "no usual mistake"),
        (50.0, 66.2, Substance.CALCIUM, False, "anhydrous salt weighed as dihydrate"),
        (50.0, 37.5, Substance.CALCIUM, False, "dihydrate weighed as anhydrous"),
        (240.0, 240.0, Substance.MAGNESIUM, True, "reads what it should"),
    ],
)
def test_a_reading_that_is_off_is_named_after_its_mistake(
    expected: float, read: float, substance: Substance, agrees: bool, says: str
) -> None:
    found = judge(expected, read, substance)
    assert found.agrees is agrees
    assert says in found.meaning
    if not agrees:
        assert "Do not pour it" in found.meaning
        assert found.ratio == pytest.approx(read / expected)


def test_a_glass_too_weak_for_the_kit_is_refused_with_the_cure() -> None:
    with pytest.raises(ChemistryRefused, match="10 mL in 1 L"):
        judge(20.0, 20.0, Substance.CALCIUM)
    with pytest.raises(ChemistryRefused):
        judge(5.0, -1.0, Substance.ALKALINITY)
    with pytest.raises(ChemistryRefused):
        judge(5.0, 5.0, Substance.OTHER)


def test_dilution_by_the_dose_itself_is_small_and_below_zero() -> None:
    plain = 0.8
    assert change_with_dilution(7.2, 300 * plain / 115_050, 115_050, 300) == pytest.approx(0.7969, abs=5e-4)


@pytest.mark.parametrize(
    ("strength", "substance", "ml", "reads"),
    [
        (Strength(1.78326), Substance.ALKALINITY, 1, 5.0),  # 5 * 0.356652 meq/L
        (Strength(0.0404), Substance.ALKALINITY, 10, 1.133),  # lime water
        (Strength(0, 1.0), Substance.CALCIUM, 1, 40.078),
        (Strength(0, 0.5), Substance.CALCIUM, 10, 200.39),  # 20 mg/L would be lost in a kit's step of 10
        (Strength(0, 0, 1.234), Substance.MAGNESIUM, 10, 299.92),
        (Strength(0.0002), Substance.ALKALINITY, 100, 0.0561),  # nothing reads that: the most there is
    ],
)
def test_a_glass_takes_as_much_stock_as_a_kit_needs(
    strength: Strength, substance: Substance, ml: float, reads: float
) -> None:
    found = glass(strength, substance)
    assert found.ml == ml
    assert found.reads == pytest.approx(reads, rel=1e-3)
    assert found.unit == ("dKH" if substance is Substance.ALKALINITY else "mg/L")


def test_what_a_mistake_would_read_is_what_the_judge_calls_by_that_name() -> None:
    for substance, expected in ((Substance.ALKALINITY, 5.0), (Substance.CALCIUM, 200.0), (Substance.MAGNESIUM, 300.0)):
        told = wrong_readings(expected, substance)
        assert list(told) == sorted(told)
        for reads, cause in told:
            found = judge(expected, reads, substance)
            assert found.agrees or cause in found.meaning
            assert abs(reads - expected) > KIT_STEP[substance]


def test_a_stock_that_cools_says_what_crystallises_and_one_that_stays_clear_does_not() -> None:
    # 17.9 % carbonate, saturated at 20 degC, at 10 degC: 266 g of natron a kilogram, 43 % weaker (reference, phreeqc
    # and CRC). A little below saturation it is a little less.
    found = mix("sodium carbonate", strength=4.0, volume_l=1, coldest_c=10).cooled
    assert found is not None
    assert found.solid == "Na2CO3·10H2O"
    assert found.solid_g_per_kg == pytest.approx(264, abs=6)
    assert found.weaker_percent == pytest.approx(43, abs=1)
    assert mix("sodium carbonate", strength=1.0, volume_l=1, coldest_c=10).cooled is None
    for salt, strength, conversion in (("baked soda", 1.7, 0.5), ("sodium hydroxide", 12, 1.0)):
        no_table = mix(salt, strength=strength, volume_l=1, coldest_c=10, conversion=conversion)
        assert not no_table.saturation.dissolves
        assert no_table.density_kg_per_l is not None
        assert no_table.cooled is None  # for two salts in one water, and for lye, no table says


def test_water_and_salt_weigh_what_the_stock_weighs() -> None:
    found = mix("calcium chloride dihydrate", mass_g=200, volume_l=1)
    assert found.water_g is not None
    assert found.density_kg_per_l is not None
    assert found.water_g + 200 == pytest.approx(1000 * found.density_kg_per_l)
    by_mass = density.made_by_mass(SaltPortion("calcium chloride dihydrate", 200), found.water_g)
    assert by_mass.volume_l == pytest.approx(1, abs=2e-3)  # two ways through the table, linear in different units
