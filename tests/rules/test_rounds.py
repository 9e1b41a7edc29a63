"""R2, R6, R14: the rig's rounds, hour by hour in virtual time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from attrs import evolve

from dosingd.agenda import OUTAGE_DAYS
from dosingd.alarms import Kind, alarms
from dosingd.plan.model import ClockPolicy, DailyVolume, LocalSpan, Window, WithoutClock
from dosingd.records import (
    ClockConfirmed,
    ClockMoved,
    Held,
    Into,
    NotGiven,
    Outcome,
    Paused,
    PlanLoaded,
    Purpose,
    Released,
    Reserved,
    Settled,
    Stamp,
)
from tests.builders import ALK, CA, START_AT, TODAY, Rig, channel, limited, plan, request

H = 3600.0
#: 24 doses of 1 mL, at half past each hour.
PLAN = plan(ALK)
#: Calcium that is dosed by hand alone.
IDLE = channel("ca", "chloride", DailyVolume(0), 1, rise_umol=20_000.0)


def missed(rig: Rig) -> list[NotGiven]:
    return [event for event in rig.events(NotGiven) if isinstance(event, NotGiven) and event.outcome is Outcome.MISSED]


def refused(rig: Rig) -> list[NotGiven]:
    return [event for event in rig.events(NotGiven) if isinstance(event, NotGiven) and event.outcome is Outcome.REFUSED]


def booked_once(rig: Rig) -> bool:
    """Whether every slot of the ledger is there once."""
    slots: Counter[str] = Counter()
    for event in rig.events(Reserved, NotGiven):
        assert isinstance(event, Reserved | NotGiven)
        slots[event.slot or ""] += 1
    return max(slots.values(), default=1) == 1


def account(rig: Rig, day: date = TODAY, name: str = "alk") -> tuple[int, int, int]:
    """Given, refused and missed µL of a day."""
    of = rig.books.account(day, name)
    return of.given_ul, of.refused_ul, of.missed_ul


def test_a_day_is_given_as_planned() -> None:
    rig = Rig(PLAN).start().live(24 * H)
    assert account(rig) == (24_000, 0, 0)
    assert [round(start) for start, _ in rig.spans["alk"]] == [1800 + 3600 * k for k in range(24)]
    assert rig.pulse_s("alk") == pytest.approx(240.0)


def test_a_row_is_written_at_least_every_10_minutes() -> None:
    rig = Rig(PLAN).start().live(6 * H)
    at = [row.reading.mono_s for row in rig.account.book.rows()]
    assert max(after - before for before, after in pairwise(at)) <= 600.0
    assert rig.events(Stamp) != []


def test_stamps_come_without_a_trusted_clock_too() -> None:
    rig = Rig(PLAN, synced=False).start().live(6 * H)
    at = [row.reading.mono_s for row in rig.account.book.rows()]
    assert max(after - before for before, after in pairwise(at)) <= 600.0


# -- waiting for the pump before it --------------------------------------------------------------------------


def _two(first_late_s: float) -> Rig:
    """Calcium is dosed by hand so late that its end lies `first_late_s` less than the gap before alkalinity's 00:30."""
    rig = Rig(plan(ALK, IDLE)).start()
    due = next(due for due in rig.rounds.coming if due.channel == "alk")
    assert due.due_at is not None
    due_s = (due.due_at - START_AT).total_seconds()
    rig.live(due_s - 1200.0 + first_late_s - 10.0)
    rig.turn.run(request("ca", 1_000))  # ends 1200 - late before it
    return rig


def test_a_dose_waits_for_the_gap_at_most_300_s() -> None:
    rig = _two(290.0).live(H)
    assert missed(rig) == []
    assert refused(rig) == []
    [ca], [alk, *_] = rig.spans["ca"], rig.spans["alk"]
    assert alk[0] - ca[1] == pytest.approx(1200.0, abs=0.01)


def test_a_dose_that_would_wait_longer_is_not_given() -> None:
    rig = _two(310.0).live(H)
    assert len(missed(rig)) + len(refused(rig)) == 1
    assert rig.spans["alk"] == []
    assert rig.books.account(TODAY, "alk").given_ul == 0


def test_a_dose_that_became_late_is_missed() -> None:
    rig = Rig(PLAN).start()
    rig.live(1_799.0)
    rig.clock.pass_s(302.0)  # 00:35:01, the machine was busy
    rig.live(60.0)
    [row] = missed(rig)
    assert "301 s ago" in row.reason
    assert rig.spans["alk"] == []


