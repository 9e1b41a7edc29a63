"""Baking sodium bicarbonate to carbonate: 2 NaHCO3 -> Na2CO3 + H2O + CO2.

The oven drives off water and carbon dioxide and leaves the alkalinity: what was weighed in is the better basis for a
strength than what comes out. Masses alone cannot tell moisture from conversion; heating to constant mass can.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from attrs import evolve, frozen

from dosingd.chemistry.cautions import BAKING, hazards_in_words
from dosingd.chemistry.salts import (
    M_CO2,
    M_H2O,
    M_NA2CO3,
    M_NAHCO3,
    MEQ_PER_L_PER_DKH,
    formula_mass_g_per_mol,
)
from dosingd.errors import ChemistryRefused
from dosingd.words import plain

#: Grams of carbonate from a gram of bicarbonate, 0.630836; and of what leaves, 0.369164. Stoichiometry, IUPAC 2021.
YIELD = M_NA2CO3 / (2 * M_NAHCO3)
LOSS = 1 - YIELD
CO2_PER_GRAM = M_CO2 / (2 * M_NAHCO3)
WATER_PER_GRAM = M_H2O / (2 * M_NAHCO3)

#: Equivalents per gram. Stoichiometry, IUPAC 2021.
EQ_PER_GRAM_BICARBONATE = 1 / M_NAHCO3
EQ_PER_GRAM_CARBONATE = 2 / M_NA2CO3

#: A batch counts as complete from this conversion on, about what a kitchen scale can tell. Common practice, no source.
COMPLETE_FROM = 0.99
#: Two weighings, with half an hour in the oven between, that differ by less are constant mass. Common practice, no
#: source.
CONSTANT_WITHIN = 0.002
#: An apparent conversion so little above 1 is what a kitchen scale is good to. Common practice, no source.
MORE_THAN_WEIGHING = 1.005
#: Powder with more water than this is a visibly wet heap, and a larger loss has another cause. Common practice, no
#: source.
WETTEST = 0.10
#: Batches that a household weighs, g. Common practice, no source.
BATCH_G = (1.0, 100_000.0)
#: A glass that proves a powder without its masses: so many g made up to 1 L, and so many mL of that to 1 L again.
PROVE_G, PROVE_ML = 10.0, 20.0


@frozen
class Shortcut:
    """One way to apply "half the weight, double the strength", and the error of the alkalinity given, in percent."""

    how: str
    error_percent: float


@frozen
class Bake:
    """What two weighings say about a batch. `conversion` above 1 is apparent: more left than bicarbonate can lose.

    `alkalinity_eq` is the batch's, by the bicarbonate weighed in; `meq_per_g` that of the powder that came out, None
    where more was lost than bicarbonate can lose: then the masses tell no strength.
    """

    before_g: float
    after_g: float
    assay: float
    moisture: float
    expected_after_g: float
    loss_fraction: float
    conversion: float
    alkalinity_eq: float
    bicarbonate_left_g: float
    carbonate_g: float
    moisture_if_complete: float
    cautions: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """The loss is that of a complete bake, within 1 % of the conversion. Only constant mass proves it."""
        return self.conversion >= COMPLETE_FROM and not self.beyond_damp

    @property
    def dry_bicarbonate_g(self) -> float:
        """What went in, without the water that was said: what a plan takes as `bicarbonate`, with the same assay."""
        return self.before_g * (1 - self.moisture)

    @property
    def alkalinity_eq_if_damp(self) -> float | None:
        """The batch's alkalinity if all that is missing beyond a complete bake was water, eq; None at or below one.

        Then less went in than was weighed, and `alkalinity_eq` is too high by the water's share.
        """
        if self.conversion <= 1:
            return None
        return self.before_g * (1 - self.moisture_if_complete) * self.assay * EQ_PER_GRAM_BICARBONATE

    @property
    def impossible(self) -> bool:
        """More was lost than bicarbonate of this assay and moisture can lose, by more than a scale's error."""
        return self.conversion > MORE_THAN_WEIGHING

    @property
    def beyond_damp(self) -> bool:
        """More was lost than even damp powder can lose: spilt, another tare, or another powder. Nothing is known."""
        return self.impossible and self.moisture_if_complete > WETTEST

    @property
    def most_meq_per_g(self) -> float:
        """What powder of this assay holds at most, meq/g: baked through. Pure, 18.87; nothing baked holds more."""
        return 1000 * self.assay * EQ_PER_GRAM_BICARBONATE / (1 - self.assay * LOSS)

    @property
    def meq_per_g(self) -> float | None:
        """Alkalinity of the powder that came out, meq/g, never above what baked powder can hold; None where more was
        lost than bicarbonate can lose."""
        if self.impossible:
            return None
        return min(1000 * self.alkalinity_eq / self.after_g, self.most_meq_per_g)

    @property
    def most_proof_dkh(self) -> float:
        """What the glass that proves the powder reads at most, dKH (`PROVE_G`, `PROVE_ML`)."""
        return self.most_meq_per_g * PROVE_G * PROVE_ML / 1000 / MEQ_PER_L_PER_DKH


