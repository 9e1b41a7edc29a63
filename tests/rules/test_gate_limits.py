"""R2, R7, R8, R12: the limits, in three units; every one is computed and the smallest wins by name."""

from __future__ import annotations

from datetime import date

import pytest

from dosingd.allowance import buckets_of
from dosingd.chemistry.stock import Strength
from dosingd.gate import Allowed, Reason, Refused, Request, ask
from dosingd.leases import worst_fault_ul
from dosingd.limits import cup_depth_ul, limits_of, plan_loaded
from dosingd.plan.model import DailyVolume, Plan, Stock
from dosingd.records import Calibrated, Into, LimitsRow, Outcome, Purpose, Refilled, Substance
from tests.builders import ALK, CA, EPOCH_AT, SODA, TODAY, Story, channel, limited, plan, request, scheduled

PLAN = plan(ALK)


def answer(story: Story, what: Request) -> Allowed | Refused:
    return ask(story.plan, story.books, what, story.now, trusted=True)


def refusal(story: Story, what: Request) -> Refused:
    given = answer(story, what)
    assert isinstance(given, Refused), given
    return given


def room_ul(story: Story, what: Request) -> object:
    return refusal(story, what).facts["room_ul"]


def cup(volume_ul: int, name: str = "alk") -> Request:
    return request(name, volume_ul, purpose=Purpose.PRIME, into=Into.CUP)


# -- the three limits, one binding at a time -----------------------------------------------------------------


def test_the_day_limit_binds_in_millilitres() -> None:
    story = Story(plan(limited(ALK, day_ul=8_000)))  # depth 2 mL
    assert isinstance(answer(story, request(volume_ul=1_950)), Allowed)  # 1.95 + 0.05 mL
    no = refusal(story, request(volume_ul=1_951))
    assert no.reason is Reason.DAY_LIMIT
    assert no.facts["room_ul"] == 1_950


def test_the_run_limit_binds_in_seconds_of_motor() -> None:
    story = Story(plan(limited(ALK, run_s=80.0)))  # depth 20 s
    assert isinstance(answer(story, request(volume_ul=1_950)), Allowed)  # 19.5 + 0.5 s
    no = refusal(story, request(volume_ul=1_951))
    assert no.reason is Reason.RUN_LIMIT


def test_the_rise_limit_binds_in_change_of_the_tank() -> None:
    story = Story(plan(limited(ALK, rise_umol=8_000.0)))  # depth 2 meq
    assert isinstance(answer(story, request(volume_ul=1_950)), Allowed)
    no = refusal(story, request(volume_ul=1_951))
    assert no.reason is Reason.RISE_LIMIT
    assert no.facts["room_ul"] == 1_950


def test_a_calibration_cannot_move_the_limit_of_the_motor() -> None:
    """A flow that was measured ten times too low asks for ten times the seconds: the run limit stops it."""
    story = Story(PLAN)
    story.tell(Calibrated("alk", 10.0))
    no = refusal(story, request(volume_ul=2_500))  # 250 s of motor, depth 200 s
    assert no.reason is Reason.RUN_LIMIT


def test_a_dose_limit_binds_one_dose() -> None:
    story = Story(PLAN)
    assert isinstance(answer(story, request(volume_ul=5_000)), Allowed)
    no = refusal(story, request(volume_ul=5_001))
    assert (no.reason, no.facts["room_ul"], no.fits_in_s) == (Reason.DOSE_LIMIT, 5_000, None)
    assert no.text.endswith("Nothing was pumped. It never fits: its dose limit is 5.00 mL.")


def test_the_longest_run_is_530_s_to_the_end_of_its_lease() -> None:
    wide = plan(limited(ALK, dose_ul=200_000, day_ul=1_000_000, run_s=80_000.0, rise_umol=1e6))
    story = Story(wide)
    assert isinstance(answer(story, request(volume_ul=52_950)), Allowed)  # 529.5 + 0.5 s
    no = refusal(story, request(volume_ul=52_951))
    assert (no.reason, no.fits_in_s) == (Reason.LONGEST_RUN, None)