def test_a_dose_that_is_300_s_late_is_still_given() -> None:
    rig = Rig(PLAN).start()
    rig.live(1_799.0)
    rig.clock.pass_s(300.0)
    rig.live(60.0)
    assert missed(rig) == []
    assert len(rig.spans["alk"]) == 1


# -- the clock moves -----------------------------------------------------------------------------------------


def test_a_jump_forward_is_told_and_what_it_passed_is_missed_once() -> None:
    rig = Rig(PLAN).start().live(6 * H + 600)
    rig.clock.set_wall(4 * H)  # 10:10
    rig.live(13 * H + 3_000)
    assert len(rig.events(ClockMoved)) == 1
    assert [row.due_at.hour for row in missed(rig) if row.due_at] == [6, 7, 8, 9]
    assert account(rig) == (20_000, 0, 4_000)
    assert booked_once(rig)


def test_a_jump_over_midnight_leaves_both_days_right() -> None:
    rig = Rig(PLAN).start().live(20 * H)
    rig.clock.set_wall(6 * H)  # 02:00 of the next day
    rig.live(22 * H)
    assert account(rig) == (20_000, 0, 4_000)
    assert account(rig, TODAY + timedelta(days=1)) == (22_000, 0, 2_000)
    assert booked_once(rig)


def test_a_jump_over_days_books_each() -> None:
    rig = Rig(PLAN).start().live(20 * H)
    rig.clock.set_wall(3 * 24 * H)
    rig.live(4 * H)
    for number in (1, 2):
        assert account(rig, TODAY + timedelta(days=number)) == (0, 0, 24_000)
    assert account(rig, TODAY + timedelta(days=3)) == (4_000, 0, 20_000)
    assert booked_once(rig)


def _by_a_row(rig: Rig) -> None:
    rig.account.write(Stamp(), rig.clock.now())


def _by_a_run(rig: Rig) -> None:
    rig.turn.run(request("alk", 500))


def _by_a_refill(rig: Rig) -> None:
    rig.rounds.lay_anew()


def _by_a_reload(rig: Rig) -> None:
    rig.rounds.reload(rig.plan)


@pytest.mark.parametrize("first", [_by_a_row, _by_a_run, _by_a_refill, _by_a_reload])
def test_a_jump_over_days_books_each_whatever_meets_the_new_time_first(first: Callable[[Rig], None]) -> None:
    rig = Rig(PLAN).start().live(20 * H)
    rig.clock.set_wall(3 * 24 * H)
    first(rig)
    rig.live(4 * H)
    assert account(rig) == (20_000, 0, 4_000)
    for number in (1, 2):
        assert account(rig, TODAY + timedelta(days=number)) == (0, 0, 24_000)
    assert account(rig, TODAY + timedelta(days=3)) == (4_000, 0, 20_000)
    assert all("the clock moved past it" in row.reason for row in missed(rig) if row.day != TODAY)
    assert booked_once(rig)


def test_a_jump_in_the_midst_of_a_run_books_each_day() -> None:
    rig = Rig(PLAN).start().live(20 * H)
    pump = rig.pumps["alk"]
    on = pump.on

    def on_while_the_clock_is_set() -> None:
        on()
        pump.on = on  # type: ignore[method-assign]
        rig.clock.set_wall(3 * 24 * H)

    pump.on = on_while_the_clock_is_set  # type: ignore[method-assign]
    rig.live(3 * H)  # from 20:30 to 20:30 three days on
    assert account(rig) == (21_000, 0, 3_000)
    for number in (1, 2):
        assert account(rig, TODAY + timedelta(days=number)) == (0, 0, 24_000)
    assert account(rig, TODAY + timedelta(days=3)) == (2_000, 0, 21_000)
    assert booked_once(rig)


def test_a_reload_after_a_jump_books_what_the_plan_before_had_laid() -> None:
    rig = Rig(PLAN).start().live(20 * H)
    rig.clock.set_wall(24 * H)
    rig.rounds.reload(plan(channel("alk", daily=DailyVolume(12_000))))
    assert account(rig) == (20_000, 0, 4_000)
    assert account(rig, TODAY + timedelta(days=1)) == (0, 0, 20_000)


def test_a_reload_books_nothing_that_its_own_plan_has_before_it() -> None:
    rig = Rig(plan(ALK)).start().live(20 * H + 1_900)
    rig.clock.pass_s(50.0)
    rig.rounds.reload(plan(channel("alk", doses=2_880, smallest_ul=2)))  # one of its doses was 20 s ago
    rig.live(1.0)
    assert missed(rig) == []


