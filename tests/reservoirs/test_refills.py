"""A refill worked out: mixed by volume, refused in words, and held against what the books expected.

Mixtures are reckoned by hand from c1 V1 + c2 V2 = c3 V3, the dilution equation of any chemistry primer.
"""

from __future__ import annotations

from typing import Any

import pytest
from attrs import evolve

from dosingd.chemistry.stock import Strength
from dosingd.daily import daily_volume_ul
from dosingd.errors import RefillRefused
from dosingd.plan.model import DailyVolume, Follows, Plan, Stock
from dosingd.records import Calibrated, Outcome, Refilled, Retubed, Substance
from dosingd.refills import UNTOLD_LINE_UL, Refill, book, refilled
from dosingd.reservoir import outlet_strength
from dosingd.strengths import strengths_of
from tests.builders import ALK, CA, CHLORIDE, SODA, Story, channel, plan

DOUBLE = Stock("double", Substance.ALKALINITY, Strength(alkalinity_eq_per_l=2.0))
HALF = Stock("half", Substance.ALKALINITY, Strength(alkalinity_eq_per_l=0.5))
WATER = Stock("water", Substance.OTHER, None)
STOCKS = (SODA, CHLORIDE, DOUBLE, HALF, WATER)
LINED = evolve(ALK, line_ul=3_500)
PLAN = plan(LINED, CA, stocks=STOCKS)
FULL = 1_000_000


def story(of: Plan = PLAN, to_ul: int = FULL, **more: Any) -> Story:
    told = Story(of, **more)
    told.tell(refilled(of, told.books, Refill("alk", to_ul)))
    return told


def said(of: Story, to_ul: int | None, **more: Any) -> dict[str, Any]:
    """Book a refill; the figures that come of it."""
    data, _ = book(of.plan, of.books, Refill("alk", to_ul, **more), of.tell)
    return data


def messages(of: Story, to_ul: int | None, **more: Any) -> str:
    return " ".join(book(of.plan, of.books, Refill("alk", to_ul, **more), of.tell)[1])


def draw(of: Story, volume_ul: int, outcome: Outcome = Outcome.GIVEN) -> None:
    of.settle(of.reserve("alk", volume_ul), volume_ul, outcome)


def refusal(of: Story, to_ul: int | None, **more: Any) -> str:
    before = of.books.newest
    with pytest.raises(RefillRefused) as refused:
        said(of, to_ul, **more)
    assert of.books.newest is before
    text = str(refused.value)
    assert text.startswith("alk: ")
    assert text.endswith("Nothing was booked.")
    return text


# -- what is in it -------------------------------------------------------------------------------------------


def test_another_strength_on_top_of_what_was_left_is_mixed_by_volume() -> None:
    of = story()
    data = said(of, 1_000_000, found_ul=250_000, stock="double")
    # (250 * 1.0 + 750 * 2.0) / 1000
    assert data["strength_eq_per_l"] == pytest.approx(1.75, rel=1e-12)
    assert (data["daily_ml_before"], data["daily_ml_after"]) == (24.0, pytest.approx(24 / 1.75))
    assert data["days_left"] == pytest.approx(950 / (24 / 1.75))
    assert of.books.contents["alk"].stock == "double"


def test_mixed_again_the_mixture_is_what_was_left() -> None:
    of = story()
    said(of, 1_000_000, found_ul=250_000, stock="double")
    data = said(of, 800_000, found_ul=400_000, stock="half")
    assert data["strength_eq_per_l"] == pytest.approx((400 * 1.75 + 400 * 0.5) / 800)


def test_an_emptied_reservoir_holds_the_new_stock_and_nothing_else() -> None:
    of = story()
    said(of, 1_000_000, found_ul=333_333, stock="double")
    data = said(of, 777_777, found_ul=0, stock="double")
    assert data["strength_eq_per_l"] == 2.0
    assert data["mixed"] is False


def test_the_same_stock_on_top_stays_exactly_as_strong() -> None:
    of = story()
    draw(of, 123_457)
    assert said(of, 1_000_000)["strength_eq_per_l"] == 1.0
    assert said(of, 1_000_000, found_ul=7)["strength_eq_per_l"] == 1.0


