"""One channel with one stock in its reservoir: strength, volumes, days, pH step, salt, and what a fault could do.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from attrs import frozen

from dosingd import units
from dosingd.chemistry import balance, carbonate
from dosingd.chemistry.density import stock_density_kg_per_l
from dosingd.chemistry.seawater import density_kg_per_l
from dosingd.chemistry.stock import Strength
from dosingd.daily import Strengths, daily_volume_ul, plan_strengths
from dosingd.errors import ChemistryRefused
from dosingd.plan import Plan
from dosingd.plan.amounts import shown_change
from dosingd.plan.model import Stock
from dosingd.records import Substance
from dosingd.reservoir import days_left

#: Salt that gathers is told for so many days without a water change.
CREEP_DAYS = 30
#: The tank's alkalinity where none is said, dKH: natural seawater has 6.5 to 7, most reef tanks 7 to 9. Common
#: practice, no source.
USUAL_DKH = 8.0


@frozen
class Standing:
    """One channel with one stock in its reservoir. What is not known is None."""

    stock: str
    strength: float | None  #: eq/L of alkalinity, g/L of calcium or magnesium
    strength_unit: str
    daily_ml: float
    doses: int
    dose_ml: float
    smallest_ml: float
    reservoir_days: float | None
    ph_step: float | None  #: of one dose, well mixed, while no gas has been exchanged
    salt_g_per_kg_30d: float | None  #: sodium, chloride and sulfate that this channel leaves in the water
    density_kg_per_l: float | None
    whole_reservoir: str | None  #: what all of it at once would change in the tank
    stuck_a_minute: str | None  #: what a pump stuck on changes in a minute

    @property
    def too_small(self) -> bool:
        """Whether the pump cannot give a dose well."""
        return 0 < self.dose_ml < self.smallest_ml


@frozen
class Change:
    """One channel before and after."""

    before: Standing
    after: Standing


def standings(plan: Plan, alkalinity_dkh: float = USUAL_DKH) -> dict[str, Standing]:
    """Each channel as the plan has it: strength, volumes, days, pH step and salt."""
    strengths = plan_strengths(plan)
    return {channel: _standing(plan, channel, strengths, alkalinity_dkh) for channel in plan.channels}


def _standing(plan: Plan, channel: str, strengths: Strengths, alkalinity_dkh: float) -> Standing:
    item, stock, strength = plan.channels[channel], plan.stock_of(channel), strengths[channel]
    daily_ul = daily_volume_ul(plan, channel, strengths)
    value, unit = _told(strength, stock.gives)
    return Standing(
        stock=stock.id,
        strength=value,
        strength_unit=unit,
        daily_ml=units.ml_from_ul(float(daily_ul)),
        doses=item.doses,
        dose_ml=units.ml_from_ul(float(daily_ul) / item.doses),
        smallest_ml=units.ml_from_ul(item.pump.smallest_ul),
        reservoir_days=days_left(item.reservoir.holds_ul, item.reservoir, daily_ul),
        ph_step=_ph_step(plan, stock, float(daily_ul) / item.doses, alkalinity_dkh),
        salt_g_per_kg_30d=_salt(plan, stock, float(daily_ul)),
        density_kg_per_l=_density(stock),
        whole_reservoir=_tank_change(plan, stock, item.reservoir.holds_ul),
        stuck_a_minute=_tank_change(plan, stock, item.pump.nominal_ul_per_s * 60),
    )


def _told(strength: Strength | None, substance: Substance) -> tuple[float | None, str]:
    if strength is None or substance is Substance.OTHER:
        return None, ""
    if substance is Substance.ALKALINITY:
        return strength.alkalinity_eq_per_l, "eq/L"
    return units.mg_per_l_from_mmol_per_l(strength.of(substance), substance), "g/L"


def _tank_change(plan: Plan, stock: Stock, volume_ul: float) -> str | None:
    if stock.strength is None or stock.strength.of(stock.gives) <= 0:
        return None
    return shown_change(volume_ul * stock.strength.of(stock.gives) / 1000 / plan.tank.water_l, stock.gives)


def _ph_step(plan: Plan, stock: Stock, dose_ul: float, alkalinity_dkh: float) -> float | None:
    """pH after one dose less pH before it, in the plan's water; 0 for a stock without alkalinity."""
    if stock.strength is None:
        return None
    if stock.strength.alkalinity_eq_per_l <= 0:
        return 0.0
    carbon = carbonate.carbon_per_eq_of(stock.salts)
    if carbon is None:
        return None  # told by its strength alone: carbonate, bicarbonate and hydroxide differ even in sign
    tank = plan.tank
    added_meq_per_l = dose_ul * stock.strength.alkalinity_eq_per_l / 1000 / tank.water_l
    try:
        water = carbonate.water_from_co2(
            carbonate.umol_per_kg_from_dkh(alkalinity_dkh, tank.salinity, tank.temperature_c),
            carbonate.OUTDOOR_UATM if tank.co2_ppm is None else tank.co2_ppm,
            tank.salinity,
            tank.temperature_c,
        )
        added = carbonate.umol_per_kg_from_meq_per_l(added_meq_per_l, tank.salinity, tank.temperature_c)
        return carbonate.dose_effect_of(water, added, carbon, tank.salinity, tank.temperature_c).delta_ph
    except ChemistryRefused:
        return None  # brackish or cold water, where the constants do not hold


def _salt(plan: Plan, stock: Stock, daily_ul: float) -> float | None:
    """Salt left in 30 days without a water change, g/kg of the tank's water."""
    if stock.strength is None:
        return None
    if stock.salts and stock.made_up_to_l:
        per_l = balance.left_behind_g(stock.salts) / stock.made_up_to_l
    else:
        per_l = balance.left_behind_g_per_l(stock.strength)
    water_kg = plan.tank.water_l * density_kg_per_l(plan.tank.salinity, plan.tank.temperature_c)
    return per_l * units.l_from_ul(daily_ul) * CREEP_DAYS / water_kg


def _density(stock: Stock) -> float | None:
    if not stock.salts or not stock.made_up_to_l:
        return None
    try:
        return stock_density_kg_per_l(stock.salts, stock.made_up_to_l)
    except ChemistryRefused:
        return None  # beyond the density tables
