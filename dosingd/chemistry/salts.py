"""The salts that stocks are made of: names, formula masses, and what a gram of each adds to the water.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from enum import StrEnum

from attrs import frozen

from dosingd.errors import ChemistryRefused
from dosingd.records import Substance

#: Abridged standard atomic weights, g/mol. Source: Prohaska et al. 2022, Pure Appl. Chem. 94, 573 (IUPAC 2021).
ATOMIC_WEIGHT_G_PER_MOL: Mapping[str, float] = {
    "H": 1.008,
    "C": 12.011,
    "O": 15.999,
    "Na": 22.990,
    "Mg": 24.305,
    "S": 32.06,
    "Cl": 35.45,
    "Ca": 40.078,
}


def formula_mass_g_per_mol(formula: str) -> float:
    """Formula mass in g/mol of a formula such as `CaCl2·2H2O` or `Ca(OH)2`. Source: IUPAC 2021 abridged weights."""
    total = 0.0
    for part in formula.split("·"):
        lead = re.match(r"[0-9]+", part)
        times = int(lead.group()) if lead else 1
        group = re.sub(
            r"\(([A-Za-z]+)\)([0-9]+)", lambda m: m.group(1) * int(m.group(2)), part[lead.end() if lead else 0 :]
        )
        for element, count in re.findall(r"([A-Z][a-z]?)([0-9]*)", group):
            total += times * ATOMIC_WEIGHT_G_PER_MOL[element] * int(count or 1)
    return round(total, 6)


M_NAHCO3 = formula_mass_g_per_mol("NaHCO3")
M_NA2CO3 = formula_mass_g_per_mol("Na2CO3")
M_CACO3 = formula_mass_g_per_mol("CaCO3")
M_CAO = formula_mass_g_per_mol("CaO")
M_CO2 = formula_mass_g_per_mol("CO2")
M_H2O = formula_mass_g_per_mol("H2O")
M_NACL = formula_mass_g_per_mol("NaCl")
M_HCO3 = formula_mass_g_per_mol("HCO3")
M_CA = ATOMIC_WEIGHT_G_PER_MOL["Ca"]
M_MG = ATOMIC_WEIGHT_G_PER_MOL["Mg"]

#: Alkalinity of 1 dKH, meq/L: 10 mg CaO per litre, two equivalents a mole (German degree, DIN 38409-6 from memory).
MEQ_PER_L_PER_DKH = 2 * 10 / M_CAO


class Base(StrEnum):
    """How a salt carries its alkalinity: it decides what a dose does to the pH at first."""

    CARBONATE = "carbonate"
    BICARBONATE = "bicarbonate"
    HYDROXIDE = "hydroxide"


@frozen
class Salt:
    """One salt as it is sold. `dissolved` is the anhydrous formula that the solubility and density tables go by."""

    name: str
    formula: str
    dissolved: str
    alkalinity_eq_per_mol: float = 0.0
    calcium_mol_per_mol: float = 0.0
    magnesium_mol_per_mol: float = 0.0
    base: Base | None = None

    @property
    def molar_mass_g_per_mol(self) -> float:
        """Formula mass with its water of crystallisation, g/mol."""
        return formula_mass_g_per_mol(self.formula)

    @property
    def anhydrous_fraction(self) -> float:
        """Grams of the anhydrous salt that one gram puts into the water (for baked soda: 0.6308, once fully baked)."""
        per_mol = 0.5 if self.name == BAKED_SODA else 1.0
        return per_mol * formula_mass_g_per_mol(self.dissolved) / self.molar_mass_g_per_mol

    def per_gram(self, substance: Substance) -> float:
        """What one gram of the pure salt adds: eq for alkalinity, mol for calcium and magnesium, 0 otherwise.

        For baked soda the gram is of the bicarbonate that went into the oven: baking keeps its alkalinity.
        """
        per_mol = {
            Substance.ALKALINITY: self.alkalinity_eq_per_mol,
            Substance.CALCIUM: self.calcium_mol_per_mol,
            Substance.MAGNESIUM: self.magnesium_mol_per_mol,
        }.get(substance, 0.0)
        return per_mol / self.molar_mass_g_per_mol

    @property
    def gives(self) -> Substance:
        """What people buy it for. Calcium hydroxide gives alkalinity and calcium; it is bought for alkalinity."""
        if self.alkalinity_eq_per_mol:
            return Substance.ALKALINITY
        return Substance.CALCIUM if self.calcium_mol_per_mol else Substance.MAGNESIUM


BAKED_SODA = "baked soda"

SALTS: Mapping[str, Salt] = {
    salt.name: salt
    for salt in (
        Salt("sodium bicarbonate", "NaHCO3", "NaHCO3", alkalinity_eq_per_mol=1, base=Base.BICARBONATE),
        Salt("sodium carbonate", "Na2CO3", "Na2CO3", alkalinity_eq_per_mol=2, base=Base.CARBONATE),
        Salt("sodium carbonate monohydrate", "Na2CO3·H2O", "Na2CO3", alkalinity_eq_per_mol=2, base=Base.CARBONATE),
        Salt("sodium carbonate decahydrate", "Na2CO3·10H2O", "Na2CO3", alkalinity_eq_per_mol=2, base=Base.CARBONATE),
        # Weighed as the bicarbonate before the oven, so its formula is the bicarbonate's.
        Salt(BAKED_SODA, "NaHCO3", "Na2CO3", alkalinity_eq_per_mol=1, base=Base.CARBONATE),
        Salt("sodium hydroxide", "NaOH", "NaOH", alkalinity_eq_per_mol=1, base=Base.HYDROXIDE),
        Salt("calcium chloride anhydrous", "CaCl2", "CaCl2", calcium_mol_per_mol=1),
        Salt("calcium chloride dihydrate", "CaCl2·2H2O", "CaCl2", calcium_mol_per_mol=1),
        Salt("calcium chloride hexahydrate", "CaCl2·6H2O", "CaCl2", calcium_mol_per_mol=1),
        Salt(
            "calcium hydroxide",
            "Ca(OH)2",
            "Ca(OH)2",
            alkalinity_eq_per_mol=2,
            calcium_mol_per_mol=1,
            base=Base.HYDROXIDE,
        ),
        Salt("magnesium chloride hexahydrate", "MgCl2·6H2O", "MgCl2", magnesium_mol_per_mol=1),
        Salt("magnesium sulfate heptahydrate", "MgSO4·7H2O", "MgSO4", magnesium_mol_per_mol=1),
    )
}

#: Other spellings that mean one salt only.
_ALSO: Mapping[str, str] = {
    "sodium carbonate anhydrous": "sodium carbonate",
    "anhydrous sodium carbonate": "sodium carbonate",
    "soda ash": "sodium carbonate",
    "sodium hydrogen carbonate": "sodium bicarbonate",
    "bicarbonate of soda": "sodium bicarbonate",
    "baking soda": "sodium bicarbonate",
    "anhydrous calcium chloride": "calcium chloride anhydrous",
    "epsom salt": "magnesium sulfate heptahydrate",
    "slaked lime": "calcium hydroxide",
    "caustic soda": "sodium hydroxide",
}

#: Names that may mean salts of different strength: a guess could be wrong by a factor of two, so they are refused.
_AMBIGUOUS: Mapping[str, tuple[str, ...]] = {
    "calcium chloride": (
        "calcium chloride anhydrous",
        "calcium chloride dihydrate",
        "calcium chloride hexahydrate",
    ),
    "magnesium chloride": ("magnesium chloride hexahydrate",),
    "magnesium sulfate": ("magnesium sulfate heptahydrate",),
    "washing soda": ("sodium carbonate", "sodium carbonate monohydrate", "sodium carbonate decahydrate"),
    "soda": ("sodium bicarbonate", "sodium carbonate", BAKED_SODA),
}


def _plain(text: str) -> str:
    words = re.sub(r"[\s,()_-]+", " ", text.casefold()).strip()
    return words.replace("sulphate", "sulfate")


def salt_named(text: str) -> Salt:
    """The salt of that trade name, whatever its capitals, hyphens or brackets.

    Raises ChemistryRefused, with the choices, for an unknown name and for one that may mean several hydrates.
    """
    plain = _plain(text)
    name = _ALSO.get(plain, plain)
    if name in SALTS:
        return SALTS[name]
    if name in _AMBIGUOUS:
        choices = _AMBIGUOUS[name]
        if len(choices) == 1:
            raise ChemistryRefused(
                f'"{text}" does not say how much water of crystallisation is in it. '
                f"Write {choices[0]}, if that is what the label says."
            )
        raise ChemistryRefused(
            f'"{text}" may be sold with different amounts of water in it: the label or the data sheet says which. '
            f"Write {_either(choices)}."
        )
    for salt in SALTS.values():
        if plain == _plain(salt.formula) and salt.name != BAKED_SODA:
            raise ChemistryRefused(f'"{text}" is a formula; write the name: {salt.name}.')
    close = difflib.get_close_matches(name, [*SALTS, *_ALSO, *_AMBIGUOUS], n=1, cutoff=0.7)
    if close:
        raise ChemistryRefused(f'"{text}" is not a salt known here. Did you mean "{close[0]}"?')
    raise ChemistryRefused(f'"{text}" is not a salt known here. Known are: {", ".join(SALTS)}.')


def _either(choices: tuple[str, ...]) -> str:
    return ", ".join(choices[:-1]) + " or " + choices[-1]
