"""The CO2 system of seawater: pH, dissolved inorganic carbon and aragonite saturation, and what a dose does to them.

Alkalinity is total alkalinity: carbonate, borate and water, with sulfate and fluoride; phosphate and silicate are left
out (a reef tank's few µmol/kg move pH by less than 0.001). Everything is per kilogram of seawater, at atmospheric
pressure, pH on the total scale. Constants: Dickson, Sabine and Christian 2007, Guide to best practices for ocean CO2
measurements (PICES Special Publication 3), chapter 5, called the Guide below; total borate by Uppström 1974 as there.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from functools import lru_cache

from attrs import frozen

from dosingd.chemistry.salts import Base, salt_named
from dosingd.chemistry.seawater import density_kg_per_l, meq_per_l_from_dkh
from dosingd.chemistry.stock import Portion
from dosingd.errors import ChemistryRefused
from dosingd.records import Substance
from dosingd.words import plain

#: Where the constants of carbonic acid were measured (Lueker et al. 2000, from Mehrbach et al. 1973: salinity 19 to 43)
#: and the density of seawater is known (to 42).
SALINITY_RANGE = (19.0, 42.0)
TEMPERATURE_RANGE_C = (2.0, 35.0)

#: Mole of inorganic carbon that a dose brings with each equivalent.
CARBON_PER_EQ: Mapping[Base, float] = {Base.CARBONATE: 0.5, Base.BICARBONATE: 1.0, Base.HYDROXIDE: 0.0}

#: CO2 of outdoor air, µatm, taken where no other is said; rooms have 500 to 1500. Common practice, no source: round.
OUTDOOR_UATM = 400.0

#: Gas constant, cm3 atm/(mol K), as in the Guide.
_R_CM3_ATM = 82.05736


@frozen
class Constants:
    """Equilibrium constants of seawater (mol/kg, total scale; k0 in mol/(kg atm)) and its conservative totals
    (mol/kg)."""

    k0: float
    k1: float
    k2: float
    kb: float
    kw: float
    ks_free: float
    kf: float
    aragonite: float
    fugacity_coefficient: float
    borate: float
    sulfate: float
    fluoride: float
    calcium: float


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


@lru_cache(maxsize=64)
def constants(salinity: float, temperature_c: float) -> Constants:
    """The constants at a practical salinity of 19 to 42 and 2 to 35 degC. Raises ChemistryRefused outside."""
    if not SALINITY_RANGE[0] <= salinity <= SALINITY_RANGE[1]:
        raise ChemistryRefused(
            f"A salinity of {plain(salinity)} is outside 19 to 42, where the constants of the CO2 system hold."
        )
    if not TEMPERATURE_RANGE_C[0] <= temperature_c <= TEMPERATURE_RANGE_C[1]:
        raise ChemistryRefused(
            f"{plain(temperature_c)} degC is outside 2 to 35 degC, where the constants of the CO2 system hold."
        )
    return Constants(
        k0=k0(salinity, temperature_c),
        k1=k1(salinity, temperature_c),
        k2=k2(salinity, temperature_c),
        kb=kb(salinity, temperature_c),
        kw=kw(salinity, temperature_c),
        ks_free=ks_free(salinity, temperature_c),
        kf=kf(salinity, temperature_c),
        aragonite=solubility_product_aragonite(salinity, temperature_c),
        fugacity_coefficient=fugacity_coefficient(temperature_c),
        borate=total_borate_mol_per_kg(salinity),
        sulfate=total_sulfate_mol_per_kg(salinity),
        fluoride=total_fluoride_mol_per_kg(salinity),
        calcium=calcium_mol_per_kg(salinity),
    )


def _kelvin(temperature_c: float) -> float:
    return temperature_c + 273.15


def k0(salinity: float, temperature_c: float) -> float:
    """Solubility of CO2, mol/(kg atm). Source: Weiss 1974, in the Guide; check: ln K0 = -3.5617 at 35, 25 degC."""
    t = _kelvin(temperature_c) / 100
    per_salinity = 0.023517 - 0.023656 * t + 0.0047036 * t * t
    return math.exp(-60.2409 + 93.4517 / t + 23.3585 * math.log(t) + salinity * per_salinity)


def k1(salinity: float, temperature_c: float) -> float:
    """First constant of carbonic acid, total scale. Source: Lueker et al. 2000, in the Guide; check: pK1 = 5.8472."""
    t, s = _kelvin(temperature_c), salinity
    return float(10 ** -(3633.86 / t - 61.2172 + 9.67770 * math.log(t) - 0.011555 * s + 0.0001152 * s * s))


def k2(salinity: float, temperature_c: float) -> float:
    """Second constant of carbonic acid, total scale. Source: Lueker et al. 2000, in the Guide; check: pK2 = 8.9660."""
    t, s = _kelvin(temperature_c), salinity
    return float(10 ** -(471.78 / t + 25.9290 - 3.16967 * math.log(t) - 0.01781 * s + 0.0001122 * s * s))


def kb(salinity: float, temperature_c: float) -> float:
    """Constant of boric acid, total scale. Source: Dickson 1990, in the Guide; check: ln KB = -19.7964."""
    t, s, root = _kelvin(temperature_c), salinity, math.sqrt(salinity)
    return math.exp(
        (-8966.90 - 2890.53 * root - 77.942 * s + 1.728 * s * root - 0.0996 * s * s) / t
        + 148.0248
        + 137.1942 * root
        + 1.62142 * s
        - (24.4344 + 25.085 * root + 0.2474 * s) * math.log(t)
        + 0.053105 * root * t
    )


def kw(salinity: float, temperature_c: float) -> float:
    """Ion product of water, total scale. Source: Millero 1995, in the Guide; check: ln KW = -30.434."""
    t, root = _kelvin(temperature_c), math.sqrt(salinity)
    return math.exp(
        148.9652
        - 13847.26 / t
        - 23.6521 * math.log(t)
        + (118.67 / t - 5.977 + 1.0495 * math.log(t)) * root
        - 0.01615 * salinity
    )


def ks_free(salinity: float, temperature_c: float) -> float:
    """Constant of hydrogen sulfate, free scale. Source: Dickson 1990, in the Guide; check: ln KS = -2.30."""
    t, s = _kelvin(temperature_c), salinity
    log_t = math.log(t)
    ionic = 19.924 * s / (1000 - 1.005 * s)
    root = math.sqrt(ionic)
    return math.exp(
        -4276.1 / t
        + 141.328
        - 23.093 * log_t
        + (-13856 / t + 324.57 - 47.986 * log_t) * root
        + (35474 / t - 771.54 + 114.723 * log_t) * ionic
        - 2698 / t * ionic * root
        + 1776 / t * ionic * ionic
        + math.log(1 - 0.001005 * s)
    )


def kf(salinity: float, temperature_c: float) -> float:
    """Constant of hydrogen fluoride, total scale. Source: Perez and Fraga 1987, in the Guide; check: ln KF = -6.09."""
    return math.exp(874 / _kelvin(temperature_c) - 9.68 + 0.111 * math.sqrt(salinity))


def solubility_product_aragonite(salinity: float, temperature_c: float) -> float:
    """Solubility product of aragonite, (mol/kg)^2. Source: Mucci 1983; check: log10 = -6.1883 at 35, 25 degC."""
    t, s, root = _kelvin(temperature_c), salinity, math.sqrt(salinity)
    return float(
        10
        ** (
            -171.945
            - 0.077993 * t
            + 2903.293 / t
            + 71.595 * math.log10(t)
            + (-0.068393 + 0.0017276 * t + 88.135 / t) * root
            - 0.10018 * s
            + 0.0059415 * s * root
        )
    )


def fugacity_coefficient(temperature_c: float) -> float:
    """fCO2 over pCO2 in air at one atmosphere, about 0.997. Source: Weiss 1974, in the Guide."""
    t = _kelvin(temperature_c)
    virial_cm3 = -1636.75 + 12.0408 * t - 0.0327957 * t * t + 3.16528e-5 * t**3
    return math.exp((virial_cm3 + 2 * (57.7 - 0.118 * t)) / (_R_CM3_ATM * t))


def total_borate_mol_per_kg(salinity: float) -> float:
    """Total borate; 415.7 µmol/kg at 35. Source: Uppström 1974, in the Guide. (Lee et al. 2010 would be 4 % more.)"""
    return 0.000232 / 10.811 * salinity / 1.80655


def total_sulfate_mol_per_kg(salinity: float) -> float:
    """Total sulfate. Source: Morris and Riley 1966, in the Guide."""
    return 0.14 / 96.062 * salinity / 1.80655


def total_fluoride_mol_per_kg(salinity: float) -> float:
    """Total fluoride. Source: Riley 1965, in the Guide."""
    return 0.000067 / 18.998 * salinity / 1.80655


def calcium_mol_per_kg(salinity: float) -> float:
    """Calcium of seawater, 10.28 mmol/kg at 35. Source: Riley and Tongudai 1967, in the Guide."""
    return 0.02128 / 40.087 * salinity / 1.80655


def magnesium_mol_per_kg(salinity: float) -> float:
    """Magnesium of seawater, 52.82 mmol/kg at 35. Source: Millero et al. 2008, Table 4 (from memory)."""
    return 0.0528171 * salinity / 35


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
