"""Volumes from weighings in air: water by its temperature, another liquid by its density.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math

from dosingd.chemistry.seawater import density_kg_per_l
from dosingd.errors import ChemistryRefused
from dosingd.words import plain

#: Density of the weights by which balances are adjusted, in kg/m3 (OIML R 111-1, conventional mass).
WEIGHTS_KG_PER_M3 = 8000.0
#: Air of a room: 1013.25 hPa, 20 degC, half saturated. Across the rooms of a house it changes a volume by 0.01 %.
ROOM_HPA, ROOM_C, ROOM_HUMIDITY_PERCENT = 1013.25, 20.0, 50.0
#: Water that is weighed has a room's temperature.
COLDEST_WATER_C, WARMEST_WATER_C = 5.0, 40.0
#: Stocks and water; heavier than any salt's saturated solution in use here, and lighter than any of them.
LIGHTEST_KG_PER_L, HEAVIEST_KG_PER_L = 0.95, 1.6


def air_density_kg_per_m3(
    pressure_hpa: float = ROOM_HPA, temperature_c: float = ROOM_C, humidity_percent: float = ROOM_HUMIDITY_PERCENT
) -> float:
    """Density of moist air in kg/m3, good to 0.02 % between 15 and 27 degC.

    Source: OIML R 111-1 (2004), E.3, the simplified CIPM formula.
    """
    vapour = 0.009 * humidity_percent * math.exp(0.061 * temperature_c)
    return (0.34848 * pressure_hpa - vapour) / (273.15 + temperature_c)


def ml_per_g(density_kg_per_l: float, air_kg_per_m3: float | None = None) -> float:
    """mL for each gram that a balance shows in air of a liquid of this density in kg/L; for water the Z factor.

    Z = (1 - air / weights) / (liquid - air): the balance was adjusted with weights that the air bears up less than
    the liquid. Source: ISO 8655-6, annex on the calculation of liquid volumes from balance readings.
    """
    air = air_density_kg_per_m3() if air_kg_per_m3 is None else air_kg_per_m3
    return (1 - air / WEIGHTS_KG_PER_M3) / (density_kg_per_l * 1000 - air) * 1000


def z_factor_ml_per_g(water_c: float, pressure_hpa: float = ROOM_HPA) -> float:
    """mL for each gram that a balance shows of water at 5 to 40 degC; the air has the water's temperature.

    Raises ChemistryRefused outside that range. Source: ISO 8655-6; water at one atmosphere by EOS-80 at salinity 0,
    within 0.01 kg/m3 of Tanaka et al. 2001.
    """
    if not COLDEST_WATER_C <= water_c <= WARMEST_WATER_C:
        raise ChemistryRefused(
            f"Water of {plain(water_c, 4)} degC cannot be weighed in a room: {plain(COLDEST_WATER_C)} to"
            f" {plain(WARMEST_WATER_C)} degC."
        )
    air = air_density_kg_per_m3(pressure_hpa, water_c)
    return ml_per_g(density_kg_per_l(0.0, water_c), air)


def stock_ml_per_g(stock_kg_per_l: float) -> float:
    """mL for each gram that a balance shows of a stock of this density in kg/L, 0.95 to 1.6.

    Raises ChemistryRefused outside that range, where no aqueous stock lies.
    """
    if not LIGHTEST_KG_PER_L <= stock_kg_per_l <= HEAVIEST_KG_PER_L:
        raise ChemistryRefused(
            f"{plain(stock_kg_per_l)} kg/L is no density of a stock: {plain(LIGHTEST_KG_PER_L)} to"
            f" {plain(HEAVIEST_KG_PER_L)} kg/L."
        )
    return ml_per_g(stock_kg_per_l)