def test_a_run_into_a_cup_is_no_longer_than_530_s_either() -> None:
    slow = plan(channel("alk", flow=50.0, day_ul=1_000_000, rise_umol=400_000.0))
    story = Story(slow)
    assert isinstance(answer(story, cup(26_475)), Allowed)  # 529.5 s at 50 µL/s
    assert refusal(story, cup(26_476)).reason is Reason.LONGEST_RUN


def test_the_dose_limit_is_of_the_tank_and_not_of_a_cup() -> None:
    assert isinstance(answer(Story(PLAN), cup(6_000)), Allowed)


# -- the smallest wins ---------------------------------------------------------------------------------------


def test_every_limit_is_computed_and_the_smallest_wins_by_name() -> None:
    story = Story(plan(limited(ALK, day_ul=16_000, run_s=120.0, rise_umol=8_000.0, dose_ul=3_500)))
    no = refusal(story, request(volume_ul=4_500))
    assert no.reason is Reason.RISE_LIMIT
    # Asked 4.5 mL, reserved 4.55 mL, 45.5 s, 4.55 meq; levels 4 mL, 30 s, 2 meq.
    assert no.facts["rooms_ul"] == {
        "day limit": 3_950,  # 4,000 - 50
        "run limit": 2_950,  # 30/45.5 * 4,550 - 50
        "rise limit": 1_950,  # 2/4.55 * 4,550 - 50
        "longest run": 52_950,
        "dose limit": 3_500,
    }
    assert no.facts["asked_ul"] == 4_500
    assert "4.50 mL" in no.text
    assert "1.95 mL" in no.text
    assert "Nothing was pumped" in no.text


@pytest.mark.parametrize(
    ("limits", "smallest"),
    [
        ({"day_ul": 4_000}, Reason.DAY_LIMIT),
        ({"run_s": 40.0}, Reason.RUN_LIMIT),
        ({"rise_umol": 4_000.0}, Reason.RISE_LIMIT),
        ({"dose_ul": 900}, Reason.DOSE_LIMIT),
    ],
)
def test_whichever_is_smallest_is_named(limits: dict[str, float], smallest: Reason) -> None:
    base = limited(ALK, day_ul=8_000, run_s=80.0, rise_umol=8_000.0, dose_ul=1_900)
    assert refusal(Story(plan(limited(base, **limits))), request(volume_ul=3_000)).reason is smallest


def test_a_refusal_says_when_it_would_fit() -> None:
    story = Story(PLAN, full=False)
    no = refusal(story, request(volume_ul=950))
    # 1 mL of 30 mL in 87,000 s; the 1 meq of 30 meq takes as long, the motor's 10 s of 600 s half of it.
    assert no.fits_in_s == 2_900
    assert "49 min" in no.text  # 48.3, rounded up
    assert refusal(story.at(2_899.9), request(volume_ul=950)).fits_in_s == pytest.approx(0.1, abs=0.01)
    assert isinstance(answer(story.at(2_900.0), request(volume_ul=950)), Allowed)


def test_the_wait_is_that_of_the_slowest_limit_that_says_no() -> None:
    story = Story(plan(limited(ALK, run_s=200.0)), full=False)
    # 10 of the 150 s of motor that a span earns: 87,000 / 15.
    assert refusal(story, request(volume_ul=950)).fits_in_s == 5_800


def test_no_wait_is_promised_where_waiting_does_not_help() -> None:
    story = Story(plan(limited(ALK, day_ul=8_000, dose_ul=1_000)))
    story.settle(story.reserve("alk", 1_900))  # the day's level is down, and the dose limit stays
    assert refusal(story, request(volume_ul=1_500)).fits_in_s is None


def test_a_new_ledger_gives_nothing_before_time_has_passed() -> None:
    assert room_ul(Story(PLAN, full=False), request()) == 0


# -- what a dose takes, and what it gives back ---------------------------------------------------------------