def bake(before_g: float, after_g: float, assay: float = 1.0, moisture: float = 0.0, *, steady: bool = False) -> Bake:
    """Conversion, alkalinity and expected mass of a batch from its masses before and after, in g.

    `assay` (0 to 1) is the share of bicarbonate in the dry powder, the rest taken as inert; `moisture` (0 to 1) the
    share of free water in what was weighed in. Conversion is (before·(1-moisture) - after) /
    (before·(1-moisture)·assay·0.369164). It is never clamped: above 1 it says that moisture left too, or that a
    weighing or a spill is wrong. `steady`: more time in the oven changed nothing (`constant_mass`).

    Raises ChemistryRefused for masses not above zero, powder heavier than before, and shares that cannot be.
    Source: stoichiometry with IUPAC 2021 abridged atomic weights.
    """
    if not (before_g > 0 and after_g > 0 and math.isfinite(before_g) and math.isfinite(after_g)):
        raise ChemistryRefused(
            f"{plain(before_g)} g before and {plain(after_g)} g after cannot be: both masses must be above zero."
        )
    if min(before_g, after_g) < BATCH_G[0] or max(before_g, after_g) > BATCH_G[1]:
        raise ChemistryRefused(
            f"{plain(before_g)} g before and {plain(after_g)} g after is no batch from a kitchen oven: a batch is "
            f"{plain(BATCH_G[0])} g to {plain(BATCH_G[1] / 1000)} kg. Is the unit right?"
        )
    if after_g > before_g:
        raise ChemistryRefused(
            f"{plain(after_g)} g after is heavier than {plain(before_g)} g before: powder only loses mass in the oven. "
            "Are the two swapped, or is the tray weighed with it?"
        )
    if not 0 < assay <= 1:
        raise ChemistryRefused(
            f"An assay of {plain(assay * 100)} % cannot be: it is the share of bicarbonate, above 0 to 100 %."
        )
    if not 0 <= moisture < 1:
        raise ChemistryRefused(
            f"A moisture of {plain(moisture * 100)} % cannot be: it is the share of water, 0 to below 100 %."
        )
    dry_g = before_g * (1 - moisture)
    pure_g = dry_g * assay
    lost_g = dry_g - after_g
    if lost_g < -1e-9 * before_g:
        raise ChemistryRefused(
            f"{plain(before_g)} g with {plain(moisture * 100)} % of water is {plain(dry_g, 4)} g once dry, and"
            f" {plain(after_g)} g came out: the moisture or a weighing is wrong."
        )
    conversion = max(lost_g, 0.0) / (pure_g * LOSS)
    expected_after_g = dry_g - pure_g * LOSS
    found = Bake(
        before_g=before_g,
        after_g=after_g,
        assay=assay,
        moisture=moisture,
        expected_after_g=expected_after_g,
        loss_fraction=(before_g - after_g) / before_g,
        conversion=conversion,
        alkalinity_eq=pure_g * EQ_PER_GRAM_BICARBONATE,
        bicarbonate_left_g=pure_g * max(0.0, 1 - conversion),
        carbonate_g=pure_g * YIELD * min(1.0, conversion),
        moisture_if_complete=max(0.0, 1 - after_g / (before_g * (1 - assay * LOSS))),
        cautions=(),
    )
    return evolve(
        found,
        cautions=(
            *_findings(found, steady),
            hazards_in_words("sodium bicarbonate"),
            hazards_in_words("sodium carbonate"),
            *BAKING,
        ),
    )