def test_a_jump_over_years_books_no_more_days_than_a_long_outage() -> None:
    rig = Rig(PLAN).start().live(20 * H)
    rig.clock.set_wall(10 * 365 * 24 * H)
    rig.account.write(Stamp(), rig.clock.now())
    rig.live(60.0)
    days = {row.day for row in missed(rig)}
    assert OUTAGE_DAYS <= len(days) <= OUTAGE_DAYS + 2
    assert len(missed(rig)) < OUTAGE_DAYS + 2 * 24


def test_a_jump_back_gives_nothing_twice() -> None:
    rig = Rig(PLAN).start().live(12 * H)
    rig.clock.set_wall(-3 * H)  # behind the ledger: not trusted until it has caught up
    rig.live(15 * H - 60)
    assert account(rig) == (24_000, 0, 0)
    assert booked_once(rig)
    hours = [round(start / H, 2) for start, _ in rig.spans["alk"]]
    assert [hour for hour in hours if 12 < hour < 15] == []  # the hours that came again


def test_a_jump_back_by_a_day_hands_out_no_second_day() -> None:
    rig = Rig(PLAN).start().live(20 * H)
    before_s = rig.pulse_s("alk")
    rig.clock.set_wall(-20 * H)
    rig.live(7 * H)  # after 6 h synchronised the clock is believed
    assert len(rig.events(ClockConfirmed)) == 1
    assert rig.pulse_s("alk") == before_s  # every slot up to 19:30 is consumed
    rig.live(16 * H)
    assert rig.books.account(TODAY, "alk").given_ul <= 24_000
    assert booked_once(rig)


def test_a_person_may_confirm_a_clock_that_is_behind() -> None:
    rig = Rig(PLAN).start().live(12 * H)
    rig.clock.set_wall(-1200.0)
    rig.live(60.0)
    assert not rig.rounds.trusted()
    rig.account.write(ClockConfirmed("a person"), rig.clock.now())
    rig.live(60.0)
    assert rig.rounds.trusted()


def _glitch(rig: Rig, by_s: float, for_s: float = 3.0) -> None:
    """The wall clock is wrong for a while, and right again."""
    rig.clock.set_wall(by_s)
    rig.live(for_s)
    rig.clock.set_wall(-by_s)
    rig.live(60.0)
    assert not rig.rounds.trusted()


def _confirm(rig: Rig) -> None:
    rig.account.write(ClockConfirmed("a person"), rig.clock.now())
    rig.live(60.0)
    assert rig.rounds.trusted()


def reserved_once(rig: Rig) -> bool:
    """Whether no slot of which something may have been given stands in the ledger twice."""
    slots = Counter(event.slot for event in rig.events(Reserved) if isinstance(event, Reserved))
    return max(slots.values()) == 1


def _after_a_glitch() -> Rig:
    rig = Rig(plan(ALK, CA)).start().live(12 * H)
    _glitch(rig, 30 * 24 * H)
    assert account(rig, TODAY + timedelta(days=30))[2] > 0
    _confirm(rig)
    return rig


def _after_a_boot_with_a_wrong_clock() -> Rig:
    rig = Rig(plan(ALK, CA)).start().live(12 * H)
    rig.clock.set_wall(30 * 24 * H)
    rig.clock.reboot(600.0)
    rig.restart().live(60.0)
    assert account(rig, TODAY + timedelta(days=30))[2] > 0
    rig.clock.set_wall(-30 * 24 * H)
    rig.clock.reboot(60.0)
    rig.restart().live(60.0)
    assert not rig.rounds.trusted()
    _confirm(rig)
    return rig


def _after_a_glitch_that_nobody_confirmed() -> Rig:
    rig = Rig(plan(ALK, CA)).start().live(12 * H)
    _glitch(rig, 30 * 24 * H)
    rig.live(6 * H)
    assert rig.rounds.trusted(), "synchronised for 6 h"
    return rig


@pytest.mark.parametrize(
    "after", [_after_a_glitch, _after_a_boot_with_a_wrong_clock, _after_a_glitch_that_nobody_confirmed]
)
def test_days_that_a_wrong_clock_went_past_are_dosed_when_they_really_come(after: Callable[[], Rig]) -> None:
    rig = after()
    rig.live(36 * 24 * H)
    for name in ("alk", "ca"):
        for number in range(1, 36):
            assert account(rig, TODAY + timedelta(days=number), name) == (24_000, 0, 0), (name, number)
    assert sum(account(rig)) <= 24_000
    assert reserved_once(rig)
    assert not any(kind.kind is Kind.SHORTFALL for kind in alarms(rig.plan, rig.books, rig.clock.now(), None, None))