def test_a_whole_reservation_is_taken_from_all_three() -> None:
    story = Story(PLAN)
    story.reserve("alk", 1_000, change={"alkalinity": 1_050})
    levels = {key: story.books.level(key, 0) for key in ("day:alk", "run:alk", "rise:alkalinity", "cup:alk")}
    # 10 - 1.05 mL, 200 - 10.5 s, 10 - 1.05 meq; the cup: 40 meq / 1 µeq/µL = 40 mL, untouched.
    assert levels == {"day:alk": 8_950, "run:alk": 189_500, "rise:alkalinity": 8_950, "cup:alk": 40_000}


def test_settling_gives_back_what_was_not_given() -> None:
    story = Story(PLAN)
    story.settle(story.reserve("alk", 1_000, change={"alkalinity": 1_050}), 400, Outcome.PARTIAL)
    levels = {key: story.books.level(key, 0) for key in ("day:alk", "run:alk", "rise:alkalinity")}
    assert levels == {"day:alk": 9_600, "run:alk": 196_000, "rise:alkalinity": 9_600}


def test_settling_at_more_than_was_reserved_takes_more() -> None:
    story = Story(PLAN)
    story.settle(story.reserve("alk", 1_000, change={"alkalinity": 1_050}), 12_000, Outcome.UNKNOWN)
    assert story.books.level("day:alk", 0) == -2_000  # 10 - 12


def test_a_reservation_is_settled_once() -> None:
    story = Story(PLAN)
    row = story.reserve("alk", 1_000)
    story.settle(row, 0, Outcome.MISSED)
    story.settle(row, 0, Outcome.MISSED)
    assert story.books.level("day:alk", 0) == 10_000
    assert story.books.open == {}


def test_a_manual_dose_draws_on_the_same_limits_as_the_schedule() -> None:
    story = Story(PLAN)
    for _ in range(2):
        story.settle(story.reserve("alk", 4_800))
    assert room_ul(story, scheduled()) == 350  # 10 - 9.6 mL, less 0.05


# -- missing figures -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["day:alk", "run:alk", "rise:alkalinity"])
def test_a_limit_that_nobody_set_leaves_nothing(key: str) -> None:
    story = Story(PLAN)
    del story.books.buckets[key]
    no = refusal(story, request())
    assert (no.facts["room_ul"], no.fits_in_s) == (0, None)


def test_a_cup_limit_that_nobody_set_leaves_nothing() -> None:
    story = Story(PLAN)
    del story.books.buckets["cup:alk"]
    assert refusal(story, cup(1_000)).reason is Reason.CUP_LIMIT
    assert story.books.level("cup:alk", 0) == 0


# -- change of the tank --------------------------------------------------------------------------------------

STRONG = Stock("strong", Substance.ALKALINITY, Strength(alkalinity_eq_per_l=2.0))


def test_channels_that_give_the_same_thing_share_one_rise_limit() -> None:
    story = Story(plan(ALK, channel("alk2"), gap_s=0))
    story.settle(story.reserve("alk", 4_900, change={"alkalinity": 4_950}))
    story.settle(story.reserve("alk2", 4_500, change={"alkalinity": 4_550}))
    no = refusal(story, request("alk2", 1_000))
    assert no.reason is Reason.RISE_LIMIT  # each has millilitres left; the tank has not
    assert no.facts["room_ul"] == 550  # 10 - 4.9 - 4.5 = 0.6 meq, less 0.05


def test_of_two_channels_rise_limits_the_smaller_holds_for_both() -> None:
    of = plan(ALK, limited(channel("alk2"), rise_umol=4_000.0), gap_s=0)
    assert limits_of(of)["alk"].rise_umol == {"alkalinity": 4_000}
    assert refusal(Story(of), request("alk", 1_000)).reason is Reason.RISE_LIMIT  # depth 1 meq, 1.05 asked
    assert Story(of).books.buckets["rise:alkalinity"].depth_m == 1_000_000


