"""Mixing a stock: any one of mass, strength and volume from the other two.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math

from attrs import evolve, frozen

from dosingd.chemistry import bake, solubility
from dosingd.chemistry.cautions import mixing_cautions
from dosingd.chemistry.cooling import SOLID, Crystallised, crystallised
from dosingd.chemistry.density import dissolved_g, stock_density_kg_per_l
from dosingd.chemistry.heat import baked_rise_k, heat_caution, temperature_rise_k
from dosingd.chemistry.proving import proof
from dosingd.chemistry.salts import BAKED_SODA, M_CA, M_MG, formula_mass_g_per_mol, salt_named
from dosingd.chemistry.stock import Strength, strength_from_salts
from dosingd.errors import ChemistryRefused
from dosingd.records import Substance
from dosingd.words import plain

#: What is weighed and what it is made up to, g and L: from a trial in a glass to a farm's vat. Common practice,
#: no source.
MASS_G = (0.001, 1_000_000.0)
VOLUME_L = (0.001, 10_000.0)


@frozen
class _Portion:
    salt: str
    mass_g: float
    assay: float | None


@frozen
class Mix:
    """A stock of one salt. Mass is of what is weighed into the water: for baked soda the powder out of the oven.

    `density_kg_per_l` (20 degC) and `temperature_rise_k` are None where no table reaches, above saturation.
    `cooled` is what crystallises at the coldest; None where it stays dissolved, or no table says.
    """

    salt: str
    substance: Substance
    mass_g: float
    volume_l: float
    strength: Strength
    assay: float
    conversion: float
    saturation: solubility.Saturation
    density_kg_per_l: float | None
    temperature_rise_k: float | None
    cooled: Crystallised | None
    cautions: tuple[str, ...]

    @property
    def water_g(self) -> float | None:
        """Grams of water that the salt is stirred into to make the volume at 20 degC; None where no table reaches."""
        if self.density_kg_per_l is None:
            return None
        left_g = self.volume_l * self.density_kg_per_l * 1000 - self.mass_g
        return left_g if left_g > 0 else None

    @property
    def bicarbonate_g(self) -> float | None:
        """Grams of bicarbonate to put into the oven for this mass of baked powder; None for any other salt."""
        if self.salt != BAKED_SODA:
            return None
        return _bicarbonate_g(self.mass_g, self.assay, self.conversion)

    @property
    def strength_g_per_l(self) -> float | None:
        """Grams of calcium or magnesium per litre; None for alkalinity, which is told in eq/L."""
        match self.substance:
            case Substance.CALCIUM:
                return self.strength.calcium_mol_per_l * M_CA
            case Substance.MAGNESIUM:
                return self.strength.magnesium_mol_per_l * M_MG
            case _:
                return None

    @property
    def per_ml_in_100_l(self) -> float:
        """What 1 mL does to 100 L: dKH for alkalinity, mg/L for calcium and magnesium."""
        return proof(self.strength, self.substance, ml=1.0, water_l=100.0)


def _bicarbonate_g(powder_g: float, assay: float, conversion: float) -> float:
    return powder_g / (1 - assay * conversion * bake.LOSS)


def _portion(salt_name: str, mass_g: float, assay: float, conversion: float) -> _Portion:
    """What is weighed, as every strength is reckoned from it: baked soda by the bicarbonate before the oven."""
    return _Portion(salt_name, _bicarbonate_g(mass_g, assay, conversion) if salt_name == BAKED_SODA else mass_g, assay)


def mix(
    salt_name: str,
    *,
    mass_g: float | None = None,
    strength: float | None = None,
    volume_l: float | None = None,
    assay: float | None = None,
    conversion: float = 1.0,
    coldest_c: float = 20.0,
) -> Mix:
    """A stock from any two of mass (g), strength (eq/L of alkalinity, or mol/L) and volume (L); the third is solved.

    For baked soda the mass is of the powder out of the oven, baked to `conversion` (0 to 1), and `assay` is of the
    bicarbonate before; for any other salt `conversion` stays 1. A stock that will not dissolve at `coldest_c` is
    answered too, and says so. Raises ChemistryRefused unless exactly two are given, and for values that cannot be.
    """
    salt = salt_named(salt_name)
    given = {"mass": mass_g, "strength": strength, "volume": volume_l}
    if sum(value is not None for value in given.values()) != 2:
        raise ChemistryRefused("Give two of mass, strength and volume: the third follows from them.")
    for name, value in given.items():
        if value is not None and not 0 < value < math.inf:
            raise ChemistryRefused(f"A {name} of {plain(value)} cannot be; it must be above zero.")
    if assay is not None and not 0 < assay <= 1:
        raise ChemistryRefused(f"An assay of {plain(assay * 100)} % cannot be; it is above 0 to 100 %.")
    if not 0 <= conversion <= 1:
        raise ChemistryRefused(f"A conversion of {plain(conversion * 100)} % cannot be; it is 0 to 100 %.")
    if conversion != 1.0 and salt.name != BAKED_SODA:
        raise ChemistryRefused(f"Only {BAKED_SODA} has a conversion; {salt.name} was not in the oven.")
    pure = 1.0 if assay is None else assay
    substance = salt.gives
    per_gram = strength_from_salts((_portion(salt.name, 1.0, pure, conversion),), 1.0).of(substance)
    if mass_g is None:
        assert strength is not None
        assert volume_l is not None
        mass_g = strength * volume_l / per_gram
    elif volume_l is None:
        assert strength is not None
        volume_l = mass_g * per_gram / strength
    _refuse_no_bucket(mass_g, volume_l)
    portion = _portion(salt.name, mass_g, pure, conversion)
    made = strength_from_salts((portion,), volume_l)
    full = solubility.saturation((portion,), volume_l, coldest_c, conversion)
    density = _density(portion, volume_l, conversion)
    cooled = None if full.dissolves or density is None else _cooled(portion, volume_l, density, conversion, coldest_c)
    found = Mix(salt.name, substance, mass_g, volume_l, made, pure, conversion, full, density, None, cooled, ())
    if found.water_g is not None:
        found = evolve(found, temperature_rise_k=_rise_k(found, found.water_g))
    return evolve(found, cautions=_cautions(found, assay))


def _refuse_no_bucket(mass_g: float, volume_l: float) -> None:
    for shown, value, (least, most), unit in (
        (f"{plain(mass_g, 4)} g of salt", mass_g, MASS_G, "g"),
        (f"{plain(volume_l, 4)} L of stock", volume_l, VOLUME_L, "L"),
    ):
        if not least <= value <= most:
            raise ChemistryRefused(
                f"{shown} is no stock for a tank: here it is {plain(least)} to {most:,.0f} {unit}. Are the units right?"
            )


def _rise_k(found: Mix, water_g: float) -> float:
    if found.bicarbonate_g is None:
        return temperature_rise_k(found.salt, found.mass_g, water_g)
    pure_g = found.bicarbonate_g * found.assay
    return baked_rise_k(pure_g * found.conversion * bake.YIELD, pure_g * (1 - found.conversion), water_g)


def _density(portion: _Portion, volume_l: float, conversion: float) -> float | None:
    try:
        return stock_density_kg_per_l((portion,), volume_l, conversion)
    except ChemistryRefused:
        return None  # more than saturated at 20 degC: no such solution


def _cooled(
    portion: _Portion, volume_l: float, density_kg_per_l: float, conversion: float, coldest_c: float
) -> Crystallised | None:
    """What comes out at the coldest, of a stock of one salt that has a solubility table."""
    dissolved = {salt: grams for salt, grams in dissolved_g((portion,), conversion).items() if grams}
    ((salt, grams), *others) = dissolved.items()
    if others or salt not in SOLID:
        return None
    mol_per_l = grams / volume_l / formula_mass_g_per_mol(salt)
    return crystallised(salt, grams / volume_l / density_kg_per_l / 10, mol_per_l, coldest_c)


def _cautions(found: Mix, assay: float | None) -> tuple[str, ...]:
    lines = []
    full = found.saturation
    percent = f"{_percent(full.fraction)} of saturation at {plain(full.temperature_c)} degC"
    if not full.dissolves:
        needs_l = found.volume_l * full.fraction / solubility.NEAR
        lines.append(
            f"This will not stay dissolved: {percent}; {full.limiting} comes out. Make it up to {plain(needs_l, 3)} L "
            "or more, or keep it warmer."
        )
        if found.cooled is not None:
            lines.append(
                f"Of each kilogram {found.cooled.solid_g_per_kg:.0f} g turn solid ({found.cooled.solid}), and the "
                f"liquid gets {found.cooled.weaker_percent:.0f} % weaker: crystals block lines, and what is pumped "
                "is not what the books say."
            )
    elif full.near:
        lines.append(f"Near the limit: {percent}. Crystals block lines and weaken the stock; leave a tenth in hand.")
    else:
        lines.append(f"It stays dissolved: {percent}, {100 - full.fraction * 100:.0f} % in hand.")
    if full.caution is not None:
        lines.append(full.caution)
    if found.conversion < bake.COMPLETE_FROM:
        lines.append(
            "A plan takes baked soda as baked through: there `check` finds more room than this stock has. Bake on, "
            "or go by the figures here."
        )
    if assay is None:
        lines.append("No assay is given: the salt is taken as pure. The label or the data sheet has it.")
    heat = None if found.temperature_rise_k is None else heat_caution(found.temperature_rise_k)
    if heat is not None:
        lines.append(heat)
    return (*lines, *mixing_cautions(found.salt))


def _percent(fraction: float) -> str:
    """A share of saturation in whole percent, but never 100 % for what is not quite it."""
    shown = f"{fraction * 100:.0f}"
    return f"{fraction * 100:.2f} %" if shown == "100" else f"{shown} %"


def change_with_dilution(start: float, adds_per_ul: float, volume_ul: float, water_l: float) -> float:
    """Change of a content when the dose's own volume is not displaced: (start V + a) / (V + v) - start, in start's
    unit.

    `adds_per_ul` is what a microlitre brings in that unit times litres. Differs from the plain change by start·v/V.
    """
    dose_l = volume_ul / 1e6
    return (start * water_l + adds_per_ul * volume_ul) / (water_l + dose_l) - start
