"""Proving a stock in a glass before it is poured: what a reading that is off means.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from attrs import frozen

from dosingd.chemistry.bake import EQ_PER_GRAM_BICARBONATE, EQ_PER_GRAM_CARBONATE
from dosingd.chemistry.salts import BAKED_SODA, M_CA, M_MG, MEQ_PER_L_PER_DKH, salt_named
from dosingd.chemistry.stock import Strength
from dosingd.errors import ChemistryRefused
from dosingd.records import Substance
from dosingd.words import plain

#: How far a careful reading with a hobby test kit may be off, as a share; and its least step. Common practice, no
#: source.
KIT_SHARE = 0.10
KIT_STEP = {Substance.ALKALINITY: 0.3, Substance.CALCIUM: 10.0, Substance.MAGNESIUM: 30.0}
#: A reading should be this many steps at least, or a wrong one would pass.
KIT_STEPS = 3
#: Stock for a glass, mL in a litre: the first that a kit can read.
GLASS_ML = (1.0, 10.0, 100.0)

#: How near a reading must come to a known mistake to be named after it.
_NEAR = 0.07

_STRONGER = EQ_PER_GRAM_CARBONATE / EQ_PER_GRAM_BICARBONATE


def _alike(one: str, other: str, substance: Substance) -> float:
    """Strength of a stock when `one` was weighed where `other` was meant."""
    return salt_named(one).per_gram(substance) / salt_named(other).per_gram(substance)


_ALK, _CA = Substance.ALKALINITY, Substance.CALCIUM
_DRY = ("sodium carbonate", BAKED_SODA)
_ANHYDROUS, _DI, _HEXA = (f"calcium chloride {form}" for form in ("anhydrous", "dihydrate", "hexahydrate"))

#: (read over expected, what makes it so, the salts that were meant), by substance.
MISTAKES: dict[Substance, tuple[tuple[float, str, tuple[str, ...]], ...]] = {
    _ALK: (
        (1 / _STRONGER, "bicarbonate that was not baked, weighed as if it were carbonate", _DRY),
        (_STRONGER, "carbonate weighed where the recipe means bicarbonate", ("sodium bicarbonate",)),
        (_alike("sodium carbonate monohydrate", "sodium carbonate", _ALK), "carbonate that has drawn damp, or "
        "part baked powder", _DRY),
        (_alike("sodium carbonate decahydrate", "sodium carbonate", _ALK), "washing soda crystals weighed as "
        "anhydrous carbonate", _DRY),
    ),
    _CA: (
        (_alike(_DI, _ANHYDROUS, _CA), "dihydrate weighed as anhydrous, or flakes that have drawn damp", (_ANHYDROUS,)),
        (_alike(_ANHYDROUS, _DI, _CA), "anhydrous salt weighed as dihydrate", (_DI,)),
        (_alike(_HEXA, _DI, _CA), "hexahydrate weighed as dihydrate", (_DI,)),
        (_alike(_HEXA, _ANHYDROUS, _CA), "hexahydrate weighed as anhydrous", (_ANHYDROUS,)),
    ),
    Substance.MAGNESIUM: (),
}  # fmt: skip
_ANY: tuple[tuple[float, str], ...] = (
    (0.5, "a batch of half strength: half the salt, twice the water, or an older recipe"),
    (2.0, "a batch of double strength: twice the salt or half the water"),
)


def proof(strength: Strength, substance: Substance, ml: float = 1.0, water_l: float = 1.0) -> float:
    """What so many mL of stock, filled up to so many litres with pure water, must read: dKH for alkalinity, mg/L for
    calcium and magnesium.

    Raises ChemistryRefused for `other`, a stock that does not give the substance, and volumes not above zero.
    """
    if not ml > 0 or not water_l > 0:
        raise ChemistryRefused("A proof takes volumes above zero: 1 mL of stock in 1 L of pure water.")
    if substance is Substance.OTHER or not strength.of(substance) > 0:
        raise ChemistryRefused(f"This stock gives no {substance} that a test kit could read.")
    milli_per_l = strength.of(substance) * ml / water_l
    match substance:
        case Substance.ALKALINITY:
            return milli_per_l / MEQ_PER_L_PER_DKH
        case Substance.CALCIUM:
            return milli_per_l * M_CA
        case _:
            return milli_per_l * M_MG


@frozen
class Glass:
    """A stock in a glass: so many mL of it, filled up to a litre with pure water, must read so much in that unit."""

    ml: float
    reads: float
    unit: str  #: dKH or mg/L


def glass(strength: Strength, substance: Substance) -> Glass:
    """The glass that proves a stock: 1 mL in a litre, or ten or a hundred where a kit could not read that.

    Raises ChemistryRefused for `other`, and for a stock that does not give the substance.
    """
    readings = [Glass(ml, proof(strength, substance, ml), _unit(substance)) for ml in GLASS_ML]
    return next((each for each in readings if each.reads >= KIT_STEPS * KIT_STEP[substance]), readings[-1])


def _unit(substance: Substance) -> str:
    return "dKH" if substance is _ALK else "mg/L"


def shown_reading(reads: float, substance: Substance) -> str:
    """A reading as a kit shows it, with its unit: a tenth of a dKH, whole mg/L. Finer digits no kit has."""
    return f"{reads:.1f} dKH" if substance is _ALK else f"{reads:.0f} mg/L"


def mistakes(substance: Substance, salt: str | None = None) -> tuple[tuple[float, str], ...]:
    """(read over expected, what makes it so) of the usual mistakes with stocks of a substance, or of the one salt that
    was meant."""
    return tuple((factor, cause) for factor, cause, meant in MISTAKES[substance] if salt in (None, *meant)) + _ANY


def wrong_readings(expected: float, substance: Substance, salt: str | None = None) -> tuple[tuple[float, str], ...]:
    """What the usual mistakes would read instead, and each mistake, from the weakest up; in the kit's unit. Of all
    salts that give the substance, or of the one that was meant."""
    return tuple(sorted((expected * factor, cause) for factor, cause in mistakes(substance, salt)))


@frozen
class Proof:
    """What a glass says: whether the stock may be poured, and in words what the reading means."""

    agrees: bool
    ratio: float
    meaning: str


def judge(expected: float, read: float, substance: Substance, salt: str | None = None) -> Proof:
    """What a reading means against the one expected, both in the kit's unit (dKH or mg/L).

    Agrees within a tenth, or within the kit's step if that is more. Raises ChemistryRefused for values that cannot be,
    and when the kit's step is too coarse for the reading expected (take more stock or less water).
    """
    if substance not in KIT_STEP:
        raise ChemistryRefused("There is no test kit for a stock that gives something else.")
    if not expected > 0 or not read >= 0:
        raise ChemistryRefused(f"A reading of {plain(read)} against {plain(expected)} expected cannot be.")
    step = KIT_STEP[substance]
    if expected < KIT_STEPS * step:
        unit = _unit(substance)
        raise ChemistryRefused(
            f"A reading of {plain(expected, 3)} {unit} is too small for a kit that is good to {plain(step)} {unit}. "
            "Take more stock in the same water, such as 10 mL in 1 L."
        )
    ratio = read / expected
    if abs(read - expected) <= max(KIT_SHARE * expected, step):
        return Proof(True, ratio, "It reads what it should: the stock is as strong as the books say.")
    if read <= step:
        return Proof(
            False,
            ratio,
            f"It reads next to nothing: this is not a stock of {substance}. Are bottles swapped, or is the "
            "reagent spent? Do not pour it.",
        )
    causes = [cause for factor, cause in mistakes(substance, salt) if abs(ratio / factor - 1) <= _NEAR]
    percent = f"It reads {abs(ratio - 1) * 100:.0f} % {'above' if ratio > 1 else 'below'} what it should"
    if causes:
        return Proof(
            False,
            ratio,
            f"{percent}, as it would with {'; or with '.join(causes)}. Do not pour it before this is settled.",
        )
    return Proof(
        False,
        ratio,
        f"{percent}, and no usual mistake gives that. Measure again with a fresh glass; then check the scale, "
        "the volume and the assay. Do not pour it.",
    )