def test_a_stocks_other_ions_count_in_the_rise_limit_of_the_channel_that_gives_them() -> None:
    both = Stock("both", Substance.CALCIUM, Strength(calcium_mol_per_l=0.5, alkalinity_eq_per_l=1.0))
    of = plan(ALK, channel("lime", "both", DailyVolume(12_000)), gap_s=0, stocks=(SODA, both))
    story = Story(of)
    given = answer(story, request("lime", 1_000))
    assert isinstance(given, Allowed)
    assert given.reserved.change_umol == {"alkalinity": 1_050, "calcium": 525}
    assert limits_of(of)["lime"].rise_umol == {"alkalinity": 40_000, "calcium": 40_000}
    story.settle(story.reserve("alk", 9_500, change={"alkalinity": 9_550}))
    no = refusal(story, request("lime", 1_000))  # 0.5 meq of alkalinity left
    assert no.reason is Reason.RISE_LIMIT
    assert "alkalinity" in no.text


def test_an_ion_that_no_channel_limits_does_not_stop_a_dose() -> None:
    both = Stock("both", Substance.CALCIUM, Strength(calcium_mol_per_l=0.5, magnesium_mol_per_l=0.1))
    story = Story(plan(channel("lime", "both", DailyVolume(12_000)), stocks=(both,)))
    assert isinstance(answer(story, request("lime", 1_000)), Allowed)


def test_the_channels_own_substance_without_a_bucket_leaves_nothing() -> None:
    story = Story(plan(limited(ALK, rise_umol=None)))
    assert refusal(story, request()).reason is Reason.RISE_LIMIT


def refilled(story: Story, eq_per_l: float, line_ul: int) -> Story:
    story.tell(Refilled("alk", 1_000_000, None, "soda", {"alkalinity": eq_per_l}, line_ul))
    return story


def test_until_the_line_is_flushed_the_stronger_stock_counts() -> None:
    story = refilled(refilled(Story(PLAN), 3.0, 0), 1.0, 2_000)
    first = answer(story, request(volume_ul=1_000))
    assert isinstance(first, Allowed)
    assert first.reserved.change_umol == {"alkalinity": 3_150}  # 1.05 mL of 3 eq/L
    assert first.reserved.asked_umol == 1_000  # planned by what the reservoir holds now
    story.settle(story.reserve("alk", 1_999))
    still = answer(story, request(volume_ul=1_000))
    assert isinstance(still, Allowed)
    assert still.reserved.change_umol == {"alkalinity": 3_150}  # 1 µL of it is in the line
    story.settle(story.reserve("alk", 200))
    flushed = answer(story, request(volume_ul=1_000))
    assert isinstance(flushed, Allowed)
    assert flushed.reserved.change_umol == {"alkalinity": 1_050}


def test_a_stronger_refill_counts_at_once() -> None:
    story = refilled(refilled(Story(PLAN), 1.0, 0), 3.0, 2_000)
    given = answer(story, request(volume_ul=1_000))
    assert isinstance(given, Allowed)
    assert given.reserved.change_umol == {"alkalinity": 3_150}


def test_a_run_into_a_cup_does_not_change_the_tank() -> None:
    story = Story(plan(limited(ALK, rise_umol=4_000.0)))
    given = answer(story, cup(4_000))
    assert isinstance(given, Allowed)
    assert given.reserved.change_umol == {}


# -- cups ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rise_umol", "depth_ul"),
    [(40_000.0, 40_000), (29_000.0, 30_000), (500_000.0, 100_000), (None, 100_000)],
)
def test_a_cup_holds_what_the_rise_limit_is_but_30_to_100_ml(rise_umol: float | None, depth_ul: int) -> None:
    assert cup_depth_ul(plan(limited(ALK, rise_umol=rise_umol)), "alk") == depth_ul  # at 1 µeq/µL


def test_a_cup_of_a_strong_stock_is_smaller() -> None:
    assert cup_depth_ul(plan(channel("alk", "strong", rise_umol=90_000.0), stocks=(STRONG,)), "alk") == 45_000


def test_a_cup_without_a_strength_is_100_ml() -> None:
    other = Stock("trace", Substance.OTHER, None)
    of = plan(channel("trace", "trace", DailyVolume(1_000), rise_umol=None), stocks=(other,))
    assert cup_depth_ul(of, "trace") == 100_000
    assert isinstance(answer(Story(of), request("trace", 1_000)), Allowed)  # only volumes limit it