def test_a_wrong_clock_again_and_again_costs_no_day_that_is_still_to_come() -> None:
    rig = Rig(PLAN).start().live(6 * H)
    for days in (2, 9, 40):
        _glitch(rig, days * 24 * H)
        _confirm(rig)
    rig.live(4 * 24 * H)
    assert [account(rig, TODAY + timedelta(days=number)) for number in (1, 2, 3)] == [(24_000, 0, 0)] * 3
    rig.clock.reboot(24 * H)  # and what is really missed is booked still
    rig.restart().live(60.0)
    assert account(rig, TODAY + timedelta(days=4))[2] > 0
    assert account(rig, TODAY + timedelta(days=5))[2] > 0


def test_what_was_given_on_a_day_that_comes_again_is_given_no_second_time() -> None:
    rig = Rig(PLAN).start().live(20 * H)
    _glitch(rig, 24 * H, for_s=2 * H)  # 20:30 and 21:30 of tomorrow are given
    _confirm(rig)
    tomorrow = TODAY + timedelta(days=1)
    assert rig.books.account(tomorrow, "alk").given_ul == 2_000
    rig.rounds.reload(evolve(plan(channel("alk", doses=48, smallest_ul=100)), sha256="11" * 32))  # other slots
    rig.live(2 * 24 * H)
    assert rig.books.account(tomorrow, "alk").given_ul <= 4_000
    assert sum(account(rig, tomorrow)) <= 24_000
    assert rig.books.account(TODAY + timedelta(days=2), "alk").given_ul > 0
    assert reserved_once(rig)


def test_a_dose_that_was_refused_by_a_wrong_clock_s_day_is_due_when_the_day_comes() -> None:
    rig = Rig(PLAN).start().live(20 * H)
    rig.refill("alk", 50_500)  # half a millilitre above its reserve
    _glitch(rig, 24 * H, for_s=2 * H)
    assert account(rig, TODAY + timedelta(days=1))[1] == 2_000
    rig.refill("alk", 900_000)
    _confirm(rig)
    rig.live(29 * H)
    assert account(rig, TODAY + timedelta(days=1)) == (24_000, 0, 0)


def test_a_dose_of_a_day_is_booked_as_missed_once() -> None:
    rig = Rig(PLAN).start().live(6 * H)
    passed = [due for due in rig.rounds.coming if due.due_at is not None][:3]
    rig.clock.set_wall(3 * H)
    rig.live(60.0)
    assert account(rig)[2] == 3_000
    rig.rounds.coming = [*passed, *rig.rounds.coming]  # as another reading of the clock may have laid them
    rig.live(60.0)
    rig.rounds.lay_anew()
    assert account(rig)[2] == 3_000
    assert booked_once(rig)


def test_a_day_that_was_passed_over_before_its_first_dose_is_dosed_from_then_on() -> None:
    rig = Rig(PLAN).start().live(1_000.0)
    _glitch(rig, 9 * H)
    _confirm(rig)
    rig.live(24 * H - rig.clock.true_s - 1.0)
    assert account(rig) == (24_000, 0, 0)


def test_a_confirmed_clock_makes_up_for_nothing_that_was_really_missed() -> None:
    rig = Rig(PLAN).start().live(60.0)
    rig.account.write(Held("a test"), rig.clock.now())
    rig.live(12 * H)
    rig.account.write(Released("a person"), rig.clock.now())
    rig.account.write(ClockConfirmed("a person"), rig.clock.now())
    rig.rounds.lay_anew()
    rig.live(12 * H - 61.0)
    assert rig.books.account(TODAY, "alk").given_ul == 12_000
    assert [start for start, _ in rig.spans["alk"] if start < 12 * H] == []


def test_many_small_moves_give_nothing_twice() -> None:
    rig = Rig(PLAN).start()
    for step in range(48):
        rig.live(1_700.0)
        rig.clock.set_wall(-900.0 if step % 2 else 900.0)
    assert booked_once(rig)
    assert all(sum(account(rig, day)) <= 24_000 for day in rig.books.days)


# -- midnight ------------------------------------------------------------------------------------------------


def test_days_follow_each_other_without_a_gap() -> None:
    rig = Rig(PLAN).start().live(3 * 24 * H)
    for number in range(3):
        assert account(rig, TODAY + timedelta(days=number)) == (24_000, 0, 0)


