"""Whether a stock stays dissolved at the coldest it will see.

The saturation of a stock is its concentration over that of the saturated solution at the same temperature, both per
litre of solution: 1 is saturated, above it something crystallises. Single salts go by a handbook table. Mixtures have
no table: where a rule for them is used it errs towards "will not dissolve", and the answer says so.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from itertools import pairwise

from attrs import frozen

from dosingd.chemistry.salts import BAKED_SODA, Base, formula_mass_g_per_mol, salt_named
from dosingd.chemistry.stock import Portion, refuse_senseless
from dosingd.errors import ChemistryRefused
from dosingd.words import plain

#: Above this share of saturation a stock is called near its limit. Common practice, no source.
NEAR = 0.9

#: (degC, mass percent of the anhydrous salt, density in kg/L) of saturated solutions.
#: Mass percent: CRC Handbook of Chemistry and Physics, 98th ed., "Aqueous Solubility of Inorganic Compounds at Various
#: Temperatures". Density: Laliberté and Cooper 2004, Laliberté 2009. Solid phases: nahcolite; natron; CaCl2·6H2O;
#: MgCl2·6H2O; MgSO4·7H2O.
SATURATED: Mapping[str, tuple[tuple[float, float, float], ...]] = {
    "NaHCO3": (
        (0, 6.48, 1.0483), (10, 7.59, 1.0551), (15, 8.16, 1.0581),
        (20, 8.73, 1.0609), (25, 9.32, 1.0637), (30, 9.91, 1.0663),
    ),
    # 25 degC: handbooks differ, 22.5 to 23.5 %. The lower is taken, with its density: it errs on the safe side.
    "Na2CO3": (
        (0, 6.44, 1.0702), (10, 10.8, 1.1153), (15, 13.91, 1.1477),
        (20, 17.9, 1.1907), (25, 22.5, 1.2440), (30, 28.7, 1.3214),
    ),
    "CaCl2": (
        (0, 36.7, 1.3676), (10, 39.19, 1.3905), (15, 40.51, 1.4023),
        (20, 42.13, 1.4173), (25, 44.83, 1.4440), (30, 49.12, 1.4875),
    ),
    "MgCl2": (
        (0, 33.96, 1.3217), (10, 34.85, 1.3282), (15, 35.23, 1.3303),
        (20, 35.58, 1.3318), (25, 35.9, 1.3327), (30, 36.2, 1.3334),
    ),
    "MgSO4": (
        (0, 18.2, 1.1989), (10, 21.7, 1.2415), (15, 23.49, 1.2636),
        (20, 25.1, 1.2837), (25, 26.3, 1.2985), (30, 28.2, 1.3231),
    ),
}  # fmt: skip

#: Sodium hydroxide, mol/L: 29 % at 0 degC, 1.32 kg/L, held for the whole range: it errs on the safe side. From memory.
_NAOH_MOL_PER_L = 9.6
#: Calcium hydroxide, mol/L: 1.5 g/L at 30 degC, where it dissolves worst, held for the whole range. From memory.
_CAOH2_MOL_PER_L = 0.0202
#: Gypsum, mol/L: 2.05 g CaSO4 per litre in pure water. From memory; more in brine, so this errs on the safe side.
_GYPSUM_MOL_PER_L = 0.0151

#: Powder that is part bicarbonate, part carbonate: alkalinity at saturation is that of the pure salt over its share of
#: the alkalinity to these powers. Fitted to phreeqc with frezchem.dat at 10 and 20 degC, within 3 %.
_NAHCOLITE_POWER = 0.685
_NATRON_POWER = 0.72

_NAME = {
    "NaHCO3": "sodium bicarbonate",
    "Na2CO3": "sodium carbonate",
    "CaCl2": "calcium chloride",
    "MgCl2": "magnesium chloride",
    "MgSO4": "magnesium sulfate",
}


@frozen
class Saturation:
    """How near a stock is to saturation, 1 being saturated; what would crystallise first; and whether a table says so
    (`exact`) or a rule that errs towards "will not dissolve"."""

    fraction: float
    limiting: str
    temperature_c: float
    exact: bool = True
    caution: str | None = None

    @property
    def dissolves(self) -> bool:
        """Below saturation, with no margin."""
        return self.fraction < 1

    @property
    def near(self) -> bool:
        """Dissolves, but within a tenth of saturation."""
        return NEAR < self.fraction < 1


def refuse_outside_table(temperature_c: float) -> None:
    """Raises ChemistryRefused outside 0 to 30 degC."""
    if not 0 <= temperature_c <= 30:
        raise ChemistryRefused(
            f"{plain(temperature_c)} degC is outside 0 to 30 degC, the range of the solubility tables."
        )


def saturated_mass_percent(dissolved: str, temperature_c: float) -> float:
    """Mass percent of the anhydrous salt in its saturated solution, 0 to 30 degC.

    Between the table's temperatures the logarithm is interpolated: carbonate's curve bends upwards, and a straight line
    would promise more than dissolves. Raises ChemistryRefused outside the table. Source: see SATURATED.
    """
    (cold_c, cold, _), (warm_c, warm, _) = _around(dissolved, temperature_c)
    share = (temperature_c - cold_c) / (warm_c - cold_c)
    return math.exp(math.log(cold) + share * (math.log(warm) - math.log(cold)))


def saturated_mol_per_l(dissolved: str, temperature_c: float) -> float:
    """mol of the salt per litre of its saturated solution, 0 to 30 degC. Raises ChemistryRefused outside the table."""
    (cold_c, _, cold), (warm_c, _, warm) = _around(dissolved, temperature_c)
    density = cold + (temperature_c - cold_c) / (warm_c - cold_c) * (warm - cold)
    return saturated_mass_percent(dissolved, temperature_c) * 10 * density / formula_mass_g_per_mol(dissolved)


def _around(dissolved: str, temperature_c: float) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    refuse_outside_table(temperature_c)
    if dissolved not in SATURATED:
        raise ChemistryRefused(f"There is no solubility table for {dissolved} here.")
    return next(pair for pair in pairwise(SATURATED[dissolved]) if pair[0][0] <= temperature_c <= pair[1][0])


def saturated_soda_eq_per_l(carbonate_share: float, temperature_c: float) -> tuple[float, str]:
    """Most alkalinity, eq/L, that stays dissolved when `carbonate_share` (0 to 1) of it is carbonate and the rest is
    bicarbonate, and the salt that comes out first. For powder baked to a conversion x the share is x.

    Between 0 and 1 from a fit for 10 to 20 degC; above 20 degC the value of 20 degC is kept, where trona may come out.
    Raises ChemistryRefused outside 0 to 30 degC or a share outside 0 to 1.
    """
    refuse_outside_table(temperature_c)
    if not 0 <= carbonate_share <= 1:
        raise ChemistryRefused(f"A carbonate share of {plain(carbonate_share * 100)} % cannot be; it is 0 to 100 %.")
    mixture_c = min(temperature_c, 20.0) if 0 < carbonate_share < 1 else temperature_c
    limits = []
    if carbonate_share < 1:
        pure = saturated_mol_per_l("NaHCO3", mixture_c)
        limits.append((pure * (1 - carbonate_share) ** -_NAHCOLITE_POWER, _NAME["NaHCO3"]))
    if carbonate_share > 0:
        pure = 2 * saturated_mol_per_l("Na2CO3", mixture_c)
        limits.append((pure * carbonate_share**-_NATRON_POWER, _NAME["Na2CO3"]))
    return min(limits)


def saturation(
    portions: Iterable[Portion], made_up_to_l: float, temperature_c: float, conversion: float = 1.0
) -> Saturation:
    """How near to saturation a stock of these salts is at a temperature, 0 to 30 degC.

    `conversion` (0 to 1) is how far baked soda was baked; what was not stays bicarbonate, which dissolves far less.

    Raises ChemistryRefused outside 0 to 30 degC, and for a stock that cannot be.
    """
    portions = tuple(portions)
    refuse_senseless(portions, made_up_to_l)
    refuse_outside_table(temperature_c)
    if not 0 <= conversion <= 1:
        raise ChemistryRefused(f"A conversion of {plain(conversion * 100)} % cannot be; it is 0 to 100 %.")
    mol_per_l: dict[str, float] = {}
    for portion in portions:
        salt = salt_named(portion.salt)
        mol = portion.mass_g * (portion.assay or 1.0) / salt.molar_mass_g_per_mol / made_up_to_l
        if salt.name == BAKED_SODA:
            mol_per_l["NaHCO3"] = mol_per_l.get("NaHCO3", 0) + mol * (1 - conversion)
            mol_per_l["Na2CO3"] = mol_per_l.get("Na2CO3", 0) + mol * conversion / 2
        else:
            mol_per_l[salt.dissolved] = mol_per_l.get(salt.dissolved, 0) + mol
    baked = any(salt_named(portion.salt).name == BAKED_SODA for portion in portions) and conversion == 1.0
    if any(salt_named(portion.salt).base in (Base.CARBONATE, Base.BICARBONATE) for portion in portions):
        found = _soda(mol_per_l, temperature_c)
        if baked:
            return Saturation(
                found.fraction,
                found.limiting,
                temperature_c,
                found.exact,
                "This holds for soda baked to constant mass; half-baked powder dissolves far less.",
            )
        return found
    if "NaOH" in mol_per_l:
        return Saturation(mol_per_l["NaOH"] / _NAOH_MOL_PER_L, "sodium hydroxide", temperature_c, exact=False)
    return _chlorides(mol_per_l, temperature_c)


def _soda(mol_per_l: Mapping[str, float], temperature_c: float) -> Saturation:
    """Bicarbonate, carbonate and hydroxide of sodium in one water. Hydroxide turns bicarbonate into carbonate first."""
    hydroxide = mol_per_l.get("NaOH", 0.0)
    bicarbonate = mol_per_l.get("NaHCO3", 0.0)
    turned = min(hydroxide, bicarbonate)
    hydroxide, bicarbonate = hydroxide - turned, bicarbonate - turned
    carbonate_eq = 2 * (mol_per_l.get("Na2CO3", 0.0) + turned)
    if hydroxide > 0:
        # The common sodium pushes natron out: constant [Na+]^2 [CO3--].
        pure = 2 * saturated_mol_per_l("Na2CO3", temperature_c)
        natron = ((carbonate_eq + hydroxide) ** 2 * carbonate_eq) ** (1 / 3) / pure
        caution = "No table holds for carbonate with hydroxide: this is an estimate. Watch the stock for crystals."
        return Saturation(max(natron, hydroxide / _NAOH_MOL_PER_L), _NAME["Na2CO3"], temperature_c, False, caution)
    total = bicarbonate + carbonate_eq
    most, limiting = saturated_soda_eq_per_l(carbonate_eq / total, temperature_c)
    if not bicarbonate or not carbonate_eq:
        return Saturation(total / most, limiting, temperature_c)
    caution = "Bicarbonate and carbonate together hold each other back: this is from a fit, good to about 6 %."
    return Saturation(total / most, limiting, temperature_c, False, caution)


def _chlorides(mol_per_l: Mapping[str, float], temperature_c: float) -> Saturation:
    """Calcium and magnesium salts: shares of saturation add up; gypsum and lime by their solubility products."""
    shares = {
        salt: amount / saturated_mol_per_l(salt, temperature_c)
        for salt, amount in mol_per_l.items()
        if salt in SATURATED
    }
    found = []
    if shares:
        found.append((sum(shares.values()), _NAME[max(shares, key=lambda salt: shares[salt])], len(shares) == 1))
    calcium = mol_per_l.get("CaCl2", 0.0) + mol_per_l.get("Ca(OH)2", 0.0)
    if sulfate := calcium and mol_per_l.get("MgSO4", 0.0):
        found.append((math.sqrt(calcium * sulfate) / _GYPSUM_MOL_PER_L, "gypsum (calcium sulfate)", False))
    if lime := mol_per_l.get("Ca(OH)2", 0.0):
        found.append(((calcium * lime**2) ** (1 / 3) / _CAOH2_MOL_PER_L, "calcium hydroxide", False))
    fraction, limiting, exact = max(found)
    caution = None
    if limiting.startswith("gypsum"):
        caution = "Sulfate and calcium make gypsum. Use magnesium chloride instead, or keep the two in two stocks."
    elif limiting == "calcium hydroxide":
        caution = "Lime dissolves worst in the warmest water; the value of 30 degC is taken for every temperature."
    elif not exact:
        caution = "No table holds for this mixture: the shares of saturation are added up, which errs on the safe side."
    return Saturation(fraction, limiting, temperature_c, exact, caution)
