"""What nobody measured, or what two disagree about, is told and asked twice; what a healthy rig shows is not."""

from __future__ import annotations

from datetime import timedelta

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from dosingd.alarms import Kind
from dosingd.books import Books
from dosingd.checking import raised
from dosingd.daily import daily_volume_ul
from dosingd.limits import plan_loaded
from dosingd.plan.model import DailyChange, Plan
from dosingd.records import Refilled
from dosingd.refills import UNTOLD_LINE_UL, Refill, refilled
from dosingd.reservoir import Filling, FlowCheck, flow_check
from dosingd.stores import against_books
from dosingd.strengths import at_outlet, strengths_of
from tests.builders import ALK, CA, EPOCH_AT, START_AT, Story, channel, plan
from tests.reservoirs.test_refills import PLAN, STOCKS, draw, messages, refusal, said, story
from tests.reservoirs.test_stores import standing

SODA_NAME = "soda"


def thinner(share: float, of: Plan = PLAN) -> Plan:
    """The plan with soda written down at a share of its strength."""
    strength = of.stocks[SODA_NAME].strength
    assert strength is not None
    soda = evolve(of.stocks[SODA_NAME], strength=evolve(strength, alkalinity_eq_per_l=share))
    return evolve(of, stocks={**of.stocks, SODA_NAME: soda}, sha256="55" * 32)


BY_CHANGE = plan(channel("alk", daily=DailyChange(24_000.0)), CA, stocks=STOCKS)


# -- confirmed -----------------------------------------------------------------------------------------------


def test_a_confirmation_against_the_bottle_s_name_is_asked_twice() -> None:
    of = story()
    said(of, 1_000_000, found_ul=0, stock="double")
    text = refusal(of, None, confirm=True)
    assert "the stock named at its last refill was double" in text
    assert "it holds double, 2 eq/L of alkalinity; by the plan soda, 1 eq/L of alkalinity" in text
    assert "dosingd refill alk --confirm --yes" in text
    assert said(of, None, confirm=True, yes=True)["stock"] == SODA_NAME


@pytest.mark.parametrize(("share", "asked"), [(0.84, False), (0.83, True), (1.3, False)])
def test_a_confirmation_that_raises_the_millilitres_by_over_a_fifth_is_asked_twice(share: float, asked: bool) -> None:
    of = story(BY_CHANGE)
    of.plan = thinner(share, BY_CHANGE)
    if asked:
        assert "alk would be given 28.92 mL a day, and not 24.00 mL" in refusal(of, None, confirm=True)
    assert said(of, None, confirm=True, yes=asked)["daily_ml_after"] == pytest.approx(24 / share)


def test_the_next_step_of_another_stock_is_the_plan_before_it_is_the_confirmation() -> None:
    of = story()
    text = messages(of, 1_000_000, found_ul=0, stock="double")
    assert text.index("dosingd reload") < text.index("--confirm")
    [alarm] = standing(of, Kind.STOCK_DIFFERS)
    assert alarm.next_step.startswith("name double in the plan (channels.alk.stock), then: dosingd reload.")
    assert alarm.next_step.endswith("Only if all in it is soda: dosingd refill alk --confirm")


# -- asked by a reload ---------------------------------------------------------------------------------------


def test_a_stock_that_is_written_down_weaker_is_asked_about_by_its_millilitres() -> None:
    assert raised(BY_CHANGE, thinner(0.84, BY_CHANGE)) == ()
    [asked] = raised(BY_CHANGE, thinner(0.5, BY_CHANGE))
    assert asked.startswith("alk: from ")
    assert "24" in asked
    assert "48" in asked


# -- never booked --------------------------------------------------------------------------------------------


def test_a_reservoir_that_was_never_booked_is_told_of_until_it_is() -> None:
    of = Story(PLAN)
    of.tell(refilled(PLAN, of.books, Refill("ca", 900_000)))
    [alarm] = standing(of, Kind.RESERVOIR_UNKNOWN)
    assert alarm.text == (
        "alk: no refill was booked: nobody knows level and strength. It gives the plan's 24.00 mL a day, and stops at"
        " no reserve."
    )
    assert alarm.next_step == "dosingd refill alk --to V"
    assert "alk: no refill was booked" in against_books(PLAN, of.books)[0]
    said(of, 900_000)
    assert standing(of, Kind.RESERVOIR_UNKNOWN) == []
    assert against_books(PLAN, of.books) == ()


