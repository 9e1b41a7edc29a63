"""Stocks that match: 1 mol of calcium for 2 eq of alkalinity, as corals take them; and what the pair leaves in the
water.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Iterable

from dosingd.chemistry.salts import M_CACO3, M_MG, M_NACL, MEQ_PER_L_PER_DKH, formula_mass_g_per_mol, salt_named
from dosingd.chemistry.stock import Portion, Strength
from dosingd.errors import ChemistryRefused
from dosingd.records import Substance
from dosingd.words import plain

#: Magnesium over calcium in the aragonite of reef corals, mol/mol (Mitsuguchi et al. 1996, Science 274, 961, from
#: memory).
ARAGONITE_MG_PER_CA = 0.0045
#: Share of MgCO3 in coralline algae, mol/mol; 0.10 to 0.20 (from memory).
CORALLINE_MG_SHARE = 0.15


def partner_strength(strength: Strength) -> Strength:
    """The stock that pairs mL for mL: 1 mol of calcium for 2 eq of alkalinity (Ca + 2 HCO3 -> CaCO3 + CO2 + H2O).

    From an alkalinity stock the calcium stock, from a calcium stock the alkalinity stock. Raises ChemistryRefused for a
    stock that gives both or neither.
    """
    alkalinity, calcium = strength.alkalinity_eq_per_l, strength.calcium_mol_per_l
    if bool(alkalinity) == bool(calcium):
        raise ChemistryRefused("Only a stock of alkalinity, or one of calcium, has a partner for equal volumes.")
    if alkalinity:
        return Strength(calcium_mol_per_l=alkalinity / 2)
    return Strength(alkalinity_eq_per_l=2 * calcium)


def partner_mass_g(strength: Strength, salt_name: str, volume_l: float, assay: float = 1.0) -> float:
    """Grams of the partner's salt for the partner stock of equal volume. Raises ChemistryRefused for a wrong salt."""
    partner = partner_strength(strength)
    salt = salt_named(salt_name)
    substance = Substance.CALCIUM if partner.calcium_mol_per_l else Substance.ALKALINITY
    if not salt.per_gram(substance) or (salt.base and salt.calcium_mol_per_mol):
        raise ChemistryRefused(f"{salt.name} makes no {substance} stock that could be the partner.")
    if not 0 < assay <= 1:
        raise ChemistryRefused(f"An assay of {plain(assay * 100)} % cannot be; it is above 0 to 100 %.")
    if not volume_l > 0:
        raise ChemistryRefused(f"A stock cannot be made up to {plain(volume_l)} L.")
    return partner.of(substance) * volume_l / salt.per_gram(substance) / assay


def volumes_match(alkalinity_eq: float, calcium_mol: float, within: float = 0.01) -> bool:
    """Whether alkalinity and calcium given, in eq and mol, are 2 : 1 within 1 %."""
    return calcium_mol > 0 and abs(alkalinity_eq / calcium_mol / 2 - 1) <= within


def magnesium_mg_per_l_per_dkh(magnesium_share: float) -> float:
    """Magnesium taken up with 1 dKH, mg/L, when that mole share of the metal in the carbonate is magnesium."""
    return MEQ_PER_L_PER_DKH / 2 * magnesium_share * M_MG


def magnesium_suggestion() -> tuple[float, float, str]:
    """(least, most, basis): magnesium taken up with each dKH, mg/L. Real tanks lie between the two."""
    least = magnesium_mg_per_l_per_dkh(ARAGONITE_MG_PER_CA)
    most = magnesium_mg_per_l_per_dkh(CORALLINE_MG_SHARE)
    basis = (
        f"All growth as coral aragonite (4.5 mmol Mg per mol Ca) takes {least:.3f} mg/L of magnesium per dKH, "
        "all as coralline "
        f"algae (15 mol% Mg) {most:.2f} mg/L. One part of magnesium to ten of calcium by mass, 0.7 mg/L, is "
        "common practice "
        "without a source and is the upper end. Follow the magnesium test."
    )
    return least, most, basis


def carbonate_deposited_g(change_dkh: float, water_l: float) -> float:
    """Grams of CaCO3 that a fall of the alkalinity by so many dKH means in so many litres."""
    return change_dkh * MEQ_PER_L_PER_DKH / 2 * water_l * M_CACO3 / 1000


def carbonate_if_mixed_g_per_l(alkalinity: Strength, calcium: Strength) -> float:
    """Grams of CaCO3 in a litre when the two stocks meet 1 : 1 undiluted: why they never may."""
    return min(alkalinity.alkalinity_eq_per_l / 2, calcium.calcium_mol_per_l) / 2 * M_CACO3


def salt_creep_g_per_kg(consumption_dkh_per_day: float, days: float, density_kg_per_l: float) -> float:
    """Sodium chloride, g/kg, that a balanced pair leaves after so many days without a water change, volume kept.

    Each milliequivalent of alkalinity with half a millimole of calcium chloride leaves 58.44 mg, once the carbonate has
    been deposited: 0.611 g/kg in 30 days at 1 dKH a day.
    """
    return consumption_dkh_per_day * days * MEQ_PER_L_PER_DKH * M_NACL / 1000 / density_kg_per_l


def salt_creep_steady_g_per_kg(
    consumption_dkh_per_day: float, change_fraction: float, every_days: float, density_kg_per_l: float
) -> float:
    """Excess salt, g/kg, just before each water change once it no longer grows: what one period brings over the share
    changed. Raises ChemistryRefused for a share outside above 0 to 1."""
    if not 0 < change_fraction <= 1:
        raise ChemistryRefused(f"A water change of {plain(change_fraction * 100)} % cannot be; it is above 0 to 100 %.")
    return salt_creep_g_per_kg(consumption_dkh_per_day, every_days, density_kg_per_l) / change_fraction


def left_behind_g(portions: Iterable[Portion]) -> float:
    """Grams of sodium, chloride and sulfate that the salts of a stock leave in the water for good.

    Calcium, carbonate and magnesium are taken up; these three stay. The halves of a balanced pair sum to its NaCl.
    """
    total = 0.0
    for portion in portions:
        salt = salt_named(portion.salt)
        mol = portion.mass_g * (1.0 if portion.assay is None else portion.assay) / salt.molar_mass_g_per_mol
        sodium = salt.alkalinity_eq_per_mol if "Na" in salt.formula else 0.0
        chloride = 2.0 if "Cl2" in salt.formula else 0.0
        sulfate = 1.0 if "SO4" in salt.formula else 0.0
        total += mol * (
            sodium * formula_mass_g_per_mol("Na")
            + chloride * formula_mass_g_per_mol("Cl")
            + sulfate * formula_mass_g_per_mol("SO4")
        )
    return total


def left_behind_g_per_l(strength: Strength) -> float:
    """The same for a stock known by its strength only, taken as sodium salt and chlorides: g per litre of stock."""
    chlorides = strength.calcium_mol_per_l + strength.magnesium_mol_per_l
    return strength.alkalinity_eq_per_l * formula_mass_g_per_mol("Na") + 2 * chlorides * formula_mass_g_per_mol("Cl")