def test_a_dose_that_waits_over_midnight_is_booked_once() -> None:
    # Alkalinity's last dose is laid 2 minutes before midnight at the latest (half a gap of 4 minutes).
    late = plan(channel("alk", doses=360, smallest_ul=20), IDLE, gap_s=240.0)
    rig = Rig(late).start()
    last = [due for due in rig.rounds.coming if due.channel == "alk"][-1]
    assert last.due_at is not None
    due_s = (last.due_at - START_AT).total_seconds()
    rig.live(due_s - 1.0)
    rig.turn.run(request("ca", 400))  # ends 3 s after it is due: it would wait beyond midnight
    rig.live(3 * H)
    assert booked_once(rig)
    of = rig.books.account(TODAY, "alk")
    assert of.spent_ul == 24_000
    assert of.given_ul + of.missed_ul + of.refused_ul == 24_000


@pytest.mark.parametrize(("day", "hours"), [(date(2027, 3, 28), 23), (date(2027, 10, 31), 25), (date(2027, 6, 1), 24)])
def test_days_of_23_24_and_25_hours_are_given_whole(day: date, hours: int) -> None:
    zone = "Europe/Lisbon"
    start_at = datetime.combine(day, datetime.min.time(), ZoneInfo(zone)).astimezone(UTC)
    rig = Rig(plan(ALK, CA, zone=zone), start_at=start_at).start().live(hours * H - 1)
    for name in ("alk", "ca"):
        of = rig.books.account(day, name)
        assert (of.given_ul, of.given, of.refused, of.missed) == (24_000, 24, 0, 0)
    rig.live(2.0)
    assert rig.rounds.coming[0].day == day + timedelta(days=1)


# -- no catch-up ---------------------------------------------------------------------------------------------

OUTAGES = [60.0, 1_800.0, 5 * H, 24 * H, 7 * 24 * H, 30 * 24 * H]