def test_calcium_is_told_in_grams() -> None:
    of = Story(PLAN)
    data, _ = book(PLAN, of.books, Refill("ca", 900_000), of.tell)
    # 0.5 mol/L of calcium, 40.078 g/mol (IUPAC 2021, from memory)
    assert data["strength_g_per_l"] == pytest.approx(20.039, abs=0.001)
    assert "strength_eq_per_l" not in data


def test_a_channel_that_follows_a_volume_changes_with_its_leader() -> None:
    leader = channel("alk", daily=DailyVolume(24_000))
    of = plan(leader, evolve(CA, daily=Follows("alk")), stocks=STOCKS)
    told = story(of)
    data = said(told, 1_000_000, found_ul=0, stock="double")
    assert (data["daily_ml_before"], data["daily_ml_after"]) == (24.0, 24.0)
    assert data["others"] == {}, "alk waits: what follows it does not rise by a stock that is not dosed"
    assert said(story(of), 1_000_000, found_ul=0, stock="half")["others"] == {
        "ca": {"daily_ml_before": 24.0, "daily_ml_after": 12.0}
    }, "the lesser of both"
    named = plan(evolve(leader, stock="double"), evolve(CA, daily=Follows("alk")), stocks=STOCKS)
    assert daily_volume_ul(named, "ca", strengths_of(named, told.books)) == 48_000


def test_the_first_filling_expects_nothing() -> None:
    of = Story(PLAN)
    data = said(of, 900_000)
    assert (data["expected_ml"], data["found_ml"], data["flow_error_percent"]) == (None, None, None)
    assert of.books.contents["alk"].flush_ul == 0


# -- the line (R7) -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("stock", "outlet"), [("half", 1.0), ("double", 1.75)])
def test_until_the_line_is_flushed_the_stronger_of_old_and_mixture_leaves_it(stock: str, outlet: float) -> None:
    of = story()
    said(of, 1_000_000, found_ul=250_000, stock=stock)
    leaves = outlet_strength(of.books.contents["alk"])
    assert leaves is not None
    assert leaves.alkalinity_eq_per_l == pytest.approx(outlet)
    draw(of, 3_500)
    mixture = of.books.contents["alk"].strength
    assert outlet_strength(of.books.contents["alk"]) == mixture
    assert mixture != Strength(1.0)


def test_a_line_of_unknown_length_holds_a_lot_where_the_stock_changes() -> None:
    of = story(plan(ALK, CA, stocks=STOCKS))
    said(of, 1_000_000, found_ul=100_000)
    assert of.books.contents["alk"].flush_ul == 0
    said(of, 1_000_000, found_ul=0, stock="half")
    assert of.books.contents["alk"].flush_ul == UNTOLD_LINE_UL


# -- refused -------------------------------------------------------------------------------------------------


def test_what_cannot_be_is_refused_with_the_figures() -> None:
    of = story()
    draw(of, 200_000)
    assert "--to 1001 mL is more than its reservoir holds, 1000 mL" in refusal(of, 1_001_000)
    assert "more than its reservoir holds" in refusal(of, 900_000, found_ul=2_000_000)
    assert "more cannot have been found than is in it now" in refusal(of, 500_000, found_ul=600_000)
    assert 'Did you mean "double"' in refusal(of, 900_000, stock="duoble")
    assert "soda, chloride, double, half, water" in refusal(of, 900_000, stock="xyz")
    assert "--found needs --to" in refusal(of, None, found_ul=5)


def test_a_level_below_the_books_needs_what_was_found() -> None:
    of = story()
    draw(of, 200_000)
    assert "by the books 800.0 mL were left, more than the 700.0 mL" in refusal(of, 700_000)
    assert said(of, 700_000, found_ul=650_000)["left_ml"] == 700.0


def test_another_strength_needs_what_was_found_or_an_emptied_reservoir_would_be_dosed_too_strong() -> None:
    of = story()
    draw(of, 200_000)
    text = refusal(of, 1_000_000, stock="double")
    assert '--found, such as "800 mL" by the books, or "0 mL" of an emptied one' in text
    assert (
        "its reservoir holds soda of 1 eq/L of alkalinity by the books, and double is 2 eq/L of alkalinity: another"
        " strength."
    ) in text


