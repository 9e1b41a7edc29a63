"""What a reservoir holds, how strong it is, and how long it lasts."""

from __future__ import annotations

from fractions import Fraction

import pytest

from dosingd.chemistry.stock import Strength
from dosingd.plan.model import Reservoir
from dosingd.records import Refilled, Substance
from dosingd.reservoir import Contents, days_left, low, outlet_strength, strength_from_map
from tests.builders import Story, plan

WEAK, STRONG = Strength(1.0, 0.5, 0.0), Strength(2.0, 0.1, 0.3)


def test_what_ran_is_subtracted_from_reservoir_and_line() -> None:
    contents = Contents(10_000, "soda", WEAK, flush_ul=1_500, before=STRONG).after_run(1_000)
    assert (contents.left_ul, contents.flush_ul) == (9_000, 500)
    assert contents.after_run(600).flush_ul == 0


@pytest.mark.parametrize(("new", "old"), [(WEAK, STRONG), (STRONG, WEAK)])
def test_until_the_line_is_flushed_the_stronger_of_each_substance_counts(new: Strength, old: Strength) -> None:
    assert outlet_strength(Contents(1, "s", new, flush_ul=1, before=old)) == Strength(2.0, 0.5, 0.3)
    assert outlet_strength(Contents(1, "s", new, flush_ul=0, before=old)) == new
    assert outlet_strength(Contents(1, "s", new, flush_ul=1, before=None)) == new


def test_a_refill_begins_a_flush_and_the_first_filling_does_not() -> None:
    story = Story(plan())
    story.tell(Refilled("alk", 900_000, None, "soda", {"alkalinity": 2.0}, 3_500))
    assert story.books.contents["alk"].flush_ul == 0
    story.tell(Refilled("alk", 950_000, None, "soda", {"alkalinity": 1.0}, 3_500))
    assert story.books.contents["alk"] == Contents(950_000, "soda", Strength(1.0), 3_500, Strength(2.0))


def test_a_strength_is_read_by_substance() -> None:
    kept = {Substance.ALKALINITY: 1.0, Substance.CALCIUM: 2.0, Substance.MAGNESIUM: 3.0}
    assert strength_from_map({str(key): value for key, value in kept.items()}) == Strength(1.0, 2.0, 3.0)
    assert strength_from_map({}) is None


def test_days_left_are_counted_to_the_reserve() -> None:
    reservoir = Reservoir(1_000_000, 50_000, warn_days=7.0)
    assert days_left(218_000, reservoir, Fraction(24_000)) == 7.0  # (218 - 50) / 24
    assert not low(218_000, reservoir, Fraction(24_000))
    assert low(217_999, reservoir, Fraction(24_000))
    assert days_left(40_000, reservoir, Fraction(24_000)) == 0.0
    assert days_left(218_000, reservoir, Fraction(0)) is None
    assert not low(0, reservoir, Fraction(0))