# -- by another plan -----------------------------------------------------------------------------------------


def test_a_refill_beyond_what_the_plan_in_force_holds_leaves_a_level_that_nobody_knows() -> None:
    of = Story(PLAN)
    of.tell(Refilled("alk", 20_000_000, None, SODA_NAME, {"alkalinity": 1.0}, 0))
    assert of.books.contents["alk"].left_ul == PLAN.channels["alk"].reservoir.holds_ul
    assert standing(of, Kind.LEVEL_DIFFERS)


def test_a_calibration_by_another_plan_has_not_ended_by_the_plan_in_force() -> None:
    of = story()
    said_of = " ".join(against_books(plan(evolve(ALK, pump=evolve(ALK.pump, gpio=22)), CA), of.books))
    assert "and ends for good" not in said_of, "the same bytes, by the tests' plans"
    other = evolve(plan(evolve(ALK, pump=evolve(ALK.pump, gpio=22)), CA), sha256="66" * 32)
    assert "and ends for good with this plan" in " ".join(against_books(other, of.books))


# -- what the line still holds -------------------------------------------------------------------------------


def test_a_level_that_is_said_again_does_not_flush_an_untold_line() -> None:
    untold = evolve(plan(ALK, CA, stocks=STOCKS), sha256="77" * 32)
    assert untold.channels["alk"].line_ul is None
    weak = evolve(plan(evolve(ALK, stock="half"), CA, stocks=STOCKS), sha256="88" * 32)
    of = story(untold)
    of.plan = weak
    of.tell(plan_loaded(weak, EPOCH_AT))
    said(of, 1_000_000, found_ul=0, stock="half")
    draw(of, 5_000)
    said(of, 995_000, found_ul=995_000)
    assert of.books.contents["alk"].flush_ul == UNTOLD_LINE_UL - 5_000
    strongest = at_outlet(weak, of.books, "alk")
    assert strongest is not None
    assert strongest.alkalinity_eq_per_l == 1.0


# -- a healthy rig -------------------------------------------------------------------------------------------


def checked(to_ul: int, drawn_ul: int, flow: float, read_to: float, read_found: float) -> FlowCheck:
    truth_ul = to_ul * (1 + read_to) - drawn_ul * flow
    found_ul = max(0, round(truth_ul + to_ul * read_found))
    return flow_check(
        Filling(START_AT, 0, to_ul, drawn_ul=drawn_ul), to_ul - drawn_ul, found_ul, START_AT + timedelta(days=9)
    )


@settings(derandomize=True, max_examples=300)
@given(
    to_ul=st.integers(500_000, 5_000_000),
    share=st.floats(0.01, 0.95),
    flow=st.floats(0.98, 1.02),
    read_to=st.sampled_from([-0.0099, 0.0, 0.0099]),
    read_found=st.sampled_from([-0.0099, 0.0, 0.0099]),
)
def test_readings_of_one_percent_and_a_flow_within_two_alarm_nobody(
    to_ul: int, share: float, flow: float, read_to: float, read_found: float
) -> None:
    check = checked(to_ul, int(to_ul * share), flow, read_to, read_found)
    assert not check.unexplained
    assert not check.alarms


@pytest.mark.parametrize(("share", "flow"), [(0.5, 1.07), (0.5, 0.93), (0.9, 1.052), (0.9, 0.948)])
def test_a_flow_that_is_really_off_is_told_long_before_it_is_off_by_15_percent(share: float, flow: float) -> None:
    assert checked(2_000_000, int(2_000_000 * share), flow, 0.0, 0.0).alarms


# -- a follower ----------------------------------------------------------------------------------------------


def test_a_leader_that_is_dosed_is_followed_by_what_is_really_there() -> None:
    assert strengths_of(PLAN, Books())["alk"] == PLAN.stocks[SODA_NAME].strength
    assert daily_volume_ul(PLAN, "alk", strengths_of(PLAN, Books())) == 24_000