def _findings(found: Bake, steady: bool) -> tuple[str, ...]:
    conversion, before_g, after_g, expected_after_g = (
        found.conversion, found.before_g, found.after_g, found.expected_after_g
    )  # fmt: skip
    gas_l = co2_l(found.dry_bicarbonate_g * found.assay)
    first: tuple[str, ...]
    if found.impossible:
        first = _impossible(found)
    elif conversion >= COMPLETE_FROM:
        first = ("The loss is that of a complete bake.",)
    elif steady:
        first = (
            f"Conversion {conversion * 100:.1f} % and constant mass: nothing more leaves it, so the assay or the"
            " moisture is another than was said, the product is a blend, or the oven is too cool. Prove the stock with"
            " a test kit.",
        )
    else:
        first = (
            f"Conversion {conversion * 100:.1f} %: {plain(after_g - expected_after_g, 3)} g are still to go. Bake on, "
            "cool, weigh again. The batch's alkalinity is the same, but what is not baked dissolves far less.",
        )
    return (
        *first,
        f"Half the weight is never reached: a complete bake of dry powder loses {LOSS * 100:.1f} %, "
        f"{apparent_completeness_at_half_weight() * 100:.1f} % of a halving.",
        "Masses alone cannot tell moisture from conversion. Constant mass can: bake another half hour, "
        f"weigh again; done is a difference below {plain(CONSTANT_WITHIN * 100)} %, "
        f"{plain(before_g * YIELD * CONSTANT_WITHIN, 2)} g here.",
        f"Baked through it gives off about {gas_l:.{0 if gas_l >= 2 else 1}f} L of carbon dioxide: ventilate.",
        f"Keep the powder closed: in damp air it becomes up to {gone_damp_g(1.0):.2f} times as heavy with the same "
        "alkalinity, and weighed later it makes too weak a stock.",
        "A product sold as a buffer may be a blend with carbonate or borate in it: its loss then proves nothing "
        "about its alkalinity. Use plain sodium bicarbonate, or prove the stock with a test kit.",
    )


def _impossible(found: Bake) -> tuple[str, ...]:
    """What must have happened where more was lost than bicarbonate can lose, and what to do."""
    said = (
        f"Apparent conversion {found.conversion * 100:.1f} %: {plain(found.expected_after_g - found.after_g, 3)} g "
        "more left than bicarbonate can lose. "
    )
    prove = (
        f"Prove the powder: {plain(PROVE_G)} g of it made up to 1 L with pure water, and {plain(PROVE_ML)} mL of that "
        f"made up to 1 L again, read {found.most_proof_dkh:.1f} dKH at most (titration or test kit), when it is all "
        "baked. A higher reading is another substance: discard it. With a lower one it is weaker by as much."
    )
    if found.beyond_damp:
        return (
            f"{said}To be water it would have to be {found.moisture_if_complete * 100:.0f} % of what went in, a wet "
            "heap. So some was spilt or left in the tray, the two weighings had different tares, or the powder was "
            "another: washing soda crystals lose 63 %, baking ammonia all of it. What came out has no known strength: "
            "do not mix it by these masses.",
            prove + " Discard the batch if you cannot prove it.",
        )
    return (
        f"{said}The powder was damp{'er than said' if found.moisture else ''}, some was spilt, or a weighing is wrong. "
        "With damp powder less alkalinity went in than was weighed: say the moisture. If it was not damp, the powder "
        "has no known strength.",
        prove,
    )


