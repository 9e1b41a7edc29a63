"""The CO2 system of seawater: pH, dissolved inorganic carbon and aragonite saturation, and what a dose does to them.

Alkalinity is total alkalinity: carbonate, borate and water, with sulfate and fluoride; phosphate and silicate are left
out (a reef tank's few µmol/kg move pH by less than 0.001). Everything is per kilogram of seawater, at atmospheric
pressure, pH on the total scale, by the constants of `equilibria`.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from attrs import frozen

from dosingd.chemistry.equilibria import Constants, constants
from dosingd.chemistry.salts import Base, salt_named
from dosingd.chemistry.seawater import density_kg_per_l, meq_per_l_from_dkh
from dosingd.chemistry.stock import Portion
from dosingd.errors import ChemistryRefused
from dosingd.records import Substance
from dosingd.words import plain

#: Mole of inorganic carbon that a dose brings with each equivalent.
CARBON_PER_EQ: Mapping[Base, float] = {Base.CARBONATE: 0.5, Base.BICARBONATE: 1.0, Base.HYDROXIDE: 0.0}

#: CO2 of outdoor air, µatm, taken where no other is said; rooms have 500 to 1500. Common practice, no source: round.
OUTDOOR_UATM = 400.0


@frozen
class Water:
    """The CO2 system of one water. Alkalinity and carbon in µmol/kg, CO2 as µatm pCO2, pH on the total scale."""

    alkalinity_umol_per_kg: float
    dic_umol_per_kg: float
    ph: float
    pco2_uatm: float
    omega_aragonite: float


@frozen
class DoseEffect:
    """A dose's effect: before; after, while no gas has been exchanged; and once the CO2 of the air is back in
    balance."""

    before: Water
    after: Water
    after_exchange: Water

    @property
    def delta_ph(self) -> float:
        """The step at first, after less before."""
        return self.after.ph - self.before.ph


def _other_alkalinity(h: float, k: Constants) -> tuple[float, float]:
    """Alkalinity but for carbonate, mol/kg, and its slope against ln h."""
    free = h / (1 + k.sulfate / k.ks_free)
    borate = k.borate * k.kb / (k.kb + h)
    hydroxide = k.kw / h
    bisulfate = k.sulfate * free / (k.ks_free + free)
    fluoride = k.fluoride * h / (k.kf + h)
    slope = (
        -borate * h / (k.kb + h)
        - hydroxide
        - free
        - bisulfate * k.ks_free / (k.ks_free + free)
        - fluoride * k.kf / (k.kf + h)
    )
    return borate + hydroxide - free - bisulfate - fluoride, slope


def _carbonate_with_gas(h: float, co2: float, k: Constants) -> tuple[float, float]:
    bicarbonate = k.k1 * co2 / h
    carbonate = k.k2 * bicarbonate / h
    return bicarbonate + 2 * carbonate, -bicarbonate - 4 * carbonate


def _carbonate_with_carbon(h: float, dic: float, k: Constants) -> tuple[float, float]:
    whole = h * h + k.k1 * h + k.k1 * k.k2
    bicarbonate, carbonate = dic * k.k1 * h / whole, dic * k.k1 * k.k2 / whole
    # d ln(whole) / d ln h is the mean number of protons held.
    protons = (2 * h * h + k.k1 * h) / whole
    return bicarbonate + 2 * carbonate, bicarbonate * (1 - protons) - 2 * carbonate * protons


def _solve_h(alkalinity: float, k: Constants, *, co2: float | None = None, dic: float | None = None) -> float:
    """Hydrogen ion, mol/kg: Newton on ln h, kept inside a bracket of pH 2 to 13. Alkalinity falls as h rises."""
    low, high = math.log(1e-13), math.log(1e-2)
    x = math.log(1e-8)
    for _ in range(60):
        h = math.exp(x)
        other, other_slope = _other_alkalinity(h, k)
        if co2 is not None:
            carbonate, slope = _carbonate_with_gas(h, co2, k)
        else:
            assert dic is not None
            carbonate, slope = _carbonate_with_carbon(h, dic, k)
        excess = carbonate + other - alkalinity
        if excess > 0:
            low = x
        else:
            high = x
        step = excess / (slope + other_slope)
        following = x - step
        if not low < following < high:
            following = (low + high) / 2
        if abs(following - x) < 1e-11:
            if math.exp(low) <= 1.0001e-13 and following < math.log(1.001e-13):
                break
            return math.exp(following)
        x = following
    raise ChemistryRefused("This water would leave pH 2 to 13: these numbers are no tank's.")


def _water(h: float, alkalinity: float, co2: float, k: Constants, calcium: float | None) -> Water:
    carbonate = k.k1 * k.k2 * co2 / (h * h)
    dic = co2 * (1 + k.k1 / h) + carbonate
    return Water(
        alkalinity_umol_per_kg=alkalinity * 1e6,
        dic_umol_per_kg=dic * 1e6,
        ph=-math.log10(h),
        pco2_uatm=co2 / k.k0 / k.fugacity_coefficient * 1e6,
        omega_aragonite=(k.calcium if calcium is None else calcium) * carbonate / k.aragonite,
    )


def water_from_co2(
    alkalinity_umol_per_kg: float,
    pco2_uatm: float,
    salinity: float = 35.0,
    temperature_c: float = 25.0,
    calcium_mol_per_kg: float | None = None,
) -> Water:
    """The water in balance with a pCO2 (µatm) at that alkalinity (µmol/kg). Calcium is that of seawater unless given.

    Raises ChemistryRefused for values not above zero, and outside salinity 19 to 42 and 2 to 35 degC.
    Source: see the head of this file. Agrees with PyCO2SYS within 0.001 pH from 4 to 14 dKH and 250 to 2500 µatm.
    """
    _above_zero(alkalinity_umol_per_kg, "An alkalinity", "µmol/kg")
    _above_zero(pco2_uatm, "A CO2 content", "µatm")
    k = constants(salinity, temperature_c)
    co2 = k.k0 * k.fugacity_coefficient * pco2_uatm * 1e-6
    alkalinity = alkalinity_umol_per_kg * 1e-6
    return _water(_solve_h(alkalinity, k, co2=co2), alkalinity, co2, k, calcium_mol_per_kg)


def water_from_dic(
    alkalinity_umol_per_kg: float,
    dic_umol_per_kg: float,
    salinity: float = 35.0,
    temperature_c: float = 25.0,
    calcium_mol_per_kg: float | None = None,
) -> Water:
    """The water with that alkalinity and dissolved inorganic carbon (µmol/kg), closed to the air.

    Raises ChemistryRefused for values not above zero, and outside salinity 19 to 42 and 2 to 35 degC.
    """
    _above_zero(alkalinity_umol_per_kg, "An alkalinity", "µmol/kg")
    _above_zero(dic_umol_per_kg, "A carbon content", "µmol/kg")
    k = constants(salinity, temperature_c)
    alkalinity, dic = alkalinity_umol_per_kg * 1e-6, dic_umol_per_kg * 1e-6
    h = _solve_h(alkalinity, k, dic=dic)
    co2 = dic * h * h / (h * h + k.k1 * h + k.k1 * k.k2)
    return _water(h, alkalinity, co2, k, calcium_mol_per_kg)


def dose_effect(
    before: Water,
    add_umol_per_kg: float,
    base: Base,
    salinity: float,
    temperature_c: float,
    calcium_mol_per_kg: float | None = None,
) -> DoseEffect:
    """What a rise of the alkalinity (µmol/kg, 0 or more) as carbonate, bicarbonate or hydroxide does, well mixed.

    At first only the dose's own carbon is there; after gas exchange the pCO2 is that of before, and the base no longer
    matters. Calcium is that of seawater unless given. Raises ChemistryRefused for a negative rise.
    """
    carbon = CARBON_PER_EQ[base]
    return dose_effect_of(before, add_umol_per_kg, carbon, salinity, temperature_c, calcium_mol_per_kg)


def dose_effect_of(
    before: Water,
    add_umol_per_kg: float,
    carbon_per_eq: float,
    salinity: float,
    temperature_c: float,
    calcium_mol_per_kg: float | None = None,
) -> DoseEffect:
    """The same for a stock of several bases: `carbon_per_eq` is its mole of inorganic carbon per equivalent, 0 to 1."""
    if not add_umol_per_kg >= 0:
        raise ChemistryRefused(f"A dose cannot add {plain(add_umol_per_kg)} µmol/kg of alkalinity.")
    alkalinity = before.alkalinity_umol_per_kg + add_umol_per_kg
    dic = before.dic_umol_per_kg + carbon_per_eq * add_umol_per_kg
    return DoseEffect(
        before=before,
        after=water_from_dic(alkalinity, dic, salinity, temperature_c, calcium_mol_per_kg),
        after_exchange=water_from_co2(alkalinity, before.pco2_uatm, salinity, temperature_c, calcium_mol_per_kg),
    )


def carbon_per_eq_of(portions: Iterable[Portion]) -> float | None:
    """Mole of inorganic carbon per equivalent that a stock of these salts brings; None when none of them gives
    alkalinity. Baked soda is taken as baked through."""
    eq = carbon_mol = 0.0
    for portion in portions:
        salt = salt_named(portion.salt)
        if salt.base is not None:
            pure_g = portion.mass_g * (1.0 if portion.assay is None else portion.assay)
            eq += pure_g * salt.per_gram(Substance.ALKALINITY)
            carbon_mol += pure_g * salt.per_gram(Substance.ALKALINITY) * CARBON_PER_EQ[salt.base]
    return carbon_mol / eq if eq else None


def umol_per_kg_from_meq_per_l(alkalinity_meq_per_l: float, salinity: float, temperature_c: float) -> float:
    """Alkalinity in µmol/kg from meq/L, by the density of that seawater."""
    return alkalinity_meq_per_l * 1000 / density_kg_per_l(salinity, temperature_c)


def umol_per_kg_from_dkh(alkalinity_dkh: float, salinity: float, temperature_c: float) -> float:
    """Alkalinity in µmol/kg from dKH, by the density of that seawater."""
    return umol_per_kg_from_meq_per_l(meq_per_l_from_dkh(alkalinity_dkh), salinity, temperature_c)


def _above_zero(value: float, what: str, unit: str) -> None:
    if not 0 < value < 1e6:
        raise ChemistryRefused(
            f"{what} of {plain(value)} {unit} is no tank's; it must be above zero, and below 1,000,000."
        )
