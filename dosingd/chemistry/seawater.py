"""Seawater: density, specific gravity and salinity; and the units that alkalinity is told in.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math

from dosingd.chemistry.salts import M_CACO3, MEQ_PER_L_PER_DKH
from dosingd.errors import ChemistryRefused
from dosingd.words import plain


def dkh_from_meq_per_l(alkalinity_meq_per_l: float) -> float:
    """Alkalinity, or a change of it, in dKH from meq/L. 1 dKH is the alkalinity of 10 mg CaO per litre, 0.35665 meq/L.

    Source: IUPAC 2021 (Ca 40.078, O 15.999).
    """
    return alkalinity_meq_per_l / MEQ_PER_L_PER_DKH


def meq_per_l_from_dkh(alkalinity_dkh: float) -> float:
    """Alkalinity, or a change of it, in meq/L from dKH."""
    return alkalinity_dkh * MEQ_PER_L_PER_DKH


def mg_caco3_per_l_from_meq_per_l(alkalinity_meq_per_l: float) -> float:
    """Alkalinity in mg/L CaCO3 from meq/L: two equivalents a mole, 50.043 mg a milliequivalent."""
    return alkalinity_meq_per_l * M_CACO3 / 2


def density_kg_per_l(salinity: float, temperature_c: float) -> float:
    """Density of seawater in kg/L at one atmosphere, for practical salinity 0 to 42 and -2 to 40 degC.

    Raises ChemistryRefused outside that range. Source: EOS-80, one atmosphere (Millero and Poisson 1981; UNESCO Tech.
    Pap. Mar. Sci. 44, 1983); the equation is on the 1968 temperature scale, 1.00024 times the degrees of today.
    """
    if not 0 <= salinity <= 42:
        raise ChemistryRefused(f"A salinity of {plain(salinity)} is outside 0 to 42, where seawater is known.")
    if not -2 <= temperature_c <= 40:
        raise ChemistryRefused(f"{plain(temperature_c)} degC is outside -2 to 40 degC, where seawater is known.")
    t = 1.00024 * temperature_c
    water = 999.842594 + t * (
        6.793952e-2 + t * (-9.095290e-3 + t * (1.001685e-4 + t * (-1.120083e-6 + t * 6.536332e-9)))
    )
    a = 0.824493 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)))
    b = -5.72466e-3 + t * (1.0227e-4 + t * -1.6546e-6)
    return (water + salinity * a + salinity * math.sqrt(salinity) * b + salinity * salinity * 4.8314e-4) / 1000


def specific_gravity(salinity: float, at_c: float, over_c: float) -> float:
    """Density of seawater at one temperature over that of pure water at another (25 over 25 is the convention here)."""
    return density_kg_per_l(salinity, at_c) / density_kg_per_l(0.0, over_c)


def specific_gravity_25(salinity: float) -> float:
    """Specific gravity 25/25: density of seawater at 25 degC over that of pure water at 25 degC (35 is 1.0264).

    The convention matters: the same water reads 1.0266 by 20/20 and 1.0234 by 25/4, four units of salinity apart.
    """
    return specific_gravity(salinity, 25.0, 25.0)


def salinity_from_specific_gravity_25(specific_gravity: float) -> float:
    """Practical salinity from specific gravity 25/25, by bisection.

    Raises ChemistryRefused outside salinity 0 to 42 (1.000 to 1.0317).
    """
    low, high = 0.0, 42.0
    if not specific_gravity_25(low) <= specific_gravity <= specific_gravity_25(high):
        raise ChemistryRefused(
            f"A specific gravity of {plain(specific_gravity)} is outside 1.000 to {specific_gravity_25(high):.4f}"
            " (25/25), which is salinity 0 to 42."
        )
    for _ in range(60):
        middle = (low + high) / 2
        if specific_gravity_25(middle) < specific_gravity:
            low = middle
        else:
            high = middle
    return (low + high) / 2