def constant_mass(weighings_g: Sequence[float]) -> bool:
    """Whether the last two of several weighings, each after more time in the oven, differ by less than 0.2 %.

    Raises ChemistryRefused for fewer than two, or a mass not above zero.
    """
    if len(weighings_g) < 2 or min(weighings_g) <= 0:
        raise ChemistryRefused(
            "Constant mass takes at least two weighings above zero, with time in the oven between them."
        )
    previous, last = weighings_g[-2:]
    return abs(previous - last) < CONSTANT_WITHIN * last


def carbon_per_eq(conversion: float) -> float:
    """Mole of inorganic carbon per equivalent in a stock of powder converted so far: 1 unbaked, 0.5 fully baked."""
    return 1 - conversion / 2


def co2_l(bicarbonate_g: float, temperature_c: float = 20.0) -> float:
    """Litres of carbon dioxide that a complete bake gives off, at 1013.25 hPa. Source: ideal gas."""
    return bicarbonate_g * CO2_PER_GRAM / M_CO2 * 8.314462618 * (temperature_c + 273.15) / 101.325


def thin_layer_min(temperature_c: float, conversion: float = 0.999) -> float:
    """Minutes to a conversion, of a thin layer in dry flowing gas: the least a tray can take, never a promise.

    In a tray the heat and gas have to get through the heap. Fitted from 87 to 177 degC, refused below 60 and above 250.
    Source: Wu and Shih 1993, Thermochim. Acta 223, 177 (from the abstract).
    """
    if not 60 <= temperature_c <= 250:
        raise ChemistryRefused(
            f"{plain(temperature_c)} degC is outside 60 to 250 degC, where the time to bake can be told."
        )
    if not 0 <= conversion < 1:
        raise ChemistryRefused("A conversion to reach is 0 to below 100 %.")
    return -math.log(1 - conversion) / rate_per_min(temperature_c)


def rate_per_min(temperature_c: float) -> float:
    """First-order rate of the bake, per minute. Source: Wu and Shih 1993 (6.7e12 per min, 105.8 kJ/mol)."""
    return 6.7e12 * math.exp(-105_800 / (8.314462618 * (temperature_c + 273.15)))


def gone_damp_g(carbonate_g: float) -> float:
    """Grams of monohydrate that carbonate becomes in damp air, with the same alkalinity: 1.170 times as heavy."""
    return carbonate_g * formula_mass_g_per_mol("Na2CO3·H2O") / M_NA2CO3


def _percent(ratio: float) -> float:
    return 100 * (ratio - 1)


def shortcuts() -> tuple[Shortcut, ...]:
    """Every way to apply "half the weight, double the strength", with the error of the alkalinity given, in percent:
    above zero overdoses. For dry, pure, fully baked powder; a gram is 1.585 times as strong, not twice.

    Source: stoichiometry with IUPAC 2021 abridged atomic weights.
    """
    stronger = EQ_PER_GRAM_CARBONATE / EQ_PER_GRAM_BICARBONATE
    return (
        Shortcut("half the recipe's grams as baked powder, same volume, same dose", _percent(stronger / 2)),
        Shortcut("the recipe's grams as baked powder, same volume, half the dose", _percent(stronger / 2)),
        Shortcut("the recipe's grams as baked powder, same volume, same dose", _percent(stronger)),
        Shortcut("the recipe's bicarbonate baked, all of it in the same volume, half the dose", _percent(1 / 2)),
        Shortcut("the recipe's bicarbonate baked, all of it in the same volume, same dose", 0.0),
        Shortcut("the recipe's bicarbonate baked, all of it in half the volume, half the dose", 0.0),
        Shortcut("a carbonate recipe, twice its grams of bicarbonate baked, all of it used", _percent(2 / stronger)),
        Shortcut("a carbonate recipe, twice its grams as unbaked bicarbonate", _percent(2 / stronger)),
        Shortcut(
            "strength reckoned as twice the bicarbonate's, because half the weight is gone", _percent(2 / stronger)
        ),
    )


def apparent_completeness_at_half_weight() -> float:
    """Share of an expected halving that a complete bake reaches, 0.738: waiting for half weight waits for ever."""
    return LOSS / 0.5