def test_the_cup_bucket_binds_and_is_apart_from_the_tanks() -> None:
    story = Story(PLAN)
    story.settle(story.reserve("alk", 39_000, into=Into.CUP, purpose=Purpose.PRIME))
    no = refusal(story, cup(1_000))
    assert (no.reason, no.facts["room_ul"]) == (Reason.CUP_LIMIT, 950)  # 40 - 39 mL, less 0.05
    assert story.books.level("day:alk", 0) == 10_000
    assert story.books.level("run:alk", 0) == 200_000


def test_cups_are_full_in_a_first_ledger_and_empty_for_a_channel_that_comes_later() -> None:
    story = Story(PLAN, full=False)
    assert story.books.level("cup:alk", 0) == 40_000
    story.tell(plan_loaded(plan(ALK, CA), EPOCH_AT))
    assert story.books.level("cup:ca", 0) == 0


# -- a reload ------------------------------------------------------------------------------------------------


def test_a_reload_keeps_levels_and_a_new_channel_begins_at_zero() -> None:
    story = Story(PLAN)
    story.settle(story.reserve("alk", 3_000))
    story.tell(plan_loaded(plan(limited(ALK, day_ul=400_000), CA), EPOCH_AT))
    assert story.books.level("day:alk", 0) == 7_000
    assert story.books.level("day:ca", 0) == 0


def test_a_smaller_limit_holds_at_once() -> None:
    story = Story(PLAN)
    story.tell(plan_loaded(plan(limited(ALK, day_ul=4_000)), EPOCH_AT))
    assert story.books.level("day:alk", 0) == 1_000


def test_a_channel_that_left_and_came_back_finds_its_level() -> None:
    story = Story(PLAN)
    story.settle(story.reserve("alk", 9_000))
    story.tell(plan_loaded(plan(CA), EPOCH_AT))
    story.tell(plan_loaded(PLAN, EPOCH_AT))
    assert story.books.level("day:alk", 0) == 1_000


# -- the day's plan ------------------------------------------------------------------------------------------


def spent(asked_ul: int, asked_umol: float | None = None, day: date = TODAY, of: Plan = PLAN) -> Story:
    """A day of which so much was given, and levels full again."""
    story = Story(of)
    umol = float(asked_ul) if asked_umol is None else asked_umol
    row = story.reserve("alk", asked_ul, purpose=Purpose.SCHEDULED, slot="s0", day=day, asked_umol=umol)
    story.settle(row)
    return story.at(90_000.0)


def test_a_day_is_never_given_more_than_its_plan() -> None:
    story = spent(23_000)  # of 24 mL
    assert isinstance(answer(story, scheduled(volume_ul=1_001)), Allowed)  # one µL for the carried remainder
    no = refusal(story, scheduled(volume_ul=1_002))
    assert (no.reason, no.facts["room_ul"], no.fits_in_s) == (Reason.DAYS_PLAN, 1_001, None)


def test_manual_doses_are_beside_the_days_plan() -> None:
    assert isinstance(answer(spent(24_000), request(volume_ul=1_000)), Allowed)
    story = Story(PLAN)
    story.settle(story.reserve("alk", 5_000, day=TODAY))
    assert story.books.account(TODAY, "alk").spent_ul == 0
    assert story.books.extra_ul[TODAY] == {"alk": 5_000}


def test_another_day_has_its_own_plan() -> None:
    assert isinstance(answer(spent(24_000, day=date(2026, 5, 31)), scheduled(volume_ul=1_000)), Allowed)


def test_the_days_plan_is_counted_in_chemistry_when_the_stock_changes() -> None:
    story = refilled(spent(12_000), 2.0, 0)  # half the day's 24 meq is given; 12 meq are 6 mL of the new stock
    story.plan = plan(limited(ALK, dose_ul=10_000, day_ul=80_000, run_s=1_600.0, rise_umol=80_000.0))
    story.tell(plan_loaded(story.plan, EPOCH_AT))
    story.at(200_000.0)
    assert isinstance(answer(story, scheduled(volume_ul=6_001)), Allowed)
    assert refusal(story, scheduled(volume_ul=6_002)).reason is Reason.DAYS_PLAN


