"""Salts: masses against periodictable, names, near misses, and what is refused because it could be two things."""

from __future__ import annotations

import periodictable
import pytest

from dosingd.chemistry.salts import BAKED_SODA, SALTS, salt_named
from dosingd.errors import ChemistryRefused
from dosingd.records import Substance

#: Every name that the plan's format promises.
PROMISED = """sodium bicarbonate|sodium carbonate|sodium carbonate monohydrate|sodium carbonate decahydrate|baked soda|
sodium hydroxide|calcium chloride anhydrous|calcium chloride dihydrate|calcium chloride hexahydrate|calcium hydroxide|
magnesium chloride hexahydrate|magnesium sulfate heptahydrate""".replace("\n", "").split("|")


@pytest.mark.parametrize("name", PROMISED)
def test_every_promised_salt_is_known_and_gives_something(name: str) -> None:
    salt = salt_named(name)
    assert salt.per_gram(salt.gives) > 0


def test_no_other_salt_is_known() -> None:
    assert set(SALTS) == set(PROMISED)


@pytest.mark.parametrize("salt", SALTS.values(), ids=lambda salt: salt.name)
def test_formula_masses_are_those_of_periodictable(salt: object) -> None:
    # Oracle: periodictable 2.1, which carries the full IUPAC table; the abridged one differs in the fifth figure.
    formula = salt.formula.replace("·", "+")  # type: ignore[attr-defined]
    assert salt.molar_mass_g_per_mol == pytest.approx(periodictable.formula(formula).mass, rel=1e-4)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Calcium Chloride, dihydrate", "calcium chloride dihydrate"),
        ("anhydrous calcium chloride", "calcium chloride anhydrous"),
        ("calcium-chloride (anhydrous)", "calcium chloride anhydrous"),
        ("magnesium sulphate heptahydrate", "magnesium sulfate heptahydrate"),
        ("  BAKED   SODA ", BAKED_SODA),
        ("baking soda", "sodium bicarbonate"),
    ],
)
def test_spellings_of_one_salt_are_read(text: str, name: str) -> None:
    assert salt_named(text).name == name


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("calcium chloride", "calcium chloride anhydrous, calcium chloride dihydrate or calcium chloride hexahydrate"),
        ("washing soda", "sodium carbonate decahydrate"),
        ("magnesium chloride", "Write magnesium chloride hexahydrate"),
        ("sodium carbonat", 'Did you mean "sodium carbonate"?'),
        ("sodum hydroxide", 'Did you mean "sodium hydroxide"?'),
        ("CaCl2·2H2O", "write the name: calcium chloride dihydrate"),
        ("table salt", "Known are: sodium bicarbonate"),
        ("", "Known are"),
    ],
)
def test_a_name_that_could_be_two_salts_or_none_is_refused_with_the_choices(text: str, says: str) -> None:
    with pytest.raises(ChemistryRefused) as refused:
        salt_named(text)
    assert says in str(refused.value)


def test_calcium_hydroxide_gives_alkalinity_and_calcium() -> None:
    lime = salt_named("calcium hydroxide")
    assert lime.per_gram(Substance.ALKALINITY) == 2 * lime.per_gram(Substance.CALCIUM) > 0
    assert lime.per_gram(Substance.OTHER) == 0


def test_baked_soda_is_weighed_as_bicarbonate_and_leaves_as_carbonate() -> None:
    # 0.6308 g/g: stoichiometry of 2 NaHCO3 -> Na2CO3 + H2O + CO2.
    assert salt_named(BAKED_SODA).anhydrous_fraction == pytest.approx(0.630836, abs=1e-5)
    assert salt_named(BAKED_SODA).per_gram(Substance.ALKALINITY) == salt_named("baking soda").per_gram(
        Substance.ALKALINITY
    )
