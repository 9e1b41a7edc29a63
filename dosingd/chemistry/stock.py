"""Strength of a stock: what one litre of it adds, by substance.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

from attrs import frozen

from dosingd.chemistry.salts import salt_named
from dosingd.errors import ChemistryRefused
from dosingd.records import Substance
from dosingd.words import plain


@frozen
class Strength:
    """What a litre of stock holds: alkalinity in eq/L, calcium and magnesium in mol/L.

    1 mol/L is 1 µmol/µL, so `of()` times whole microlitres is µmol (µeq for alkalinity) in the tank.
    """

    alkalinity_eq_per_l: float = 0.0
    calcium_mol_per_l: float = 0.0
    magnesium_mol_per_l: float = 0.0

    def of(self, substance: Substance) -> float:
        """eq/L for alkalinity, mol/L for calcium and magnesium, 0 for anything else."""
        match substance:
            case Substance.ALKALINITY:
                return self.alkalinity_eq_per_l
            case Substance.CALCIUM:
                return self.calcium_mol_per_l
            case Substance.MAGNESIUM:
                return self.magnesium_mol_per_l
            case _:
                return 0.0

    def each(self, other: Strength, of: Callable[[float, float], float]) -> Strength:
        """Substance by substance what `of`, such as `max`, makes of both."""
        return Strength(
            of(self.alkalinity_eq_per_l, other.alkalinity_eq_per_l),
            of(self.calcium_mol_per_l, other.calcium_mol_per_l),
            of(self.magnesium_mol_per_l, other.magnesium_mol_per_l),
        )


class Portion(Protocol):
    """One salt weighed into a stock: its name, grams, and the share of the named salt in them (None: not said)."""

    @property
    def salt(self) -> str: ...

    @property
    def mass_g(self) -> float: ...

    @property
    def assay(self) -> float | None: ...


def refuse_senseless(portions: Iterable[Portion], made_up_to_l: float) -> None:
    """Raises ChemistryRefused, in one sentence, for a stock that cannot be: no salt, no volume, an assay above 100 %,
    or salts that throw each other out of solution."""
    portions = tuple(portions)
    if not portions:
        raise ChemistryRefused("A stock needs at least one salt.")
    if not made_up_to_l > 0:
        raise ChemistryRefused(
            f"A stock cannot be made up to {plain(made_up_to_l)} L. Say to what volume it is filled."
        )
    for portion in portions:
        salt = salt_named(portion.salt)
        if not portion.mass_g > 0:
            raise ChemistryRefused(f"{plain(portion.mass_g)} g of {salt.name} is no portion. Say what was weighed in.")
        if portion.assay is not None and not 0 < portion.assay <= 1:
            raise ChemistryRefused(
                f"An assay of {plain(portion.assay * 100)} % cannot be. It is the share of {salt.name} in what was"
                " weighed, above 0 to 100 %."
            )
    salts = [salt_named(portion.salt) for portion in portions]
    bases = [salt.name for salt in salts if salt.base and salt.name != "calcium hydroxide"]
    metals = [salt.name for salt in salts if salt.calcium_mol_per_mol or salt.magnesium_mol_per_mol]
    if bases and metals:
        raise ChemistryRefused(
            f"{bases[0]} and {metals[0]} in one stock come out as a solid at once. "
            "Keep them in two stocks, two reservoirs, two lines."
        )
    if any(salt.name == "calcium hydroxide" for salt in salts) and any(salt.magnesium_mol_per_mol for salt in salts):
        raise ChemistryRefused("calcium hydroxide throws magnesium out of solution. Keep them in two stocks.")


def strength_from_salts(portions: Iterable[Portion], made_up_to_l: float) -> Strength:
    """Strength of a stock from what was weighed in and the volume it was made up to; every ion of every salt counts.

    An assay that is not said is taken as 100 %: the stock is then no stronger than believed, and no dose too large.

    Raises ChemistryRefused for an unknown or ambiguous salt, for a mass, volume or assay that cannot be, and for salts
    that throw each other out of solution. Source: stoichiometry with IUPAC 2021 abridged atomic weights.
    """
    portions = tuple(portions)
    refuse_senseless(portions, made_up_to_l)
    alkalinity_eq = calcium_mol = magnesium_mol = 0.0
    for portion in portions:
        salt = salt_named(portion.salt)
        pure_g = portion.mass_g * (1.0 if portion.assay is None else portion.assay)
        alkalinity_eq += pure_g * salt.per_gram(Substance.ALKALINITY)
        calcium_mol += pure_g * salt.per_gram(Substance.CALCIUM)
        magnesium_mol += pure_g * salt.per_gram(Substance.MAGNESIUM)
    return Strength(alkalinity_eq / made_up_to_l, calcium_mol / made_up_to_l, magnesium_mol / made_up_to_l)


def strength_of(substance: Substance, eq_or_mol_per_l: float) -> Strength:
    """A strength that gives one substance only. Raises ChemistryRefused for `other` and for none above zero."""
    if not eq_or_mol_per_l > 0:
        raise ChemistryRefused(f"A strength of {plain(eq_or_mol_per_l)} adds nothing. It must be above zero.")
    match substance:
        case Substance.ALKALINITY:
            return Strength(alkalinity_eq_per_l=eq_or_mol_per_l)
        case Substance.CALCIUM:
            return Strength(calcium_mol_per_l=eq_or_mol_per_l)
        case Substance.MAGNESIUM:
            return Strength(magnesium_mol_per_l=eq_or_mol_per_l)
        case _:
            raise ChemistryRefused("A stock that gives something else has no strength here: only volumes limit it.")


def strength_from_label(substance: Substance, adds_mmol_per_l: float, per_ml: float, to_l: float) -> Strength:
    """Strength from a label's "adds so much, per so many mL, to so many litres": mmol/L (meq/L for alkalinity), mL, L.

    Raises ChemistryRefused for a volume or change not above zero.
    """
    if not per_ml > 0 or not to_l > 0:
        raise ChemistryRefused("A label's volumes must be above zero: so many mL, to so many litres.")
    return strength_of(substance, adds_mmol_per_l * to_l / per_ml)


def mixed(parts: Iterable[tuple[Strength, float]]) -> Strength:
    """Strength of several stocks poured together: (strength, volume) pairs, any one unit of volume, volumes additive.

    Raises ChemistryRefused when the volumes sum to nothing or one is negative.
    """
    parts = tuple(parts)
    total = sum(volume for _, volume in parts)
    if not total > 0 or any(volume < 0 for _, volume in parts):
        raise ChemistryRefused("Stocks can only be mixed in volumes above zero.")
    return Strength(
        *(
            sum(strength.of(substance) * volume for strength, volume in parts) / total
            for substance in (Substance.ALKALINITY, Substance.CALCIUM, Substance.MAGNESIUM)
        )
    )