@pytest.mark.parametrize("down_s", OUTAGES)
@pytest.mark.parametrize("reboot", [False, True])
def test_after_an_outage_no_hour_gives_more_than_planned(down_s: float, *, reboot: bool) -> None:
    rig = Rig(PLAN).start().live(24 * H + 600)
    given_s = rig.pulse_s("alk")
    if reboot:
        rig.clock.reboot(down_s)
    else:
        rig.clock.pass_s(down_s)
    back_s = rig.clock.true_s
    rig.restart().live(6 * H)
    for hour in range(6):
        assert rig.pulse_s("alk", back_s + hour * H, back_s + (hour + 1) * H) <= 10.0 + 1e-6  # one dose of 1 mL
    assert rig.pulse_s("alk") == pytest.approx(given_s + 60.0, abs=10.0)
    assert booked_once(rig)
    due = int((rig.clock.true_s - 1800) // H) + 1
    booked = sum(sum(account(rig, day)) for day in rig.books.days)
    assert booked == due * 1_000  # every planned dose is given or missed, none forgotten


@pytest.mark.parametrize("down_s", OUTAGES)
def test_an_outage_is_booked_also_when_the_clock_is_trusted_only_later(down_s: float) -> None:
    rig = Rig(PLAN).start().live(24 * H + 600)
    rig.clock.reboot(down_s)
    rig.clock.synchronised = False
    rig.restart().live(300.0)
    assert not rig.rounds.trusted()
    rig.clock.synchronised = True
    rig.live(2 * H)
    due = int((rig.clock.true_s - 1800) // H) + 1
    assert sum(sum(account(rig, day)) for day in rig.books.days) == due * 1_000
    assert booked_once(rig)


def test_a_shortfall_raises_an_alarm() -> None:
    rig = Rig(PLAN).start().live(24 * H)
    rig.clock.reboot(24 * H)
    rig.restart().live(60.0)
    found = {alarm.kind: alarm for alarm in alarms(PLAN, rig.books, rig.clock.now(), rig.rounds.trust, None)}
    assert "24 doses, 24.0 mL, found missed in the last 24 h" in found[Kind.DOSES_MISSED].text
    assert "24.0 of 48.0 mL" in found[Kind.SHORTFALL].text


def test_a_shortfall_counts_what_was_due_in_48_h_and_not_an_outage_of_weeks() -> None:
    rig = Rig(PLAN).start().live(24 * H)
    rig.clock.reboot(30 * 24 * H)
    rig.restart().live(60.0)
    found = alarms(PLAN, rig.books, rig.clock.now(), rig.rounds.trust, None)
    [short] = [one for one in found if one.kind is Kind.SHORTFALL]
    assert "48.0 of 48.0 mL" in short.text


def test_a_shortfall_of_days_that_a_wrong_clock_went_past_names_no_more_than_48_h_and_what_helps() -> None:
    rig = Rig(PLAN).start().live(12 * H)
    _glitch(rig, 30 * 24 * H)

    def short() -> list[tuple[str, str]]:
        found = alarms(PLAN, rig.books, rig.clock.now(), rig.rounds.trust, None)
        return [(one.text, one.next_step) for one in found if one.kind is Kind.SHORTFALL]

    [(text, step)] = short()
    assert text.startswith("alk: 48.0 of 48.0 mL were not given in the last 48 h, or the clock was wrong.")
    assert step == "if the clock is right now: dosingd release --clock"
    _confirm(rig)
    assert short() == [], "what is still to come is not missing"


def test_a_kill_in_a_run_costs_that_dose_alone() -> None:
    rig = Rig(PLAN).start().live(H)

    def cut(to_s: float) -> None:
        if rig.pumps["alk"].is_on:
            rig.clock.before_passing = None
            rig.clock.pass_s(2.0)
            raise KeyboardInterrupt

    rig.clock.before_passing = cut
    with pytest.raises(KeyboardInterrupt):
        rig.live(2 * H)
    rig.clock.reboot(20.0)
    rig.restart().live(22 * H)
    settled = [event for event in rig.events(Settled) if isinstance(event, Settled)]
    assert [event.outcome for event in settled].count(Outcome.UNKNOWN) == 1
    assert len(rig.spans["alk"]) == 24
    assert booked_once(rig)


def test_a_run_whose_line_did_not_answer_at_the_start_stays_open_and_nothing_runs_beside_it() -> None:
    rig = Rig(PLAN).start().live(H)

    def cut(to_s: float) -> None:
        if rig.pumps["alk"].is_on:
            rig.clock.before_passing = None
            raise KeyboardInterrupt

    rig.clock.before_passing = cut
    with pytest.raises(KeyboardInterrupt):
        rig.live(2 * H)
    given = len(rig.spans["alk"])
    rig.restart(all_low=False).live(3 * H)
    assert len(rig.books.open) == 1, "it may still run: the start that finds the line low books it (R1)"
    assert len(rig.spans["alk"]) <= given + 1
    assert set(rig.spans) == {"alk"}


# -- hold and pause ------------------------------------------------------------------------------------------


def test_what_was_due_during_a_pause_is_missed_and_then_it_goes_on() -> None:
    rig = Rig(PLAN).start().live(6 * H)
    rig.account.write(Paused(rig.books.proven_ms(rig.clock.now()) + 3 * 3_600_000), rig.clock.now())
    rig.live(18 * H)
    assert account(rig) == (21_000, 0, 3_000)


def test_a_pause_ends_over_a_reboot_too() -> None:
    rig = Rig(PLAN).start().live(6 * H)
    rig.account.write(Paused(rig.books.proven_ms(rig.clock.now()) + 3_600_000), rig.clock.now())
    rig.live(600.0)
    rig.clock.reboot(60.0)
    rig.restart().live(H)
    assert not rig.books.paused(rig.books.proven_ms(rig.clock.now()))


def test_a_held_rig_gives_nothing_and_books_what_it_missed() -> None:
    rig = Rig(PLAN).start().live(6 * H)
    rig.account.write(Held("a test"), rig.clock.now())
    rig.live(6 * H)
    assert account(rig) == (6_000, 0, 6_000)


# -- laying anew ---------------------------------------------------------------------------------------------


def test_a_reload_keeps_the_day_within_the_new_plan() -> None:
    rig = Rig(PLAN).start().live(12 * H)
    rig.rounds.reload(plan(channel("alk", doses=6)))
    rig.live(12 * H)
    assert account(rig) == (24_000, 0, 0)
    assert len(rig.spans["alk"]) == 12 + 3
    assert booked_once(rig)


def test_a_reload_of_the_same_plan_writes_no_row_and_moves_no_dose() -> None:
    rig = Rig(PLAN).start().live(12 * H)
    before = list(rig.rounds.coming)
    rig.rounds.reload(PLAN)
    assert rig.rounds.coming == before
    assert len(rig.events(PlanLoaded)) == 1


def test_a_reload_may_drop_a_channel_whose_dose_has_just_come_due() -> None:
    rig = Rig(PLAN).start().live(1_799.0)
    rig.clock.pass_s(2.0)
    rig.rounds.reload(plan(channel("other")))
    [row] = missed(rig)
    assert (row.channel, row.asked_ul, row.asked_umol) == ("alk", 1_000, None)


def test_a_stronger_refill_at_noon_halves_what_is_left() -> None:
    rig = Rig(PLAN).start().live(12 * H)
    rig.refill("alk", 900_000, {"alkalinity": 2.0})
    rig.rounds.lay_anew()
    rig.live(12 * H)
    assert account(rig) == (18_000, 0, 0)  # 12 mL of 1 and 6 mL of 2 eq/L: 24 meq
    assert rig.books.account(TODAY, "alk").spent_umol == pytest.approx(24_000.0)


def test_a_changed_zone_never_gives_a_day_twice() -> None:
    rig = Rig(PLAN).start().live(12 * H)
    for zone, hours in (("Pacific/Honolulu", 72), ("Asia/Tokyo", 96), ("UTC", 72)):
        rig.rounds.reload(plan(ALK, zone=zone))
        rig.live(hours * H)
    assert all(rig.books.account(day, "alk").spent_ul <= 24_000 for day in rig.books.days)
    worst = max(rig.pulse_s("alk", at, at + 24 * H) for at, _ in rig.spans["alk"])
    assert worst <= 250.0 + 1e-6  # 24 mL and one dose
    assert booked_once(rig)


def test_a_day_that_cannot_be_laid_is_told_and_gives_nothing() -> None:
    rig = Rig(plan(ALK, CA, gap_s=3_500.0)).start().live(2 * H)
    assert rig.rounds.cannot_lay is not None
    assert rig.spans["alk"] == []
    found = alarms(rig.plan, rig.books, rig.clock.now(), rig.rounds.trust, rig.rounds.cannot_lay)
    assert Kind.CANNOT_LAY in {alarm.kind for alarm in found}


# -- without a clock -----------------------------------------------------------------------------------------


def test_without_a_clock_nothing_is_dosed_for_12_h_and_then_half() -> None:
    rig = Rig(PLAN, synced=False, mono_s=0.0).start()
    rig.live(12 * H)
    assert rig.spans["alk"] == []
    rig.live(48 * H)
    assert rig.pulse_s("alk") == pytest.approx(240.0)  # one day's 24 mL in 48 h
    assert rig.pulse_s("alk", 12 * H, 36 * H) == pytest.approx(120.0)
    rig.live(48 * H)
    assert rig.pulse_s("alk") == pytest.approx(480.0)


def test_an_alarm_says_that_the_clock_is_not_trusted() -> None:
    rig = Rig(PLAN, synced=False, mono_s=0.0).start().live(6 * H)
    early, _ = alarms(PLAN, rig.books, rig.clock.now(), rig.rounds.trust, None)  # and a reservoir that nobody filled
    assert early.kind is Kind.CLOCK_UNTRUSTED
    assert early.since == START_AT
    rig.live(7 * H)
    late, _ = alarms(PLAN, rig.books, rig.clock.now(), rig.rounds.trust, None)
    assert late.kind is Kind.WITHOUT_CLOCK
    assert "13 h" in late.text


def test_a_plan_may_forbid_dosing_without_a_clock() -> None:
    none = evolve(PLAN, clock=ClockPolicy(without=WithoutClock.NONE))
    rig = Rig(none, synced=False, mono_s=0.0).start().live(48 * H)
    assert rig.spans["alk"] == []


def test_a_battery_backed_clock_is_believed() -> None:
    rig = Rig(evolve(PLAN, clock=ClockPolicy(rtc=True)), synced=False).start().live(6 * H)
    assert account(rig) == (6_000, 0, 0)


def test_when_trust_returns_what_was_given_without_it_counts() -> None:
    rig = Rig(PLAN, synced=False, mono_s=0.0, start_at=START_AT - timedelta(hours=12)).start()
    rig.live(24 * H)  # half the rate from midnight to noon: 6 mL
    assert rig.pulse_s("alk") == pytest.approx(60.0)
    rig.clock.synchronised = True
    rig.live(12 * H)
    assert rig.pulse_s("alk") == pytest.approx(180.0)  # and the 12 mL that are still to come; 18 of 24
    rig.live(24 * H)
    assert rig.pulse_s("alk", 36 * H) == pytest.approx(240.0)


def test_a_span_without_a_clock_is_not_dosed_twice_by_a_restart() -> None:
    rig = Rig(PLAN, synced=False, mono_s=0.0).start().live(12 * H)
    for _ in range(24):
        rig.live(2 * H)
        rig.restart()
    assert rig.pulse_s("alk") <= 240.0 + 1e-6
    assert booked_once(rig)


def test_gaps_hold_without_a_clock() -> None:
    rig = Rig(plan(ALK, CA), synced=False, mono_s=0.0).start().live(60 * H)
    runs = sorted((start, end, name) for name, spans in rig.spans.items() for start, end in spans)
    assert len(runs) > 40
    for (_, end, one), (start, _, other) in pairwise(runs):
        assert one == other or start - end >= 1200.0 - 1e-6


# -- limits over everything ----------------------------------------------------------------------------------


def test_a_new_ledger_begins_at_zero_and_catches_nothing_up() -> None:
    rig = Rig(plan(limited(ALK, day_ul=26_000)), full=False).start().live(24 * H)
    assert rig.pulse_s("alk", 0, H) == 0  # 19.5 mL in 87,000 s: 1.05 mL after 4,685 s
    assert refused(rig) != []
    assert account(rig)[0] <= 24_000
    hours = [rig.pulse_s("alk", hour * H, (hour + 1) * H) for hour in range(24)]
    assert max(hours) <= 10.0 + 1e-6


def test_a_person_who_orders_a_dose_every_10_minutes_stays_below_the_limit() -> None:
    rig = Rig(PLAN).start()
    for _ in range(24 * 6):
        rig.live(600.0)
        rig.turn.run(request("alk", 2_000))
    assert rig.pulse_s("alk", 0, 24 * H) * 100 <= 40_000
    assert rig.pulse_s("alk", 0, 24 * H) * 100 > 36_000  # the limit, not something else, stopped it
    assert account(rig)[0] <= 24_000


def test_runs_into_a_cup_are_not_given_to_the_tank() -> None:
    rig = Rig(PLAN).start().live(600.0)
    rig.turn.run(request("alk", 5_000, purpose=Purpose.PRIME, into=Into.CUP))
    assert rig.books.total_given_ul.get("alk", 0) == 0
    rig.live(24 * H - 650)
    assert account(rig) == (24_000, 0, 0)


# -- doses that could still wait, and what a plan takes away ---------------------------------------------------


def late(rig: Rig, by_s: float) -> None:
    """Let the next dose be late, as behind a long run of another channel."""
    due_at = rig.rounds.coming[0].due_at
    assert due_at is not None
    rig.clock.pass_s((due_at - rig.clock.now().wall_at).total_seconds() + by_s)


@pytest.mark.parametrize("again", [_by_a_refill, _by_a_reload])
def test_a_dose_that_may_still_wait_is_not_missed_by_laying_anew(again: Callable[[Rig], None]) -> None:
    rig = Rig(PLAN).start().live(2 * H)
    late(rig, 3.0)
    again(rig)
    assert missed(rig) == []
    rig.live(1800.0)
    assert account(rig) == (3_000, 0, 0)
    assert booked_once(rig)


def test_a_dose_that_waited_too_long_is_missed_by_laying_anew_and_says_so() -> None:
    rig = Rig(PLAN).start().live(2 * H)
    late(rig, 301.0)
    rig.rounds.lay_anew()
    [row] = missed(rig)
    assert row.reason == "it was due 301 s ago, and a dose waits 300 s at most"


def test_a_waiting_dose_that_the_new_plan_does_not_lay_is_missed_with_the_true_reason() -> None:
    rig = Rig(PLAN).start().live(2 * H)
    late(rig, 3.0)
    rig.rounds.reload(plan(channel("alk", daily=DailyVolume(24_000), doses=5)))
    assert missed(rig)[0].reason == "the day was laid anew when it was due"
    assert booked_once(rig)


def test_what_a_reload_leaves_no_time_for_is_booked_as_missed() -> None:
    rig = Rig(PLAN).start().live(20 * H)
    morning = Window(LocalSpan(time(0, 0), time(12, 0)), 1.0)
    past = evolve(channel("alk", daily=DailyVolume(24_000)), when=(morning,))
    rig.rounds.reload(plan(past))
    [row] = missed(rig)
    assert (row.asked_ul, row.doses, row.slot) == (4_000, 4, None)
    assert row.reason == "the plan was changed, and its hours of today leave no time for it"
    assert rig.rounds.taken_ul == {"alk": 4_000}
    rig.live(24 * H)
    assert account(rig) == (20_000, 0, 4_000)
    assert account(rig, TODAY + timedelta(days=1))[0] == 24_000
    rig.rounds.reload(plan(past))
    assert rig.rounds.taken_ul == {}


def test_a_reload_of_the_same_plan_takes_nothing_from_a_rig_that_began_in_the_midst_of_a_day() -> None:
    rig = Rig(PLAN, start_at=START_AT + timedelta(hours=20)).start().live(H)
    rig.rounds.reload(PLAN)
    assert rig.rounds.taken_ul == {}
    assert missed(rig) == []
