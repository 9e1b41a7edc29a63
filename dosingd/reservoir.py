"""Refills and runs to what a reservoir holds, how strong it is, how long it lasts, and whether the books close.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from fractions import Fraction

from attrs import evolve, frozen

from dosingd.chemistry.stock import Strength
from dosingd.plan.model import Plan, Reservoir
from dosingd.records import Refilled, Substance
from dosingd.words import ml


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


@frozen
class TooSmall:
    """A plan came into force whose reservoir holds less than the books said was in it. Volumes in µL."""

    at: datetime
    left_ul: int  #: by the books, then
    holds_ul: int


@frozen
class Filling:
    """A reservoir since its level was last measured, which is at a refill. Volumes in µL."""

    at: datetime
    proven_ms: int
    to_ul: int
    drawn_ul: int = 0  #: by the books, whatever for
    unseen_ul: int = 0  #: of these, booked for runs that nobody saw the end of: they may never have run
    former_ul: int = 0  #: of what was drawn: booked by a former flow, before a calibration or new tubing
    poured: Mapping[str, float] | None = None  #: what the plan said then of the stock's strength; None: not kept
    too_small: TooSmall | None = None  #: since then the level is not known: at most what the books say

    def after_run(self, given_ul: int, *, seen: bool) -> Filling:
        """After so much was booked as drawn."""
        unseen_ul = self.unseen_ul + (0 if seen else given_ul)
        return evolve(self, drawn_ul=self.drawn_ul + given_ul, unseen_ul=unseen_ul)


def level_uncertainty_ul(filling: Filling, flow_share: float) -> int:
    """How far the level may lie from its books, in µL: nothing when it was just measured, and more with every run.

    `flow_share` is how far the flow may be off, as a share of it: all runs are off by it the same way, so it does not
    average out. What was booked for a run that nobody saw the end of may not have run at all.
    """
    return math.ceil((filling.drawn_ul - filling.unseen_ul) * flow_share) + filling.unseen_ul


#: A level read off a reservoir's scale is good to this share of what it was filled to: 20 mL on 2 L. Common practice,
#: no source.
READING_SHARE = 0.01
#: How far the flow may be off by a refill before it counts. A calibration falls due when it has drifted by as much; it
#: is a third of the 15 % that must never be reached, and three times what two readings of a level are usually good to.
FLOW_TOLERANCE = 0.05
#: What a healthy flow may be off by beside the readings: tubing wears from the first day. Common practice, no source.
HEALTHY_SHARE = 0.02
#: ... and by how much where it was calibrated in between, or retubed: what a calibration may differ from the last one.
CHANGED_TOLERANCE = 0.15
#: No level is read better than to this, however little was in it. Common practice, no source.
LEAST_READING_UL = 5_000
#: A pump gives half to twice of what it was calibrated to; beyond that something else happened.
LEAST_FLOW, MOST_FLOW = 0.5, 2.0


@frozen
class FlowCheck:
    """What a refill says of the flow since the one before. `error` is what really ran over what was booked, less 1:
    above zero the pump gives more than is booked. None where that cannot be told; then `why_not` says why."""

    at: datetime
    expected_ul: int
    found_ul: int
    drawn_ul: int  #: by the books, without the runs that nobody saw the end of
    error: float | None
    uncertainty: float | None  #: of the error, from the two readings of the level and the runs nobody saw the end of
    why_not: str = ""
    to_ul: int = 0  #: what it had been filled to
    pump_ul: int = 0  #: how much of the gap can be the pump's
    readings_ul: int = 0  #: ... and that of two readings of a level

    @property
    def gap_ul(self) -> int:
        """What is missing by the books; below zero: what is there beyond them."""
        return self.expected_ul - self.found_ul

    @property
    def unexplained(self) -> bool:
        """Whether the gap is more than pump and readings can make up: stock went, or came, another way."""
        return abs(self.gap_ul) > self.pump_ul + self.readings_ul

    @property
    def tells(self) -> bool:
        """Whether the error is more than the readings could make up."""
        return self.error is not None and self.uncertainty is not None and abs(self.error) > self.uncertainty

    @property
    def alarms(self) -> bool:
        """Whether the error is more than the tolerance, and than a healthy flow with both readings off."""
        return (
            self.error is not None
            and self.uncertainty is not None
            and abs(self.error) > max(FLOW_TOLERANCE, self.uncertainty + HEALTHY_SHARE)
        )


def flow_check(filling: Filling, left_ul: int, found_ul: int, at: datetime) -> FlowCheck:
    """Expected against found at a refill: the flow's true error since the one before.

    Drawn in truth is what was filled to less what was found, each read to READING_SHARE; of the runs that nobody saw
    the end of half is taken, and the other half is not known. No error is told where the readings, and what was
    booked by a former flow, could make up FLOW_TOLERANCE: then too little was pumped. But a gap is told in any case:
    stock that is missing, or there beyond the books, by more than both readings and the pump (within its tolerance;
    half to twice where its error is told).
    """
    seen_ul = filling.drawn_ul - filling.unseen_ul
    one_ul = max(READING_SHARE * filling.to_ul, LEAST_READING_UL)
    # Added, not as a root: a scale that is read 1 % off, twice and against each other, is a healthy rig's.
    readings_ul = math.ceil(2 * one_ul)

    def check(error: float | None, uncertainty: float | None, why_not: str, pump_share: float) -> FlowCheck:
        # What was booked for a run that nobody saw the end of may still be there.
        pump_ul = math.ceil(seen_ul * pump_share) + (filling.unseen_ul if left_ul < found_ul else 0)
        return FlowCheck(
            at, left_ul, found_ul, seen_ul, error, uncertainty, why_not, filling.to_ul, pump_ul, readings_ul
        )

    if filling.too_small is not None:
        # What the books expected was no level, so nothing can be held against it.
        why_not = "the plan's reservoir became smaller than what was in it, so no level was known"
        return evolve(check(None, None, why_not, 0.0), expected_ul=found_ul)
    if seen_ul <= 0:
        return check(None, None, "nothing was pumped since the level was last measured", 0.0)
    present_ul = seen_ul - filling.former_ul
    if present_ul <= 0:
        why_not = "nothing was pumped since the pump was calibrated, or got new tubing"
        return check(None, None, why_not, CHANGED_TOLERANCE)
    error = (filling.to_ul - found_ul - filling.former_ul - filling.unseen_ul / 2) / present_ul - 1
    # A former flow may have been a nominal one, and off by half to twice.
    open_ul = (MOST_FLOW - 1) * filling.former_ul + filling.unseen_ul / 2
    uncertainty = (2 * one_ul + open_ul) / present_ul
    if filling.former_ul > 0 and uncertainty > FLOW_TOLERANCE:
        why_not = "the pump was calibrated, or got new tubing, since the level was last measured"
        return check(None, uncertainty, why_not, CHANGED_TOLERANCE)
    if uncertainty > FLOW_TOLERANCE:
        why_not = (
            f"too little was pumped to tell: {ml(seen_ul)} by the books, and reading the level twice leaves"
            f" {f'{uncertainty * 100:.0f} % of' if uncertainty < 1 else 'more than'} that open"
        )
        return check(None, uncertainty, why_not, FLOW_TOLERANCE)
    return check(error, uncertainty, "", MOST_FLOW - 1 if left_ul > found_ul else 1 - LEAST_FLOW)


def outlet_strength(contents: Contents) -> Strength | None:
    """The strongest that can leave the outlet now, by substance: of old and new, until the line is flushed."""
    if contents.strength is None or contents.before is None or contents.flush_ul <= 0:
        return contents.strength
    return contents.strength.each(contents.before, max)


def strength_from_map(strength: dict[str, float]) -> Strength | None:
    """A Strength from what a refill row keeps; None for an empty map."""
    if not strength:
        return None
    return Strength(
        strength.get(Substance.ALKALINITY, 0.0),
        strength.get(Substance.CALCIUM, 0.0),
        strength.get(Substance.MAGNESIUM, 0.0),
    )


def map_from_strength(strength: Strength | None) -> dict[str, float]:
    """A Strength as a refill row keeps it."""
    if strength is None:
        return {}
    amounts = {each.value: strength.of(each) for each in Substance}
    return {substance: amount for substance, amount in amounts.items() if amount > 0}


def filled(plan: Plan, channel: str) -> Refilled:
    """The row of a reservoir that was filled to the brim with the stock that the plan names."""
    stock = plan.stock_of(channel)
    strength = map_from_strength(stock.strength)
    return Refilled(
        channel=channel,
        to_ul=plan.channels[channel].reservoir.holds_ul,
        found_ul=None,
        stock=stock.id,
        strength=strength,
        line_ul=0,
        poured=strength,
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
