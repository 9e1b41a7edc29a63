"""What the reservoirs' books warn of: a flow that is off, a stock that differs, a level that is low ahead of time."""

from __future__ import annotations

import pytest
from attrs import evolve

from dosingd.alarms import Alarm, Kind, alarms
from dosingd.flows import head_of
from dosingd.plan.model import Plan
from dosingd.records import Calibrated, Outcome, Refilled
from dosingd.refills import Refill, refilled
from dosingd.stores import at_reserve, flow_share, is_low, uncertainty_ul
from tests.builders import ALK, CA, Story, plan
from tests.reservoirs.test_refills import PLAN, draw, said, story


def standing(of: Story, kind: Kind, the_plan: Plan | None = None) -> list[Alarm]:
    found = alarms(the_plan or of.plan, of.books, of.now, None, None)
    return [one for one in found if one.kind is kind]


def refill(of: Story, drawn_ul: int, error: float) -> None:
    """So much is booked, more or less of it runs, and the keeper says what is left."""
    draw(of, drawn_ul)
    said(of, 1_000_000, found_ul=1_000_000 - round(drawn_ul * (1 + error)))


# -- the flow ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("error", "way"), [(0.051, "more"), (-0.051, "less"), (0.3, "more")])
def test_a_flow_that_is_off_beyond_the_tolerance_raises_an_alarm(error: float, way: str) -> None:
    of = story()
    refill(of, 700_000, error)
    [alarm] = standing(of, Kind.FLOW_ERROR)
    assert f"gave {abs(error) * 100:.1f} % {way} than was booked" in alarm.text
    assert (alarm.channel, alarm.next_step) == ("alk", "dosingd calibrate alk")


@pytest.mark.parametrize("error", [0.0, 0.049, -0.049])
def test_within_the_tolerance_there_is_none(error: float) -> None:
    of = story()
    refill(of, 700_000, error)
    assert standing(of, Kind.FLOW_ERROR) == []


def test_it_ends_with_the_next_calibration_and_with_a_refill_that_fits() -> None:
    of = story()
    refill(of, 700_000, 0.1)
    of.tell(Calibrated("alk", 110.0))
    assert standing(of, Kind.FLOW_ERROR) == []
    refill(of, 700_000, 0.1)
    refill(of, 700_000, 0.0)
    assert standing(of, Kind.FLOW_ERROR) == []


def test_three_refills_that_err_the_same_way_say_so_although_each_is_within_it() -> None:
    of = story()
    for error in (-0.03, -0.035):
        refill(of, 700_000, error)
        assert standing(of, Kind.FLOW_ERROR) == []
    refill(of, 700_000, -0.04)
    [alarm] = standing(of, Kind.FLOW_ERROR)
    assert "Three refills say so: -3.0 %, -3.5 %, -4.0 %." in alarm.text


@pytest.mark.parametrize("errors", [(0.03, -0.03, 0.03), (0.03, 0.03, 0.015), (0.03, 0.03)])
def test_three_that_do_not_agree_or_could_be_misread_levels_say_nothing(errors: tuple[float, ...]) -> None:
    of = story()
    for error in errors:
        refill(of, 700_000, error)  # two readings leave 2.02 % open
    assert standing(of, Kind.FLOW_ERROR) == []


# -- the level -----------------------------------------------------------------------------------------------


def test_the_level_s_uncertainty_grows_with_what_was_pumped() -> None:
    of = story()
    assert uncertainty_ul(PLAN, of.books, "alk") == 0
    draw(of, 100_000)
    assert uncertainty_ul(PLAN, of.books, "alk") == 5_000, "5 % without an interval"
    draw(of, 100_000)
    assert uncertainty_ul(PLAN, of.books, "alk") == 10_000
    draw(of, 30_000, Outcome.UNKNOWN)
    assert uncertainty_ul(PLAN, of.books, "alk") == 40_000, "the run nobody saw the end of, whole"
    said(of, 1_000_000, found_ul=770_000)
    assert uncertainty_ul(PLAN, of.books, "alk") == 0


@pytest.mark.parametrize(("percent", "share"), [(None, 0.05), (3.5, 0.035), (0.4, 0.02)])
def test_the_flow_is_known_to_its_calibration_s_interval(percent: float | None, share: float) -> None:
    of = story()
    of.tell(Calibrated("alk", 100.0, head=head_of(PLAN.channels["alk"]), interval95_percent=percent))
    assert flow_share(PLAN, of.books, "alk") == pytest.approx(share)


def test_low_comes_ahead_of_time_by_what_the_level_is_not_known() -> None:
    # 7 days of 24 mL above the reserve of 50 mL are 218 mL.
    of = story()
    draw(of, 744_000)  # 256 mL left, 37.2 of them not certain: 218.8
    assert not is_low(PLAN, of.books, "alk")
    draw(of, 1_000)
    assert is_low(PLAN, of.books, "alk")
    [alarm] = standing(of, Kind.RESERVOIR_LOW)
    assert "alk: 255 mL left (± 37), enough for 8.5 days." in alarm.text


def test_at_the_reserve_the_next_dose_would_be_refused() -> None:
    of = Story(PLAN)
    of.tell(refilled(PLAN, of.books, Refill("alk", 51_050)))
    assert not at_reserve(PLAN, of.books, "alk"), "1 mL, and half a second at 100 µL/s"
    draw(of, 1)
    assert at_reserve(PLAN, of.books, "alk")


# -- the stock -----------------------------------------------------------------------------------------------


def test_a_stock_that_differs_raises_an_alarm_until_a_person_says() -> None:
    of = story()
    assert standing(of, Kind.STOCK_DIFFERS) == []
    other = plan(evolve(PLAN.channels["alk"], stock="double"), CA, stocks=tuple(PLAN.stocks.values()))
    [alarm] = standing(of, Kind.STOCK_DIFFERS, other)
    assert "holds soda by the books, and the plan says double" in alarm.text
    assert "dosingd refill alk --confirm" in alarm.next_step
    of.plan = other
    said(of, None, confirm=True, yes=True)
    assert standing(of, Kind.STOCK_DIFFERS) == []


@pytest.mark.parametrize(("factor", "differs"), [(1.0, False), (1.0009, False), (1.002, True), (0.5, True)])
def test_a_strength_that_the_plan_corrects_differs_as_well(factor: float, differs: bool) -> None:
    of = story()
    stocks = dict(PLAN.stocks)
    strength = stocks["soda"].strength
    assert strength is not None
    stocks["soda"] = evolve(stocks["soda"], strength=evolve(strength, alkalinity_eq_per_l=factor))
    found = standing(of, Kind.STOCK_DIFFERS, evolve(PLAN, stocks=stocks))
    assert bool(found) is differs
    if differs:
        assert f"1 eq/L of alkalinity then, {factor:.4g} eq/L now" in found[0].text


def test_a_mixture_does_not_differ_from_the_stock_that_was_poured_last() -> None:
    of = story()
    of.plan = plan(evolve(ALK, stock="double"), CA, stocks=tuple(PLAN.stocks.values()))
    said(of, 1_000_000, found_ul=500_000, stock="double")
    assert standing(of, Kind.STOCK_DIFFERS) == []


def test_a_row_of_before_there_was_such_a_check_is_held_against_nothing() -> None:
    of = Story(PLAN)
    of.tell(Refilled("alk", 900_000, None, "soda", {"alkalinity": 3.0}, 0))
    assert standing(of, Kind.STOCK_DIFFERS) == []
