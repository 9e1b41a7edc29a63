"""Strength of stocks from salts, labels and mixing. Numbers: stoichiometry with IUPAC 2021 weights, worked by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.chemistry.salts import SALTS
from dosingd.chemistry.stock import Strength, mixed, strength_from_label, strength_from_salts, strength_of
from dosingd.errors import ChemistryRefused
from dosingd.plan.model import SaltPortion
from dosingd.records import Substance


def test_strength_counts_assay_and_volume() -> None:
    # 190 g * 0.985 / 105.988 g/mol * 2 eq/mol / 2 L
    stock = strength_from_salts([SaltPortion("sodium carbonate", 190, 0.985)], 2)
    assert stock.alkalinity_eq_per_l == pytest.approx(1.76576, rel=1e-5)
    assert (stock.calcium_mol_per_l, stock.magnesium_mol_per_l) == (0, 0)


def test_baking_does_not_change_the_strength_of_what_went_into_the_oven() -> None:
    baked = strength_from_salts([SaltPortion("baked soda", 301, 0.99)], 2)
    assert baked == strength_from_salts([SaltPortion("sodium bicarbonate", 301, 0.99)], 2)


def test_every_ion_of_every_salt_counts() -> None:
    stock = strength_from_salts(
        [
            SaltPortion("calcium chloride dihydrate", 147.008, 1.0),
            SaltPortion("magnesium chloride hexahydrate", 203.295, 0.5),
        ],
        2,
    )
    assert stock.calcium_mol_per_l == pytest.approx(0.5)
    assert stock.magnesium_mol_per_l == pytest.approx(0.25)
    lime = strength_from_salts([SaltPortion("calcium hydroxide", 1.4)], 1)
    assert lime.alkalinity_eq_per_l == pytest.approx(2 * lime.calcium_mol_per_l) == pytest.approx(0.037791, rel=1e-4)


def test_an_assay_not_said_never_makes_a_dose_larger() -> None:
    said = strength_from_salts([SaltPortion("sodium carbonate", 100, 0.97)], 1)
    unsaid = strength_from_salts([SaltPortion("sodium carbonate", 100)], 1)
    assert unsaid.alkalinity_eq_per_l > said.alkalinity_eq_per_l  # the stronger stock gets the smaller dose


@pytest.mark.parametrize(
    ("portions", "made_up_to_l", "says"),
    [
        ([], 1, "at least one salt"),
        ([SaltPortion("sodium carbonate", 10)], 0, "made up to 0 L"),
        ([SaltPortion("sodium carbonate", 10)], float("nan"), "made up to nan L"),
        ([SaltPortion("sodium carbonate", 0)], 1, "0 g of sodium carbonate"),
        ([SaltPortion("sodium carbonate", 10, 1.01)], 1, "An assay of 101 % cannot be"),
        ([SaltPortion("sodium carbonate", 10, 0)], 1, "An assay of 0 % cannot be"),
        ([SaltPortion("sodium carbonate", 10), SaltPortion("calcium chloride dihydrate", 1)], 1, "two stocks"),
        ([SaltPortion("sodium hydroxide", 10), SaltPortion("magnesium chloride hexahydrate", 1)], 1, "two stocks"),
        ([SaltPortion("calcium hydroxide", 1), SaltPortion("magnesium chloride hexahydrate", 1)], 1, "two stocks"),
        ([SaltPortion("calcium hydroxide", 1), SaltPortion("baked soda", 1)], 1, "two stocks"),
        ([SaltPortion("calcium chloride", 10)], 1, "dihydrate"),
    ],
)
def test_a_stock_that_cannot_be_is_refused_in_one_sentence(
    portions: list[SaltPortion], made_up_to_l: float, says: str
) -> None:
    with pytest.raises(ChemistryRefused) as refused:
        strength_from_salts(portions, made_up_to_l)
    assert says in str(refused.value)


@given(
    st.sampled_from(sorted(SALTS)),
    st.floats(0.1, 5000),
    st.floats(0.5, 1),
    st.floats(0.1, 50),
    st.floats(1.1, 10),
)
def test_strength_goes_with_mass_and_assay_and_against_volume(
    salt: str, mass_g: float, assay: float, made_up_to_l: float, times: float
) -> None:
    one = strength_from_salts([SaltPortion(salt, mass_g, assay)], made_up_to_l)
    more = strength_from_salts([SaltPortion(salt, mass_g * times, assay)], made_up_to_l)
    wider = strength_from_salts([SaltPortion(salt, mass_g, assay)], made_up_to_l * times)
    for substance in (Substance.ALKALINITY, Substance.CALCIUM, Substance.MAGNESIUM):
        assert more.of(substance) == pytest.approx(one.of(substance) * times)
        assert wider.of(substance) == pytest.approx(one.of(substance) / times)
        assert one.of(substance) * made_up_to_l == pytest.approx(mass_g * assay * SALTS[salt].per_gram(substance))


def test_a_label_gives_the_strength_that_does_what_it_says() -> None:
    # "adds 0.05 dKH per 1 mL to 100 L": 0.05 * 0.356652 meq/L * 100 L in 1 mL.
    strength = strength_from_label(Substance.ALKALINITY, 0.05 * 0.3566525, 1.0, 100.0)
    assert strength.alkalinity_eq_per_l == pytest.approx(1.78326, rel=1e-5)
    # "adds 20 mg/L calcium per 10 mL to 50 L": 1000 mg in 10 mL, 40.078 g/mol.
    assert strength_from_label(Substance.CALCIUM, 20 / 40.078, 10, 50).calcium_mol_per_l == pytest.approx(
        2.4951, rel=1e-4
    )


@pytest.mark.parametrize(("change", "per_ml", "to_l"), [(0.1, 0, 100), (0.1, 1, 0), (0, 1, 100), (0.1, -1, -100)])
def test_a_label_with_nothing_in_it_is_refused(change: float, per_ml: float, to_l: float) -> None:
    with pytest.raises(ChemistryRefused):
        strength_from_label(Substance.ALKALINITY, change, per_ml, to_l)


def test_a_stock_that_gives_something_else_has_no_strength() -> None:
    with pytest.raises(ChemistryRefused):
        strength_of(Substance.OTHER, 1.0)
    assert Strength(1, 2, 3).of(Substance.OTHER) == 0


def test_mixing_is_by_volume() -> None:
    together = mixed([(Strength(2.0, 0.2, 0.02), 300), (Strength(1.0, 0.1, 0.01), 100)])
    assert together.alkalinity_eq_per_l == pytest.approx(1.75)
    assert together.calcium_mol_per_l == pytest.approx(0.175)
    assert together.magnesium_mol_per_l == pytest.approx(0.0175)
    for parts in ([], [(Strength(1.0), 0.0)], [(Strength(1.0), 5.0), (Strength(1.0), -1.0)]):
        with pytest.raises(ChemistryRefused):
            mixed(parts)