def test_a_mixture_is_called_one_with_both_strengths() -> None:
    of = story()
    said(of, 1_000_000, found_ul=250_000, stock="double")
    draw(of, 200_000)
    text = refusal(of, 1_000_000, stock="double")
    assert "a mixture of 1.75 eq/L of alkalinity by the books, and double is 2 eq/L of alkalinity: another" in text
    thin = Stock("thin", Substance.CALCIUM, Strength(calcium_mol_per_l=0.25))
    salty = Stock("salty", Substance.CALCIUM, Strength(calcium_mol_per_l=0.25, magnesium_mol_per_l=0.1))
    of = Story(plan(LINED, CA, stocks=(*STOCKS, thin, salty)))
    for to in (Refill("ca", 1_000_000), Refill("ca", 1_000_000, 500_000, "thin")):
        book(of.plan, of.books, to, of.tell)
    with pytest.raises(RefillRefused) as refused:
        book(of.plan, of.books, Refill("ca", 1_000_000, None, "salty"), of.tell)
    # 0.375 and 0.25 mol/L of 40.078 g/mol, 0.1 of 24.305
    assert (
        "holds a mixture of 15.03 g/L of calcium by the books, and salty is 10.02 g/L of calcium and 2.431 g/L of"
        " magnesium: another strength"
    ) in str(refused.value)


def test_another_stock_of_which_nothing_was_poured_is_refused() -> None:
    assert "no double was poured" in refusal(story(), 1_000_000, found_ul=1_000_000, stock="double")


@pytest.mark.parametrize("found_ul", [1, 500_000])
def test_stocks_that_turn_solid_are_not_mixed(found_ul: int) -> None:
    text = refusal(story(), 1_000_000, found_ul=found_ul, stock="chloride")
    assert "chloride on top of" in text
    assert "turns solid" in text
    assert "dosingd hold" in text


def test_a_wrong_bottle_in_an_emptied_reservoir_is_booked_and_waits() -> None:
    of = story()
    data = said(of, 1_000_000, found_ul=0, stock="chloride")
    assert data["waits"] == "its reservoir holds chloride by the books, and the plan says soda"
    assert (data["strength_eq_per_l"], data["daily_ml_after"]) == (0.0, 0.0)


def test_a_stock_of_unknown_strength_thins_nothing() -> None:
    assert said(story(), 1_000_000, found_ul=500_000, stock="water")["strength_eq_per_l"] == 1.0


# -- confirmed -----------------------------------------------------------------------------------------------


def test_confirmed_all_of_it_is_the_plan_s_stock_and_the_level_stays() -> None:
    of = story()
    said(of, 1_000_000, found_ul=500_000, stock="double")
    draw(of, 100_000)
    data = said(of, None, confirm=True, yes=True)
    assert (data["strength_eq_per_l"], data["left_ml"], data["waits"]) == (1.0, 900.0, None)
    assert of.books.contents["alk"].stock == "soda"
    # The level was not measured, so the runs before it still count at the next refill.
    assert of.books.fillings["alk"].drawn_ul == 100_000


def test_there_must_be_something_to_confirm() -> None:
    of = story()
    assert "nothing to confirm" in refusal(of, None, confirm=True)
    assert "not double" in refusal(of, None, confirm=True, stock="double")
    assert "no refill was ever booked" in refusal(Story(PLAN), None, confirm=True)


def test_where_plan_and_books_differ_a_refill_must_name_the_stock() -> None:
    of = story()
    of.plan = plan(evolve(LINED, stock="double"), CA, stocks=STOCKS)
    text = refusal(of, 1_000_000, found_ul=500_000)
    assert "holds soda by the books, and the plan says double" in text
    assert "--stock double" in text
    assert "--confirm" in text
    assert said(of, 1_000_000, found_ul=500_000, stock="double")["waits"] is None


# -- the books close -----------------------------------------------------------------------------------------


def test_expected_against_found_is_the_flow_s_true_error() -> None:
    of = story()
    draw(of, 500_000)
    draw(of, 300_000)
    data = said(of, 1_000_000, found_ul=152_000)
    assert (data["expected_ml"], data["found_ml"]) == (200.0, 152.0)
    # 848 mL ran where 800 were booked
    assert data["flow_error_percent"] == pytest.approx(6.0)
    # two readings of a level, each good to 10 mL of 1000: 20 mL of 800
    assert data["flow_error_uncertainty_percent"] == pytest.approx(2.5)