def test_a_plan_by_volume_without_strength_is_counted_in_volume() -> None:
    other = Stock("trace", Substance.OTHER, None)
    of = plan(channel("alk", "trace", DailyVolume(2_000), rise_umol=None), stocks=(other,))
    story = spent(1_500, 0.0, of=of)
    assert isinstance(answer(story, scheduled(volume_ul=500)), Allowed)
    assert refusal(story, scheduled(volume_ul=501)).reason is Reason.DAYS_PLAN


@pytest.mark.parametrize("outcome", [Outcome.GIVEN, Outcome.PARTIAL, Outcome.UNKNOWN, Outcome.MISSED])
def test_a_consumed_slot_counts_whole_in_the_days_plan(outcome: Outcome) -> None:
    story = Story(PLAN)
    row = story.reserve("alk", 3_000, purpose=Purpose.SCHEDULED, slot="s0", day=TODAY, asked_umol=3_000.0)
    story.settle(row, 0 if outcome is Outcome.MISSED else 1_000, outcome)
    account = story.books.account(TODAY, "alk")
    assert (account.spent_ul, account.spent_umol, account.last_slot) == (3_000, 3_000.0, "s0")


# -- the reservoir -------------------------------------------------------------------------------------------


def test_nothing_is_drawn_below_the_reserve() -> None:
    story = Story(PLAN)
    story.tell(Refilled("alk", 53_000, None, "soda", {"alkalinity": 1.0}, 0))  # 50 mL of them reserve
    assert isinstance(answer(story, request(volume_ul=2_950)), Allowed)
    no = refusal(story, request(volume_ul=2_951))
    assert (no.reason, no.facts["room_ul"], no.fits_in_s) == (Reason.RESERVE, 2_950, None)
    assert refusal(story, cup(2_951)).reason is Reason.RESERVE


def test_a_run_lowers_the_reservoir_into_a_cup_too() -> None:
    story = refilled(Story(PLAN), 1.0, 0)
    story.settle(story.reserve("alk", 1_000))
    story.settle(story.reserve("alk", 2_000, into=Into.CUP, purpose=Purpose.PRIME))
    assert story.books.contents["alk"].left_ul == 997_000


# -- one fault -----------------------------------------------------------------------------------------------


def test_one_faults_worst_is_the_lease_and_90_s_at_the_nominal_flow() -> None:
    assert worst_fault_ul(100.0, 10.5) == 10_050
    assert worst_fault_ul(0.33, 10.0) == 33  # 33.0


def test_a_lag_of_the_pump_is_reserved_too() -> None:
    story = Story(PLAN)
    story.tell(Calibrated("alk", 100.0, 30.0))
    given = answer(story, request(volume_ul=1_000))
    assert isinstance(given, Allowed)
    assert given.run_s == 9.7  # (1000 - 30) / 100
    assert given.reserved.reserved_ul == 1_050  # (9.7 + 0.5) * 100 + 30


def test_a_lag_below_nothing_is_not_taken_off_the_reservation() -> None:
    # What a start swallows nobody sees: 10.4 s and half a second more are 1,090 µL if it swallowed nothing.
    story = Story(PLAN)
    story.tell(Calibrated("alk", 100.0, -40.0))
    given = answer(story, request(volume_ul=1_000))
    assert isinstance(given, Allowed)
    assert given.run_s == 10.4
    assert given.reserved.reserved_ul == 1_090


def test_of_two_rise_limits_in_the_rows_the_smaller_makes_the_bucket() -> None:
    rows = {name: LimitsRow(40_000, 800_000, {"alkalinity": rise}) for name, rise in (("a", 4_000), ("b", 40_000))}
    assert buckets_of(rows, 0, first=True)["rise:alkalinity"].depth_m == 1_000_000
    assert buckets_of(dict(reversed(rows.items())), 0, first=True)["rise:alkalinity"].depth_m == 1_000_000
