"""Refills, batches and runs to what a reservoir holds, how strong it is, and how long it lasts.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from fractions import Fraction

from attrs import evolve, frozen

from dosingd.chemistry.stock import Strength
from dosingd.plan.model import Plan, Reservoir
from dosingd.records import Refilled, Substance


@frozen
class Contents:
    """A reservoir's books: what was last measured minus everything that ran, whatever for."""

    left_ul: int
    stock: str
    strength: Strength | None
    #: What the line still holds of the stock before, and how strong that was.
    flush_ul: int = 0
    before: Strength | None = None

    def after_run(self, given_ul: int, flushed_ul: int | None = None) -> Contents:
        """After so much was drawn, whatever it was for; `flushed_ul` is what surely ran, when that is less."""
        flushed_ul = given_ul if flushed_ul is None else flushed_ul
        return evolve(self, left_ul=self.left_ul - given_ul, flush_ul=max(0, self.flush_ul - flushed_ul))


def outlet_strength(contents: Contents) -> Strength | None:
    """The strongest that can leave the outlet now, by substance: of old and new, until the line is flushed."""
    if contents.strength is None or contents.before is None or contents.flush_ul <= 0:
        return contents.strength
    return Strength(
        max(contents.strength.alkalinity_eq_per_l, contents.before.alkalinity_eq_per_l),
        max(contents.strength.calcium_mol_per_l, contents.before.calcium_mol_per_l),
        max(contents.strength.magnesium_mol_per_l, contents.before.magnesium_mol_per_l),
    )


def strength_from_map(strength: dict[str, float]) -> Strength | None:
    """A Strength from what a refill row keeps; None for an empty map."""
    if not strength:
        return None
    return Strength(
        strength.get(Substance.ALKALINITY, 0.0),
        strength.get(Substance.CALCIUM, 0.0),
        strength.get(Substance.MAGNESIUM, 0.0),
    )


def filled(plan: Plan, channel: str) -> Refilled:
    """The row of a reservoir that was filled to the brim with the stock that the plan names."""
    stock = plan.stock_of(channel)
    strength = {} if stock.strength is None else {each.value: stock.strength.of(each) for each in Substance}
    return Refilled(
        channel=channel,
        to_ul=plan.channels[channel].reservoir.holds_ul,
        found_ul=None,
        stock=stock.id,
        strength={substance: amount for substance, amount in strength.items() if amount > 0},
        line_ul=0,
    )


def days_left(left_ul: int, reservoir: Reservoir, daily_ul: Fraction) -> float | None:
    """Days until the reserve is reached at the plan's rate; None when nothing is drawn."""
    if daily_ul <= 0:
        return None
    return max(0.0, float(Fraction(left_ul - reservoir.reserve_ul) / daily_ul))


def low(left_ul: int, reservoir: Reservoir, daily_ul: Fraction) -> bool:
    """Whether the reservoir lasts fewer days than the plan wants to be warned ahead."""
    days = days_left(left_ul, reservoir, daily_ul)
    return days is not None and days < reservoir.warn_days
