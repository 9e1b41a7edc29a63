"""How warm water gets when a salt dissolves in it.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from dosingd.chemistry.salts import BAKED_SODA, M_NA2CO3, Salt, salt_named
from dosingd.errors import ChemistryRefused
from dosingd.words import plain

#: Enthalpy of solution at infinite dilution, 25 degC, kJ/mol of the salt as sold; below zero gives off heat.
#: Source: CRC standard enthalpies of formation; the hydrates of CaCl2 from the NBS tables of 1982; those marked m from
#: memory and good to a few kJ/mol.
ENTHALPY_KJ_PER_MOL: Mapping[str, float] = {
    "NaHCO3": 18.7,
    "Na2CO3": -26.6,
    "Na2CO3·H2O": -14.0,  # m
    "Na2CO3·10H2O": 67.0,  # m
    "NaOH": -44.3,
    "CaCl2": -81.8,
    "CaCl2·2H2O": -45.9,
    "CaCl2·6H2O": 15.8,
    "Ca(OH)2": -17.0,  # m
    "MgCl2": -160.0,
    "MgCl2·6H2O": -16.0,  # m
    "MgSO4·7H2O": 16.0,  # m
}

#: Above this water scalds hands that stay in it. Common practice, no source.
SCALDS_FROM_C = 45.0


def heat_capacity_j_per_g_k(anhydrous_share: float) -> float:
    """Heat capacity of a calcium chloride solution, J/(g K), from the mass share of the anhydrous salt, 0 to 0.4.

    Fitted to water and to 3.476 and 3.283 J/(g K) at 0.1258 and 0.1667. Source: Laliberté 2009.
    """
    return 4.18 * (1 - 1.4964 * anhydrous_share + 1.254 * anhydrous_share**2)


def _weighed(salt: Salt) -> tuple[str, float, float]:
    """Formula, g/mol and anhydrous share of what is stirred in: for baked soda the carbonate that left the oven."""
    if salt.name == BAKED_SODA:
        return "Na2CO3", M_NA2CO3, 1.0
    return salt.formula, salt.molar_mass_g_per_mol, salt.anhydrous_fraction


def baked_rise_k(carbonate_g: float, bicarbonate_g: float, water_g: float) -> float:
    """The same for powder from the oven, part carbonate, which warms the water, and part bicarbonate, which cools it:
    K. Raises ChemistryRefused for no powder or no water."""
    whole_g = carbonate_g + bicarbonate_g
    rises = {"sodium carbonate": carbonate_g, "sodium bicarbonate": bicarbonate_g}
    return sum(grams / whole_g * temperature_rise_k(salt, whole_g, water_g) for salt, grams in rises.items() if grams)


def temperature_rise_k(salt_name: str, mass_g: float, water_g: float, *, heat_of_dilution: bool = True) -> float:
    """Temperature rise in K when so many grams of a salt dissolve in so many grams of water, no heat being lost.

    Below zero the water cools. Calcium chloride gives off less in strong solutions (4.4 kJ/mol less at 1.3 mol/kg, 5.3
    at 1.8, going with the root) unless `heat_of_dilution` is off. For other salts that, and a heat capacity of their
    own, are left out: an estimate. Raises ChemistryRefused for masses not above zero. Source: see ENTHALPY_KJ_PER_MOL.
    """
    if not mass_g > 0 or not water_g > 0:
        raise ChemistryRefused(
            f"{plain(mass_g)} g of salt in {plain(water_g)} g of water cannot be: both must be above zero."
        )
    salt = salt_named(salt_name)
    formula, molar_mass, anhydrous = _weighed(salt)
    mol = mass_g / molar_mass
    gives_off_kj_per_mol = -ENTHALPY_KJ_PER_MOL[formula]
    if salt.dissolved == "CaCl2" and heat_of_dilution:
        free_water_kg = (water_g + mass_g * (1 - anhydrous)) / 1000
        gives_off_kj_per_mol -= 3.9 * math.sqrt(mol / free_water_kg)
    whole_g = mass_g + water_g
    return 1000 * mol * gives_off_kj_per_mol / (whole_g * heat_capacity_j_per_g_k(mass_g * anhydrous / whole_g))


def heat_per_gram_j(salt_name: str) -> float:
    """Heat given off per gram of a salt as sold at infinite dilution, J; below zero it is taken up."""
    formula, molar_mass, _ = _weighed(salt_named(salt_name))
    return -1000 * ENTHALPY_KJ_PER_MOL[formula] / molar_mass


def heat_caution(rise_k: float, start_c: float = 20.0) -> str | None:
    """What to say about a rise, from water at `start_c`: scalds, gets warm, or cools; None when it is below 3 K
    either way."""
    ends_c = start_c + rise_k
    if ends_c >= 100:
        return (
            f"Dissolved at once, {plain(start_c)} degC water would boil and spit. Stir the salt in by small portions"
            " and let each cool."
        )
    if ends_c >= SCALDS_FROM_C:
        return (
            f"Dissolved at once, {plain(start_c)} degC water reaches about {ends_c:.0f} degC: it scalds and softens "
            "thin plastic. Cold water, small portions, and let it cool before it is made up to volume."
        )
    if rise_k >= 3:
        return f"The water warms by about {rise_k:.0f} K: let it cool before it is made up to volume."
    if rise_k <= -3:
        return (
            f"The water cools by about {-rise_k:.0f} K: let it come back to the room's temperature; it dissolves "
            "faster then."
        )
    return None