def test_what_ran_into_a_cup_counts_as_well() -> None:
    of = story()
    row = of.reserve("alk", 800_000)
    of.settle(row)
    assert said(of, 1_000_000, found_ul=200_000)["flow_error_percent"] == pytest.approx(0.0)


def test_too_little_pumped_tells_nothing_and_says_why() -> None:
    of = story()
    draw(of, 200_000)
    data = said(of, 1_000_000, found_ul=700_000)
    assert data["flow_error_percent"] is None
    # 20 of 200 mL
    assert data["flow_error_unknown"] == (
        "too little was pumped to tell: 200.0 mL by the books, and reading the level twice leaves 10 % of that open"
    )
    assert data["flow_error_uncertainty_percent"] == pytest.approx(10.0)
    assert said(of, 1_000_000, found_ul=1_000_000)["flow_error_unknown"].startswith("nothing was pumped")


def test_a_flow_that_changed_meanwhile_is_told_nothing_of() -> None:
    of = story()
    draw(of, 400_000)
    of.tell(Calibrated("alk", 95.0))
    draw(of, 400_000)
    assert said(of, 1_000_000, found_ul=100_000)["flow_error_unknown"].startswith("the pump was calibrated")
    draw(of, 800_000)
    assert said(of, 1_000_000, found_ul=200_000)["flow_error_percent"] == pytest.approx(0.0)
    draw(of, 400_000)
    of.tell(Retubed("alk"))
    assert "new tubing" in said(of, 1_000_000, found_ul=600_000)["flow_error_unknown"]


def test_a_pump_calibrated_into_a_cup_is_told_of_by_its_first_refill() -> None:
    of = story()
    draw(of, 15_000)  # test runs, by a nominal flow that may be off by half to twice
    of.tell(Calibrated("alk", 95.0))
    draw(of, 785_000)
    data = said(of, 1_000_000, found_ul=137_200)
    # 862.8 mL ran; less the 15 of the former flow 847.8 where 785 were booked
    assert data["flow_error_percent"] == pytest.approx(8.0)
    # 20 mL of two readings and 15 mL of the test runs, of 785
    assert data["flow_error_uncertainty_percent"] == pytest.approx((20 + 15) / 7.85)


def test_a_run_nobody_saw_the_end_of_widens_what_is_not_known() -> None:
    of = story()
    draw(of, 700_000)
    draw(of, 20_000, Outcome.UNKNOWN)
    data = said(of, 1_000_000, found_ul=290_000)
    # 700 booked and seen; 710 drawn, of which 10 ± 10 may be the unseen run's.
    assert data["flow_error_percent"] == pytest.approx(0.0)
    assert data["flow_error_uncertainty_percent"] == pytest.approx((20 + 10) / 7)


def test_a_level_can_be_measured_without_pouring() -> None:
    of = story()
    draw(of, 500_000)
    data = said(of, 480_000, found_ul=480_000)
    assert data["flow_error_percent"] == pytest.approx(4.0)
    assert data["left_ml"] == 480.0


def test_without_a_level_found_nothing_is_told() -> None:
    of = story()
    draw(of, 800_000)
    data = said(of, 1_000_000)
    assert (data["expected_ml"], data["found_ml"]) == (200.0, None)
    assert (data["flow_error_percent"], data["flow_error_unknown"]) == (None, None)


def test_an_error_beyond_the_tolerance_is_told_with_the_number_and_the_next_step() -> None:
    of = story()
    draw(of, 800_000)
    text = messages(of, 1_000_000, found_ul=152_000)
    assert "gave 6.0 % more than was booked since the last refill (± 2.5 %)" in text
    assert "dosingd calibrate alk" in text
    draw(of, 800_000)
    assert messages(of, 1_000_000, found_ul=168_000) == "", "4 % is within it"


def test_an_old_row_without_what_was_poured_is_held_against_nothing() -> None:
    of = Story(PLAN)
    of.tell(Refilled("alk", 900_000, None, "soda", {"alkalinity": 1.5}, 0))
    assert said(of, 900_000, found_ul=900_000)["waits"] is None
