"""The equilibrium constants of the CO2 system in seawater, and its conservative totals.

At atmospheric pressure, pH on the total scale. Source: Dickson, Sabine and Christian 2007, Guide to best practices for
ocean CO2 measurements (PICES Special Publication 3), chapter 5, called the Guide below; total borate by Uppström 1974
as there.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from functools import lru_cache

from attrs import frozen

from dosingd.errors import ChemistryRefused
from dosingd.words import plain

#: Where the constants of carbonic acid were measured (Lueker et al. 2000, from Mehrbach et al. 1973: salinity 19 to 43)
#: and the density of seawater is known (to 42).
SALINITY_RANGE = (19.0, 42.0)
TEMPERATURE_RANGE_C = (2.0, 35.0)

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
