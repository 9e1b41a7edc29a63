"""Density of stocks at 20 degC, and weighing instead of measuring.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import pairwise

from attrs import frozen

from dosingd.chemistry.salts import BAKED_SODA, salt_named
from dosingd.chemistry.stock import Portion, Strength, refuse_senseless, strength_from_salts
from dosingd.errors import ChemistryRefused
from dosingd.words import plain

#: Pure water at 20 degC, kg/L. Source: Tanaka et al. 2001, Metrologia 38, 301.
WATER_20C_KG_PER_L = 0.998207

#: (mass percent of the anhydrous salt, kg/L) at 20 degC. Source: CRC Handbook of Chemistry and Physics, 102nd ed.,
#: "Concentrative Properties of Aqueous Solutions"; the last point of each but MgSO4 and NaOH is the saturated solution
#: (CRC mass percent, density by Laliberté and Cooper 2004). NaOH: CRC, from memory.
AT_20C: Mapping[str, tuple[tuple[float, float], ...]] = {
    "Na2CO3": (
        (0, WATER_20C_KG_PER_L), (1, 1.0086), (2, 1.0190), (4, 1.0398), (6, 1.0606), (8, 1.0816),
        (10, 1.1029), (12, 1.1244), (14, 1.1463), (15, 1.1574), (17.9, 1.1907),
    ),
    "NaHCO3": (
        (0, WATER_20C_KG_PER_L), (1, 1.0054), (2, 1.0125), (3, 1.0196), (4, 1.0266), (5, 1.0337),
        (6, 1.0408), (8.73, 1.0609),
    ),
    "CaCl2": (
        (0, WATER_20C_KG_PER_L), (1, 1.0065), (5, 1.0401), (10, 1.0835), (15, 1.1292), (20, 1.1775),
        (30, 1.2816), (40, 1.3957), (42.13, 1.4173),
    ),
    "MgCl2": (
        (0, WATER_20C_KG_PER_L), (1, 1.0062), (5, 1.0394), (10, 1.0826), (20, 1.1742), (30, 1.2763), (35.58, 1.3318),
    ),
    "MgSO4": ((0, WATER_20C_KG_PER_L), (1, 1.0084), (5, 1.0497), (10, 1.1034), (20, 1.2198), (26, 1.2961)),
    "NaOH": ((0, WATER_20C_KG_PER_L), (5, 1.0538), (10, 1.1089), (20, 1.2191), (30, 1.3279), (40, 1.4300)),
}  # fmt: skip


def density_from_mass_percent(dissolved: str, mass_percent: float) -> float:
    """Density in kg/L at 20 degC of a solution of that mass percent of the anhydrous salt, linear between the table's
    points.

    Raises ChemistryRefused outside the table (above saturation) and for a salt without one. Source: see AT_20C.
    """
    if dissolved not in AT_20C:
        raise ChemistryRefused(f"There is no density table for {dissolved} here.")
    for (light, light_density), (heavy, heavy_density) in pairwise(AT_20C[dissolved]):
        if light <= mass_percent <= heavy:
            return light_density + (mass_percent - light) / (heavy - light) * (heavy_density - light_density)
    most = AT_20C[dissolved][-1][0]
    raise ChemistryRefused(
        f"{plain(mass_percent)} % of {dissolved} is outside 0 to {plain(most)} %, the range of the density table."
    )


def density_from_g_per_l(dissolved: str, g_per_l: float) -> float:
    """Density in kg/L at 20 degC of a solution that holds so many grams of the anhydrous salt per litre.

    Raises ChemistryRefused outside the table (above saturation) and for a salt without one. Source: see AT_20C.
    """
    if dissolved not in AT_20C:
        raise ChemistryRefused(f"There is no density table for {dissolved} here.")
    points = [(10 * percent * density, density) for percent, density in AT_20C[dissolved]]
    for (thin, thin_density), (thick, thick_density) in pairwise(points):
        if thin <= g_per_l <= thick:
            return thin_density + (g_per_l - thin) / (thick - thin) * (thick_density - thin_density)
    raise ChemistryRefused(
        f"{plain(g_per_l)} g of {dissolved} per litre is outside 0 to {points[-1][0]:.0f}, the range of"
        " the density table."
    )


def dissolved_g(portions: Iterable[Portion], conversion: float = 1.0) -> dict[str, float]:
    """Grams of each anhydrous salt that the portions put into the water; baked soda by how far it was baked."""
    grams: dict[str, float] = {}
    for portion in portions:
        salt = salt_named(portion.salt)
        pure_g = portion.mass_g * (1.0 if portion.assay is None else portion.assay)
        if salt.name == BAKED_SODA:
            grams["Na2CO3"] = grams.get("Na2CO3", 0.0) + pure_g * salt.anhydrous_fraction * conversion
            grams["NaHCO3"] = grams.get("NaHCO3", 0.0) + pure_g * (1 - conversion)
        else:
            grams[salt.dissolved] = grams.get(salt.dissolved, 0.0) + pure_g * salt.anhydrous_fraction
    return grams


def stock_density_kg_per_l(portions: Iterable[Portion], made_up_to_l: float, conversion: float = 1.0) -> float:
    """Density of a stock in kg/L at 20 degC. For several salts what each adds to the density of water is summed.

    Raises ChemistryRefused for a stock beyond the density tables (above saturation) or one that cannot be.
    """
    portions = tuple(portions)
    refuse_senseless(portions, made_up_to_l)
    grams = dissolved_g(portions, conversion)
    lime_g_per_l = grams.pop("Ca(OH)2", 0.0) / made_up_to_l
    return (
        WATER_20C_KG_PER_L
        # A gram of lime takes no room to speak of: Ca(OH)2 goes to about 1.7 g/L.
        + lime_g_per_l / 1000
        + sum(density_from_g_per_l(salt, g / made_up_to_l) - WATER_20C_KG_PER_L for salt, g in grams.items() if g)
    )


@frozen
class MadeByMass:
    """A stock made on the balance: mass, volume at 20 degC, strength per litre and per kilogram."""

    mass_kg: float
    volume_l: float
    density_kg_per_l: float
    strength: Strength
    per_kg: Strength


def made_by_mass(portion: Portion, water_g: float) -> MadeByMass:
    """What comes of one salt weighed into a weighed amount of water. Strength per kilogram does not change with the
    temperature, strength per litre is that at 20 degC.

    Raises ChemistryRefused for no water, and beyond the density tables.
    """
    refuse_senseless((portion,), 1.0)
    if not water_g > 0:
        raise ChemistryRefused(f"{plain(water_g)} g of water is no water. Say how much the salt is stirred into.")
    if salt_named(portion.salt).name == BAKED_SODA:
        raise ChemistryRefused(
            "Baked soda is told by the bicarbonate before the oven; on the balance call it sodium carbonate."
        )
    (dissolved, grams), *_ = ((salt, g) for salt, g in dissolved_g((portion,)).items() if g)
    mass_g = portion.mass_g + water_g
    density = density_from_mass_percent(dissolved, 100 * grams / mass_g)
    volume_l = mass_g / 1000 / density
    strength = strength_from_salts((portion,), volume_l)
    return MadeByMass(mass_g / 1000, volume_l, density, strength, strength_from_salts((portion,), mass_g / 1000))


def weighed_g(volume_ml: float, density_kg_per_l: float) -> float:
    """Grams that a volume of stock weighs: for dosing or calibrating on a balance."""
    return volume_ml * density_kg_per_l


def calibration_error_percent(density_kg_per_l: float) -> float:
    """How far a volume is off, in percent, when a stock is weighed and its grams are taken for millilitres."""
    return 100 * (density_kg_per_l - 1)
