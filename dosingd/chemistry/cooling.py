"""What crystallises when a stock cools, and how weak the liquid gets.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import frozen

from dosingd.chemistry.salts import formula_mass_g_per_mol
from dosingd.chemistry.solubility import saturated_mass_percent, saturated_mol_per_l
from dosingd.errors import ChemistryRefused
from dosingd.words import plain

#: What comes out, 0 to 30 degC: the solid phases of the solubility tables.
SOLID: Mapping[str, str] = {
    "NaHCO3": "NaHCO3",
    "Na2CO3": "Na2CO3·10H2O",
    "CaCl2": "CaCl2·6H2O",
    "MgCl2": "MgCl2·6H2O",
    "MgSO4": "MgSO4·7H2O",
}


@frozen
class Crystallised:
    """What is left when a stock has cooled: grams of solid from each kilogram of stock, mol/L of the clear liquid, and
    how much weaker it is than before, in percent."""

    solid: str
    solid_g_per_kg: float
    liquid_mol_per_l: float
    weaker_percent: float


def crystallised(dissolved: str, mass_percent: float, mol_per_l: float, temperature_c: float) -> Crystallised:
    """What a stock of one salt, given by its mass percent and its mol/L, becomes at a temperature of 0 to 30 degC.

    By the lever rule on the solubility table: the solid takes its water of crystallisation along. Nothing comes out
    below saturation. Raises ChemistryRefused outside the table, and for a stock that holds more salt than its crystals
    do.
    """
    saturated = saturated_mass_percent(dissolved, temperature_c)
    in_solid = 100 * formula_mass_g_per_mol(dissolved) / formula_mass_g_per_mol(SOLID[dissolved])
    if not 0 < mass_percent < in_solid:
        raise ChemistryRefused(
            f"{plain(mass_percent)} % of {dissolved} is no solution: its crystals hold {in_solid:.0f} %."
        )
    if mass_percent <= saturated:
        return Crystallised(SOLID[dissolved], 0.0, mol_per_l, 0.0)
    liquid = saturated_mol_per_l(dissolved, temperature_c)
    return Crystallised(
        SOLID[dissolved],
        1000 * (mass_percent - saturated) / (in_solid - saturated),
        liquid,
        100 * (1 - liquid / mol_per_l),
    )
