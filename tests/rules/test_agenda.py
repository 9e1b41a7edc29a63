"""R6, R12, R14: what is still to come, what was missed, and dosing without a clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from attrs import evolve

from dosingd.agenda import (
    Due,
    dosing_day,
    flows_of,
    full_day,
    lay,
    lay_unclocked,
    missed_between,
    zone_start_at,
)
from dosingd.books import Books
from dosingd.limits import plan_loaded
from dosingd.plan.model import DailyChange
from dosingd.records import NotGiven, Outcome, Purpose, Refilled
from tests.builders import ALK, CA, EPOCH_AT, START_AT, TODAY, Story, plan

#: One channel of 24 mL in 24 doses: the k-th is due at (k + 1/2) hours.
PLAN = plan(ALK)
NOON_AT = START_AT + timedelta(hours=12)


def coming(story: Story, now_at: datetime = NOON_AT) -> tuple[Due, ...]:
    return lay(story.plan, story.books, now_at, int((now_at - START_AT).total_seconds() * 1000))


def sums(dues: tuple[Due, ...]) -> int:
    return sum(due.volume_ul for due in dues)


def slot_of(hour: int, day: date = TODAY) -> str:
    [slot] = [due.slot for due in _day(day) if due.due_at is not None and due.due_at.hour == hour]
    return slot


def _day(day: date = TODAY) -> tuple[Due, ...]:
    books = Story(PLAN).books
    return full_day(PLAN, day, ZoneInfo("UTC"), {"alk": PLAN.stock_of("alk").strength}, flows_of(PLAN, books))


def test_a_whole_day_is_laid_at_its_midnight() -> None:
    dues = coming(Story(PLAN), START_AT)
    assert [due.due_at for due in dues] == [START_AT + timedelta(hours=k, minutes=30) for k in range(24)]
    assert sums(dues) == 24_000
    assert {due.day for due in dues} == {TODAY}


def test_only_doses_later_than_now_are_kept() -> None:
    dues = coming(Story(PLAN))
    assert len(dues) == 12
    assert dues[0].due_at == NOON_AT + timedelta(minutes=30)
    at_the_instant = coming(Story(PLAN), NOON_AT + timedelta(minutes=30))
    assert len(at_the_instant) == 11  # a dose that is due now is not later than now


def test_only_slots_later_than_any_consumed_are_kept() -> None:
    story = Story(PLAN)
    row = story.reserve(purpose=Purpose.SCHEDULED, slot=slot_of(15), day=TODAY, asked_umol=1_000.0)
    story.settle(row)
    assert coming(story)[0].slot == slot_of(16)


@pytest.mark.parametrize("outcome", [Outcome.REFUSED, Outcome.MISSED])
def test_a_slot_that_was_not_given_is_consumed_too(outcome: Outcome) -> None:
    story = Story(PLAN)
    story.tell(NotGiven("alk", outcome, 1_000, "a test", slot=slot_of(15), day=TODAY, asked_umol=1_000.0))
    assert coming(story)[0].slot == slot_of(16)


def spent(asked_ul: int, asked_umol: float) -> Story:
    story = Story(PLAN)
    slot = slot_of(11)
    story.settle(story.reserve("alk", asked_ul, purpose=Purpose.SCHEDULED, slot=slot, day=TODAY, asked_umol=asked_umol))
    return story


def test_what_is_left_of_the_day_bounds_what_is_still_to_come() -> None:
    assert sums(coming(spent(12_000, 12_000.0))) == 12_000
    assert sums(coming(spent(20_000, 20_000.0))) == 4_000
    assert sums(coming(spent(30_000, 30_000.0))) == 0


def test_a_dose_is_cut_to_what_is_left_and_a_crumb_is_left_out() -> None:
    cut = coming(spent(20_600, 20_600.0))
    assert [due.volume_ul for due in cut] == [1_000, 1_000, 1_000, 400]
    assert cut[-1].run_s == 4.0
    crumb = coming(spent(20_900, 20_900.0))  # 100 µL are less than the pump's 200
    assert [due.volume_ul for due in crumb] == [1_000, 1_000, 1_000]


def refilled(story: Story, eq_per_l: float) -> Story:
    story.tell(Refilled("alk", 900_000, None, "soda", {"alkalinity": eq_per_l}, 0))
    return story


def test_a_stronger_stock_shrinks_what_is_still_to_come() -> None:
    dues = coming(refilled(spent(12_000, 12_000.0), 2.0))
    assert sums(dues) == 6_000  # 12 meq at 2 µeq/µL
    assert {due.volume_ul for due in dues} == {500}


def test_a_weaker_stock_gives_more_but_the_same_chemistry() -> None:
    story = refilled(spent(6_000, 12_000.0), 0.5)  # 12 of 24 meq were given
    assert sums(coming(story)) == 24_000  # 12 meq at 0.5 µeq/µL


@pytest.mark.parametrize(("daily_meq", "left_ul"), [(36.0, 18_000), (18.0, 6_000), (10.0, 0)])
def test_a_plan_changed_at_noon_never_passes_its_own_day(daily_meq: float, left_ul: int) -> None:
    story = spent(12_000, 12_000.0)
    story.plan = plan(evolve(ALK, daily=DailyChange(daily_meq * 1000)))
    story.tell(plan_loaded(story.plan, EPOCH_AT))
    # Half of the new day lies behind; the other half, but no more than the day less what was given.
    assert sums(coming(story)) == min(left_ul, int(daily_meq * 500))


# -- missed --------------------------------------------------------------------------------------------------


def missed(story: Story, since_h: float, now_h: float) -> tuple[NotGiven, ...]:
    at = [START_AT + timedelta(hours=hours) for hours in (since_h, now_h)]
    return missed_between(story.plan, story.books, at[0], at[1])


def test_todays_missed_doses_are_a_row_each() -> None:
    rows = missed(Story(PLAN), 3.0, 6.0)
    assert [row.slot for row in rows] == [slot_of(3), slot_of(4), slot_of(5)]
    assert {(row.asked_ul, row.asked_umol, row.doses, row.day) for row in rows} == {(1_000, 1_000.0, 1, TODAY)}
    assert {row.outcome for row in rows} == {Outcome.MISSED}


def test_the_edges_of_what_was_missed() -> None:
    assert len(missed(Story(PLAN), 3.5, 4.5)) == 1  # due after 3:30 and up to 4:30
    assert missed(Story(PLAN), 4.0, 4.0) == ()
    assert missed(Story(PLAN), 5.0, 4.0) == ()


def test_consumed_slots_are_not_missed() -> None:
    story = Story(PLAN)
    story.tell(NotGiven("alk", Outcome.MISSED, 1_000, "a test", slot=slot_of(4), day=TODAY))
    assert [row.slot for row in missed(story, 3.0, 6.0)] == [slot_of(5)]


def test_days_that_passed_whole_are_a_row_a_channel() -> None:
    rows = missed(Story(plan(ALK, CA)), 12.0, 24 * 3 + 1.0)
    past = [row for row in rows if row.doses > 1]
    assert [(row.channel, row.day, row.doses, row.asked_ul) for row in past] == [
        ("alk", TODAY, 12, 12_000),
        ("ca", TODAY, 12, 12_000),
        ("alk", TODAY + timedelta(days=1), 24, 24_000),
        ("ca", TODAY + timedelta(days=1), 24, 24_000),
        ("alk", TODAY + timedelta(days=2), 24, 24_000),
        ("ca", TODAY + timedelta(days=2), 24, 24_000),
    ]
    assert {row.day for row in rows if row.doses == 1} == {TODAY + timedelta(days=3)}


def test_an_outage_of_years_is_booked_for_its_last_62_days() -> None:
    rows = missed(Story(PLAN), 0.0, 24.0 * 1000)
    assert len({row.day for row in rows}) == 62


# -- time zones ----------------------------------------------------------------------------------------------

TOKYO = ZoneInfo("Asia/Tokyo")


def test_the_first_zone_begins_at_once() -> None:
    assert zone_start_at(PLAN, Books(), NOON_AT) < datetime(1971, 1, 1, tzinfo=UTC)


def test_a_changed_zone_begins_at_its_first_midnight_at_least_24_h_ahead() -> None:
    story = Story(PLAN)
    moved = plan(ALK, zone="Asia/Tokyo")
    # 12:00 UTC is 21:00 in Tokyo; 24 h ahead is 21:00 on 2 June, so its midnight of 3 June, 15:00 UTC on the 2nd.
    assert zone_start_at(moved, story.books, NOON_AT) == datetime(2026, 6, 2, 15, tzinfo=UTC)
    at_midnight = datetime(2026, 6, 1, 15, tzinfo=UTC)
    assert zone_start_at(moved, story.books, at_midnight) == at_midnight + timedelta(hours=24)
    later = at_midnight + timedelta(seconds=1)
    assert zone_start_at(moved, story.books, later) == at_midnight + timedelta(hours=48)


def test_a_zone_that_stays_keeps_its_beginning() -> None:
    assert zone_start_at(PLAN, Story(PLAN).books, NOON_AT) == EPOCH_AT


def test_a_changed_zone_cuts_the_day_that_it_begins_in() -> None:
    begins = datetime(2026, 6, 2, 15, tzinfo=UTC)
    zones = [("UTC", EPOCH_AT), ("Asia/Tokyo", begins)]
    last = dosing_day(zones, begins - timedelta(seconds=1))
    assert (last.day, last.end_at) == (date(2026, 6, 2), begins)
    first = dosing_day(zones, begins)
    assert (first.day, first.start_at, first.zone) == (date(2026, 6, 3), begins, TOKYO)


def test_a_zone_that_starts_amid_its_day_starts_it_late() -> None:
    begins = datetime(2026, 6, 2, 16, tzinfo=UTC)
    day = dosing_day([("UTC", EPOCH_AT), ("Asia/Tokyo", begins)], begins)
    assert day.start_at == begins


def test_a_zone_that_was_taken_back_before_it_began_never_begins() -> None:
    story = Story(PLAN)
    for zone, begins in (("Asia/Tokyo", 40), ("UTC", 30)):
        story.tell(plan_loaded(plan(ALK, zone=zone), START_AT + timedelta(hours=begins)))
    assert story.books.zones == [("UTC", EPOCH_AT), ("UTC", START_AT + timedelta(hours=30))]
    assert dosing_day(story.books.zones, START_AT + timedelta(hours=50)).zone == ZoneInfo("UTC")


def test_doses_outside_the_lived_day_are_not_laid() -> None:
    story = Story(PLAN)
    begins = START_AT + timedelta(hours=15)  # midnight in Tokyo
    story.tell(plan_loaded(plan(ALK, zone="Asia/Tokyo"), begins))
    assert [due.due_at for due in coming(story)] == [NOON_AT + timedelta(hours=k, minutes=30) for k in range(3)]


# -- without a clock -----------------------------------------------------------------------------------------

H = 3600.0


def test_for_12_h_nothing_is_laid_without_a_clock() -> None:
    assert lay_unclocked(PLAN, Story(PLAN).books, 100.0, 100.0 + 12 * H - 1, "boot-1") == ()


def test_then_one_days_doses_lie_over_48_h_of_boottime() -> None:
    dues = lay_unclocked(PLAN, Story(PLAN).books, 100.0, 100.0 + 12 * H, "boot-1")
    assert [due.due_mono_s for due in dues] == [100.0 + 12 * H + 2 * H * k + H for k in range(24)]
    assert sums(dues) == 24_000  # half a day's volume in 24 h
    assert {(due.day, due.due_at) for due in dues} == {(None, None)}
    assert len({due.slot for due in dues}) == 24


def test_a_span_without_a_clock_keeps_only_what_is_later_than_now() -> None:
    dues = lay_unclocked(PLAN, Story(PLAN).books, 0.0, 12 * H + 5 * H, "boot-1")
    assert dues[0].due_mono_s == 12 * H + 7 * H  # the third, at 5 h, is due now and so not later than now
    assert len(dues) == 21


def test_the_next_span_begins_after_48_h_with_other_slots() -> None:
    first = lay_unclocked(PLAN, Story(PLAN).books, 0.0, 12 * H, "boot-1")
    second = lay_unclocked(PLAN, Story(PLAN).books, 0.0, 60 * H, "boot-1")
    assert second[0].due_mono_s == 61 * H
    assert not {due.slot for due in first} & {due.slot for due in second}


def test_another_boot_has_other_slots() -> None:
    first = lay_unclocked(PLAN, Story(PLAN).books, 0.0, 12 * H, "11111111-a")
    second = lay_unclocked(PLAN, Story(PLAN).books, 0.0, 12 * H, "22222222-b")
    assert not {due.slot for due in first} & {due.slot for due in second}


def test_gaps_are_kept_without_a_clock() -> None:
    dues = lay_unclocked(plan(ALK, CA), Story(plan(ALK, CA)).books, 0.0, 12 * H, "boot-1")
    both = sorted((due.due_mono_s or 0.0, due.run_s, due.channel) for due in dues)
    assert len(both) == 48
    for (at, run_s, one), (after, _, other) in pairwise(both):
        if one != other:
            assert after - (at + run_s) >= 1200.0


def test_doses_given_without_a_clock_count_in_the_day_when_trust_returns() -> None:
    story = Story(PLAN).at(2 * H)
    story.settle(story.reserve("alk", 15_000, purpose=Purpose.SCHEDULED, slot="u1", asked_umol=15_000.0))
    assert sums(coming(story)) == 9_000  # 24 - 15, of the 12 mL that are still to come


def test_doses_given_without_a_clock_before_midnight_do_not_count() -> None:
    story = Story(PLAN)
    story.settle(story.reserve("alk", 15_000, purpose=Purpose.SCHEDULED, slot="u1", asked_umol=15_000.0))
    ahead = lay(PLAN, story.books, START_AT + timedelta(hours=12), 12 * 3_600_000 + 1)
    assert sums(ahead) == 12_000


def test_doses_without_a_clock_are_remembered_for_more_than_two_days() -> None:
    story = Story(PLAN)
    story.settle(story.reserve("alk", 1_000, purpose=Purpose.SCHEDULED, slot="u1", asked_umol=1_000.0))
    story.at(59 * H).settle(story.reserve("alk", 2_000, purpose=Purpose.SCHEDULED, slot="u2", asked_umol=2_000.0))
    assert story.books.unclocked_spent("alk", 0) == (3_000, 3_000.0, 3_000)
    story.at(61 * H).settle(story.reserve("alk", 4_000, purpose=Purpose.SCHEDULED, slot="u3", asked_umol=4_000.0))
    assert story.books.unclocked_spent("alk", 0) == (6_000, 6_000.0, 6_000)
    assert story.books.unclocked_spent("ca", 0) == (0, 0.0, 0)


def test_a_past_day_that_cannot_be_laid_does_not_hide_todays_missed_doses() -> None:
    """Apia had no 30 December 2011: it went from the 29th to the 31st."""
    of = plan(ALK, zone="Pacific/Apia")
    story = Story(of)
    rows = missed_between(
        of, story.books, datetime(2011, 12, 29, 10, tzinfo=UTC), datetime(2011, 12, 30, 11, 45, tzinfo=UTC)
    )
    # The 31st began at 10:00 UTC (14 h ahead of UTC): doses at 10:30 and 11:30.
    assert [row.due_at for row in rows if row.day == date(2011, 12, 31)] == [
        datetime(2011, 12, 30, 10, 30, tzinfo=UTC),
        datetime(2011, 12, 30, 11, 30, tzinfo=UTC),
    ]
    assert date(2011, 12, 30) not in {row.day for row in rows}
