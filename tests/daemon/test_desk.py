"""The desk: each kind of request to its answer, while the rig is idle, runs, hangs, or was stopped. R4, R11, R13."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from datetime import time, timedelta

import pytest
from attrs import evolve

from dosingd.causes import MOST_TYPED
from dosingd.desk import STATUS_WITHIN_S
from dosingd.errands import BEGIN_WITHIN_S, MOST_OPEN
from dosingd.errors import PinsFailed, PlanRefused, RequestRefused
from dosingd.plan.model import DailyChange, DailyVolume, LocalSpan, Plan, Window
from dosingd.records import (
    Calibrated,
    ClockConfirmed,
    Held,
    Into,
    NotGiven,
    Outcome,
    Paused,
    PlanLoaded,
    Purpose,
    Refilled,
    Released,
    Reserved,
    Settled,
)
from dosingd.requests import (
    Answer,
    Dose,
    History,
    Hold,
    Pause,
    Prime,
    Release,
    Reload,
    Request,
    Resume,
    Status,
    Suspend,
)
from tests.builders import ALK, CA, START_AT, TODAY, channel, limited, plan, span
from tests.daemon.manned import DEADLINE_S, Expected, Manned, Reply

PLAN = plan()
#: Alkalinity alone: 1 mL at half past each hour.
ONE = plan(ALK)
MIN = 60.0


def by_hand(of: Manned) -> list[Reserved]:
    """The runs by hand that were begun, as the ledger has them."""
    return [e for e in of.rig.events(Reserved) if isinstance(e, Reserved) and e.purpose is not Purpose.SCHEDULED]


def refused(answer: Answer, code: str) -> str:
    """The words of a refusal with this code, which moved nothing."""
    assert (answer.status, answer.code, answer.data) == (2, code, {})
    assert answer.text is not None
    return answer.text


def message(answer: Answer) -> str:
    assert (answer.status, answer.code, answer.text) == (0, None, None)
    assert answer.data["ok"] is True
    return str(answer.data["message"])


# -- status --------------------------------------------------------------------------------------------------


def test_status_of_an_idle_rig_is_as_new_as_the_request() -> None:
    with Manned(ONE) as of:
        of.clock.pass_s(17.0)
        data = of.ask(Status()).data
        assert data["clock"]["wall"] == "2026-06-01T00:00:17+00:00"
        assert data["running"] is True
        assert data["pumping"] is None
        assert data["channels"]["alk"]["next_dose_at"] == "2026-06-01T00:30:00.000+00:00"


def test_status_during_a_run_comes_within_a_tick_from_the_last_state_and_names_the_channel() -> None:
    with Manned(PLAN) as of:
        dose = of.running(Dose("alk", 1_000))
        status = of.later(Status())
        of.tick_after(STATUS_WITHIN_S / 2)
        assert not status.answered
        of.tick_after(STATUS_WITHIN_S)
        answer = status.answer()
        assert answer.status == 0
        assert answer.data["pumping"] == "alk"
        assert answer.data["clock"]["wall"] == "2026-06-01T00:00:00+00:00", "as last shown"
        of.clock.go_on.set()
        dose.answer()
        of.settle()
        assert len(status.answers) == 1


def test_status_before_the_first_state_says_that_it_starts() -> None:
    of = Manned(PLAN)
    status = of.later(Status())
    of.tick_after(1.0)
    assert refused(status.answer(), "starting").startswith("The daemon is still starting.")
    with of:
        pass


def test_the_desk_says_when_its_next_answer_is_due() -> None:
    with Manned(PLAN) as of:
        assert of.desk.next_mono_s() is None
        go_on = of.stuck()
        now_mono_s = of.clock.mono_s
        of.later(History())
        assert of.desk.next_mono_s() == now_mono_s + BEGIN_WITHIN_S
        of.later(Status())
        assert of.desk.next_mono_s() == now_mono_s + STATUS_WITHIN_S
        go_on()
        of.settle()
        assert of.desk.next_mono_s() is None


def test_every_request_rings_the_control_loop() -> None:
    with Manned(PLAN) as of:
        go_on = of.stuck()
        for request in (Status(), Dose("alk", 1_000), Hold(), Pause(60.0)):
            rung = of.rung
            of.later(request)
            assert of.rung == rung + 1
        go_on()


# -- history -------------------------------------------------------------------------------------------------


def test_history_pages_hold_every_row_once() -> None:
    with Manned(PLAN) as of:
        of.live(3 * 3600.0)
        entries: list[dict[str, object]] = []
        while True:
            page = of.ask(History(after_seq=int(str(entries[-1]["seq"])) if entries else 0, limit=7)).data["entries"]
            entries += page
            if len(page) < 7:
                break
        assert [entry["seq"] for entry in entries] == [row.seq for row in of.rig.rows()]
    settled = [entry for entry in entries if entry["kind"] == "settled"]
    assert len(settled) >= 4
    assert {(entry["asked_ul"], entry["given_ul"], entry["outcome"]) for entry in settled} == {(1_000, 1_000, "given")}


def test_history_of_a_channel_since_an_instant() -> None:
    with Manned(PLAN) as of:
        of.live(3 * 3600.0)
        since = START_AT + timedelta(hours=2)
        entries = of.ask(History(since=since, channel="ca")).data["entries"]
        rows = of.rig.rows()
    wanted = [row.seq for row in rows if row.reading.wall_at >= since and getattr(row.event, "channel", "") == "ca"]
    assert wanted
    assert [entry["seq"] for entry in entries] == wanted


def test_a_settlement_on_a_later_page_still_says_what_was_asked() -> None:
    with Manned(PLAN) as of:
        of.ask(Dose("alk", 1_000))
        [row] = of.rig.rows(Settled)
        [entry] = of.ask(History(after_seq=row.seq - 1, limit=1)).data["entries"]
        assert entry["asked_ul"] == 1_000


# -- doses by hand -------------------------------------------------------------------------------------------


def test_a_dose_by_hand_is_given_and_counts_in_its_day_and_in_every_allowance() -> None:
    with Manned(PLAN) as of:
        answer = of.ask(Dose("alk", 1_000))
        assert answer.status == 0
        told = {"outcome": "given", "asked_ul": 1_000, "given_ul": 1_000, "reason": None, "makes_refused": []}
        assert {key: answer.data[key] for key in told} == told
        of.settle()
        books = of.rig.books
        proven_ms = books.proven_ms(of.clock.now())
        assert books.extra_ul == {TODAY: {"alk": 1_000}}
        assert books.account(TODAY, "alk").given_ul == 0, "not of the plan"
        # Full at 10 mL, 200 s and 10 meq; 10 s of running earn 30,000 / 87,000 of a thousandth each second.
        assert 9_000 <= books.level("day:alk", proven_ms) <= 9_004
        assert 190_000 <= books.level("run:alk", proven_ms) <= 190_069
        assert 9_000 <= books.level("rise:alkalinity", proven_ms) <= 9_004
        assert books.level("cup:alk", proven_ms) == 40_000
        assert of.state().channels["alk"].given_today_ul == 1_000
    [reserved] = by_hand(of)
    assert (reserved.purpose, reserved.into, reserved.day) == (Purpose.MANUAL, Into.TANK, TODAY)
    assert of.rig.pulse_s("alk") == pytest.approx(10.0)


def test_a_dose_by_hand_without_a_trusted_clock_counts_in_no_day() -> None:
    of = Manned(PLAN)
    of.clock.synchronised = False
    with of:
        assert of.ask(Dose("alk", 1_000)).status == 0
    [reserved] = by_hand(of)
    assert reserved.day is None


Before = Callable[[Manned], object]


def _held(of: Manned) -> None:
    of.ask(Hold("a test."))


def _paused(of: Manned) -> None:
    of.ask(Pause(600.0))


def _nearly_empty(of: Manned) -> None:
    of.write(Refilled("alk", 50_900, None, "soda", {}, 0))


def _one(volume_ul: int, name: str = "alk") -> Before:
    return lambda of: of.ask(Dose(name, volume_ul))


@pytest.mark.parametrize(
    ("of_plan", "before", "request_", "code", "words"),
    [
        (PLAN, _held, Dose("alk", 1_000), "held", "a test."),
        (PLAN, _paused, Dose("alk", 1_000), "paused", "paused"),
        (plan(quiet=(span("00:00", "01:00"),)), None, Dose("alk", 1_000), "quiet", "quiet time until 01:00"),
        (PLAN, None, Dose("alk", 150), "smallest", "0.20 mL"),
        (PLAN, None, Dose("alk", 5_100), "dose-limit", "its dose limit leaves 5.00 mL"),
        # 10 mL - 5 mL + 17 µL earned in 50 s - 50 µL for the end of the lease.
        (PLAN, _one(5_000), Dose("alk", 4_990), "day-limit", "its day limit of 40.00 mL leaves 4.97 mL"),
        (
            plan(limited(ALK, run_s=200.0), CA),
            _one(4_000),
            Dose("alk", 1_000),
            "run-limit",
            "its run limit of 3.3 min of motor in 24 h",
        ),
        (
            plan(limited(ALK, rise_umol=20_000.0), CA),
            _one(4_000),
            Dose("alk", 1_000),
            "rise-limit",
            "the limit of the tank's rise in alkalinity",
        ),
        (PLAN, _one(1_000, "ca"), Dose("alk", 1_000), "apart", "20 min must lie between ca and alk"),
        (PLAN, _nearly_empty, Dose("alk", 1_000), "reserve", "50.00 mL reserve"),
    ],
)
def test_a_refused_dose_says_which_rule_and_that_nothing_was_pumped(
    of_plan: Plan, before: Before | None, request_: Request, code: str, words: str
) -> None:
    with Manned(of_plan) as of:
        if before is not None:
            before(of)
            of.settle()
        pulses = len(of.rig.spans.get("alk", []))
        text = refused(of.ask(request_), code)
        assert words in text
        assert text.count("othing was pumped") == 1
        assert len(of.rig.spans.get("alk", [])) == pulses
        no = of.rig.events(NotGiven)[-1]
        assert isinstance(no, NotGiven)
        assert (no.outcome, no.purpose) == (Outcome.REFUSED, Purpose.MANUAL)


def test_a_channel_that_is_not_in_the_plan_is_refused_without_a_row() -> None:
    with Manned(PLAN) as of:
        rows = len(list(of.rig.account.book.rows()))
        for request in (Dose("mg", 1_000), Prime("mg", 1_000, Into.CUP)):
            text = refused(of.ask(request), "channel")
            assert text == "mg: no such channel in the plan. To see them: dosingd status. Nothing was pumped."
        assert len(list(of.rig.account.book.rows())) == rows, "made-up channels would fill the ledger"


def test_a_run_into_a_cup_is_refused_by_the_cup_s_own_allowance() -> None:
    with Manned(PLAN) as of:
        for _ in range(6):
            assert of.ask(Prime("alk", 6_000, Into.CUP)).status == 0  # 36 of 40 mL
        text = refused(of.ask(Prime("alk", 6_000, Into.CUP)), "cup-limit")
        assert "what may run into a cup leaves" in text


def test_a_run_by_hand_over_a_minute_is_refused_with_the_most_that_fits() -> None:
    roomy = plan(limited(ALK, dose_ul=9_000), CA)
    with Manned(roomy) as of:
        assert of.ask(Dose("alk", 6_000)).status == 0, "60 s at 100 µL/s"
        of.clock.pass_s(86_400.0)
        text = refused(of.ask(Dose("alk", 6_001)), "too-long")
        assert text == ("alk: 6.00 mL would run for 60 s; a run by hand is 60 s at most, 6.00 mL. Nothing was pumped.")
        text = refused(of.ask(Dose("alk", 9_000)), "too-long")
        assert "9.00 mL would run for 90 s" in text
        assert len(by_hand(of)) == 1


def test_the_longest_run_by_hand_is_by_the_calibrated_flow() -> None:
    with Manned(PLAN) as of:
        of.write(Calibrated("alk", 50.0))
        text = refused(of.ask(Dose("alk", 3_100)), "too-long")
        assert "would run for 62 s" in text
        assert "60 s at most, 3.00 mL" in text


def test_a_dose_by_hand_names_the_doses_that_its_gap_refuses() -> None:
    with Manned(PLAN) as of:
        of.live(29 * MIN)  # calcium's dose is due near 00:40, and could not be given before 00:49:10
        due = next(due for due in of.rig.rounds.coming if due.channel == "ca")
        answer = of.ask(Dose("alk", 1_000))
        [made] = answer.data["makes_refused"]
        assert made["channel"] == "ca"
        assert due.due_at is not None
        assert made["at"] == due.due_at.isoformat(timespec="milliseconds")
        assert made["volume_ul"] == due.volume_ul
        assert "20 min must lie between alk and ca" in made["why"]


# -- priming -------------------------------------------------------------------------------------------------


def test_prime_without_a_volume_gives_what_the_line_holds() -> None:
    with Manned(plan(evolve(ALK, line_ul=3_500), CA)) as of:
        answer = of.ask(Prime("alk", None, Into.CUP))
        assert (answer.status, answer.data["asked_ul"], answer.data["given_ul"]) == (0, 3_500, 3_500)
        assert of.ask(Prime("alk", 500, Into.CUP)).data["given_ul"] == 500, "a volume that was named counts"


def test_prime_without_a_volume_and_without_a_line_is_refused_in_words() -> None:
    with Manned(PLAN) as of:
        text = refused(of.ask(Prime("alk", None, Into.TANK)), "volume")
        assert text == (
            "alk: the plan does not say what its line holds. Nothing was pumped. Name a volume:"
            ' dosingd prime alk "4 mL" --into tank'
        )
        assert of.rig.spans["alk"] == []
        refused(of.ask(Prime("mg", None, Into.CUP)), "channel")


def test_prime_into_a_cup_draws_on_the_cup_s_allowance_alone() -> None:
    with Manned(PLAN) as of:
        of.ask(Prime("alk", 2_000, Into.CUP))
        books = of.rig.books
        proven_ms = books.proven_ms(of.clock.now())
        # 40 mL deep: what changes the tank by its rise limit; 20 s earn 9.2 µL.
        assert 38_000 <= books.level("cup:alk", proven_ms) <= 38_010
        assert books.level("day:alk", proven_ms) == 10_000
        assert books.level("rise:alkalinity", proven_ms) == 10_000
        assert books.extra_ul == {}
        assert books.total_given_ul == {}
        [reserved] = by_hand(of)
        assert (reserved.purpose, reserved.into, reserved.day) == (Purpose.PRIME, Into.CUP, None)


def test_prime_into_the_tank_counts_as_given() -> None:
    with Manned(PLAN) as of:
        of.ask(Prime("alk", 2_000, Into.TANK))
        assert of.rig.books.extra_ul == {TODAY: {"alk": 2_000}}
        assert of.rig.books.level("day:alk", of.rig.books.proven_ms(of.clock.now())) <= 8_010


# -- what could not begin ------------------------------------------------------------------------------------


def test_a_dose_that_was_answered_busy_is_never_given() -> None:
    with Manned(plan(limited(ALK, dose_ul=6_000), CA)) as of:
        first = of.running(Dose("alk", 1_000))
        second = of.later(Dose("alk", 500))
        of.tick_after(BEGIN_WITHIN_S - 5.0)
        assert not second.answered
        of.clock.pass_s(5.0)
        of.desk.tick()
        text = refused(second.answer(), "busy")
        assert text.startswith("alk is running")
        assert text.endswith("Nothing was done; ask again then.")
        of.clock.go_on.set()
        first.answer()
        of.settle()
        of.live(20 * MIN)
        assert [reserved.asked_ul for reserved in by_hand(of)] == [1_000]
        assert len(second.answers) == 1
        assert len(of.rig.spans["alk"]) == 1


def test_busy_says_for_how_long_the_run_may_last() -> None:
    with Manned(plan(limited(ALK, dose_ul=6_000), CA)) as of:
        of.running(Dose("alk", 6_000), after_s=1.0)
        second = of.later(Dose("alk", 500))
        of.tick_after(BEGIN_WITHIN_S)
        # 60.5 s of lease, 11 s of them gone.
        assert refused(second.answer(), "busy") == "alk is running for 50 s more. Nothing was done; ask again then."


@pytest.mark.parametrize(
    "request_",
    [Dose("alk", 1_000), Prime("alk", 1_000, Into.CUP), Release(), Pause(None), Suspend("alk"), Resume("alk")],
)
def test_whatever_was_answered_busy_is_never_carried_out(request_: Request) -> None:
    with Manned(PLAN) as of:
        of.ask(Hold("a test."))
        of.ask(Pause(3600.0))
        of.ask(Suspend("ca"))
        of.settle()
        before = [row for row in of.rig.rows() if not isinstance(row.event, NotGiven)]
        go_on = of.stuck()
        reply = of.later(request_)
        of.tick_after(BEGIN_WITHIN_S)
        assert refused(reply.answer(), "busy").startswith("The disk is slow.")
        go_on()
        of.settle()
        assert [row for row in of.rig.rows() if not isinstance(row.event, NotGiven)] == before
        assert set(of.duty.sessions) == {"ca"}
        assert len(reply.answers) == 1


def test_a_plan_whose_reload_was_answered_busy_never_comes_into_force() -> None:
    other = evolve(PLAN, sha256="11" * 32)
    with Manned(PLAN) as of:
        go_on = of.stuck()
        of.file = other
        reply = of.later(Reload())
        assert of.reading.wait(DEADLINE_S)
        with of._round_made:
            assert of._round_made.wait_for(lambda: of.desk.next_mono_s() is not None, DEADLINE_S)
        of.tick_after(BEGIN_WITHIN_S)
        refused(reply.answer(), "busy")
        go_on()
        of.settle()
        assert of.duty.plan is PLAN


def test_an_errand_in_time_is_carried_out_and_not_answered_twice() -> None:
    with Manned(PLAN) as of:
        go_on = of.stuck()
        reply = of.later(Dose("alk", 1_000))
        of.tick_after(BEGIN_WITHIN_S - 0.1)
        assert not reply.answered
        go_on()
        assert reply.answer().status == 0
        of.tick_after(60.0)
        assert len(reply.answers) == 1


# -- hold and release ----------------------------------------------------------------------------------------


def test_a_hold_ends_the_run_at_once_and_is_booked_after_it() -> None:
    with Manned(PLAN) as of:
        dose = of.running(Dose("alk", 1_000), after_s=4.0)
        hold = of.later(Hold("the hose came off."))
        assert of.cut.event.is_set(), "before the request returns"
        given = dose.answer()
        assert (given.status, given.code) == (1, "partial")
        assert given.data["given_ul"] == 400  # 4 s at 100 µL/s
        assert given.text == "alk: only 0.400 mL of 1.00 mL were given: interrupted. They are booked."
        assert message(hold.answer()) == "Every pump is off until a person says: dosingd release"
        assert not of.rig.pumps["alk"].is_on
        assert of.rig.books.held == "the hose came off."
        assert of.state().held_reason == "the hose came off."
        kinds = [type(event) for event in of.rig.events(Settled, Held)]
        assert kinds == [Settled, Held]
        assert not of.cut.event.is_set(), "booked: from now on the latch keeps the pumps off"
        refused(of.ask(Dose("alk", 1_000)), "held")


def test_the_first_cause_of_a_hold_is_kept_and_told() -> None:
    with Manned(PLAN) as of:
        of.ask(Hold("the hose came off."))
        again = message(of.ask(Hold("another")))
        assert again == (
            "The rig was held already, and that cause is kept, and this one is kept beside it: the hose came off."
            " To end it: dosingd release"
        )
        assert of.rig.books.held == "the hose came off; and besides: another"
        assert of.state().held_reason == of.rig.books.held


def test_a_flood_of_holds_stops_the_pumps_each_time_and_fills_no_disk() -> None:
    with Manned(PLAN) as of:
        of.ask(Hold("wet hands"))
        of.rig.pumps["alk"].on()
        again = message(of.ask(Hold("wet hands")))
        assert again == "The rig was held already, and that cause is kept: wet hands. To end it: dosingd release"
        assert not of.rig.pumps["alk"].is_on
        assert of.rig.events(Held) == [Held("wet hands")]
        for number in range(3 * MOST_TYPED):
            of.rig.pumps["alk"].on()
            of.ask(Hold(f"cause {number}"))
            assert not of.rig.pumps["alk"].is_on
            assert not of.cut.event.is_set()
        assert len(of.rig.events(Held)) == MOST_TYPED
        assert of.ask(Release()).status == 0
        of.ask(Hold("wet hands"))
        assert of.rig.books.held == "wet hands", "written again after a release"


def test_a_hold_without_a_reason_says_by_hand() -> None:
    with Manned(PLAN) as of:
        of.ask(Hold())
        assert of.rig.books.held == "by hand"


def test_a_hold_while_the_turn_thread_hangs_is_answered_slow_and_booked_when_it_comes_back() -> None:
    with Manned(PLAN) as of:
        go_on = of.stuck()
        hold = of.later(Hold("a leak."))
        assert of.cut.event.is_set()
        of.tick_after(BEGIN_WITHIN_S)
        answer = hold.answer()
        assert (answer.status, answer.code) == (1, "slow")
        assert answer.text == (
            "Every pump is off, but it is not booked yet: the disk is slow. To see it: dosingd status"
        )
        assert of.rig.events(Held) == []
        assert of.cut.event.is_set()
        go_on()
        of.settle()
        assert of.rig.events(Held) == [Held("a leak.")]
        assert len(hold.answers) == 1
        assert not of.cut.event.is_set()


def test_between_a_hold_and_its_row_no_dose_is_given_or_missed() -> None:
    with Manned(ONE) as of:
        of.live(29 * MIN)
        of.cut.make("hold")
        of.live(2 * MIN)
        assert of.rig.events(Reserved, NotGiven) == [], "whoever stopped the rig has yet to book why"
        refused(of.ask(Dose("alk", 1_000)), "stopped")
        of.cut.mend("hold")
        of.live(MIN)
        assert len(of.rig.spans["alk"]) == 1


def test_a_hold_that_cannot_be_booked_keeps_everything_off() -> None:
    with Manned(PLAN) as of:
        of.break_ledger()
        answer = of.ask(Hold("a leak."))
        assert (answer.status, answer.code) == (1, "ledger")
        of.settle()
        assert of.cut.reasons == ("hold", "ledger")


def test_a_release_lets_the_rig_dose_again_and_names_what_held_it() -> None:
    with Manned(PLAN) as of:
        of.ask(Hold("a leak."))
        assert message(of.ask(Release())) == "The rig doses again. It was held: a leak."
        assert of.rig.events(Released) == [Released("a person")]
        assert of.ask(Dose("alk", 1_000)).status == 0


def test_a_release_without_a_hold_changes_nothing() -> None:
    with Manned(PLAN) as of:
        rows = of.rig.rows()
        assert message(of.ask(Release())) == "The rig was not held; nothing changed."
        assert of.rig.rows() == rows


def test_a_release_with_the_clock_confirms_it() -> None:
    with Manned(PLAN) as of:
        of.live(20 * MIN)
        of.clock.set_wall(-3600.0)
        of.live(5 * MIN)
        assert of.state().clock_trusted is False
        assert message(of.ask(Release(clock=True))) == "The clock is taken for right."
        assert of.rig.events(ClockConfirmed) == [ClockConfirmed("a person")]
        of.settle()
        assert of.state().clock_trusted is True
        assert of.rig.events(Released) == []
        of.ask(Hold("a leak."))
        both = message(of.ask(Release(clock=True)))
        assert both == "The clock is taken for right. The rig doses again. It was held: a leak."


# -- pause ---------------------------------------------------------------------------------------------------


def test_a_pause_ends_by_itself_and_what_was_due_in_it_is_missed() -> None:
    with Manned(ONE) as of:
        of.live(25 * MIN)
        said = message(of.ask(Pause(600.0)))
        assert said.startswith("No pump runs until 00:35;")
        assert said.endswith("To end it sooner: dosingd pause off")
        assert not of.cut.event.is_set()
        assert of.state().paused_until_at == START_AT + timedelta(minutes=35)
        of.live(9 * MIN)
        [no] = of.rig.events(NotGiven)
        assert isinstance(no, NotGiven)
        assert (no.channel, no.outcome) == ("alk", Outcome.MISSED)
        of.live(62 * MIN)
        assert of.state().paused_until_at is None
        assert len(of.rig.spans["alk"]) == 1, "01:30 is given"


def test_a_pause_is_counted_in_proven_time() -> None:
    with Manned(ONE) as of:
        of.ask(Pause(3600.0))
        of.clock.set_wall(7200.0)
        of.live(55 * MIN)
        assert refused(of.ask(Dose("alk", 1_000)), "paused")
        of.live(5 * MIN + 1.0)
        assert of.ask(Dose("alk", 1_000)).status == 0


def test_a_pause_is_four_hours_at_most() -> None:
    with pytest.raises(RequestRefused, match="4 hours at most"):
        Pause(4 * 3600.0 + 1.0)


def test_a_pause_is_ended_by_hand() -> None:
    with Manned(PLAN) as of:
        of.ask(Pause(3600.0))
        assert message(of.ask(Pause(None))) == "The pause is over; the rig doses again."
        assert of.rig.events(Paused)[-1] == Paused(None)
        assert of.ask(Dose("alk", 1_000)).status == 0
        rows = of.rig.rows()
        assert message(of.ask(Pause(None))) == "The rig was not paused; nothing changed."
        assert of.rig.rows() == rows


def test_a_pause_ends_the_run_that_is_on() -> None:
    with Manned(PLAN) as of:
        dose = of.running(Dose("alk", 1_000))
        pause = of.later(Pause(600.0))
        assert of.cut.event.is_set()
        assert dose.answer().code == "partial"
        assert pause.answer().status == 0
        assert not of.rig.pumps["alk"].is_on
        assert not of.cut.event.is_set()


def test_a_hold_in_a_pause_outlasts_it() -> None:
    with Manned(PLAN) as of:
        of.ask(Pause(600.0))
        of.ask(Hold("a leak."))
        of.live(20 * MIN)
        refused(of.ask(Dose("alk", 1_000)), "held")


# -- reload --------------------------------------------------------------------------------------------------


def _more(share: float) -> Plan:
    return plan(evolve(ALK, daily=DailyChange(24_000.0 * share)), CA)


def test_the_same_plan_again_is_told_as_such() -> None:
    with Manned(PLAN) as of:
        said = message(of.ask(Reload()))
        assert said == "The plan is in force; the rest of the day is laid anew. It is the same as before."


def test_another_plan_comes_into_force_for_the_rest_of_the_day() -> None:
    other = evolve(_more(1.1), sha256="11" * 32)
    with Manned(PLAN) as of:
        of.live(3600.0)
        of.file = other
        assert message(of.ask(Reload())) == "The plan is in force; the rest of the day is laid anew."
        assert of.duty.plan is other
        loaded = of.rig.events(PlanLoaded)[-1]
        assert isinstance(loaded, PlanLoaded)
        assert loaded.sha256 == "11" * 32
        assert of.state().plan_sha256 == "11" * 32
        assert {due.volume_ul for due in of.rig.rounds.coming if due.channel == "alk"} == {1_100}


def test_a_faulty_plan_leaves_the_running_one_in_force() -> None:
    with Manned(PLAN) as of:
        rows = of.rig.rows()
        of.file = Answer.refused("plan", "plan.yaml:1:1: no. The running plan stays in force.")
        assert refused(of.ask(Reload()), "plan").startswith("plan.yaml:1:1")
        of.file = PlanRefused("plan.yaml: it cannot be read.")
        assert refused(of.ask(Reload()), "plan") == "plan.yaml: it cannot be read."
        of.settle()
        assert of.duty.plan is PLAN
        assert of.rig.rows() == rows
        of.file = PLAN
        assert of.ask(Reload()).status == 0, "a reload that failed stands in no other's way"


def test_a_plan_that_raises_a_channel_by_more_than_a_fifth_asks_first() -> None:
    other = evolve(_more(1.5), sha256="11" * 32)
    with Manned(PLAN) as of:
        of.file = other
        text = refused(of.ask(Reload()), "confirm")
        assert text.splitlines()[0] == ("The new plan doses over 20 % more, or loosens what guards the tank:")
        assert text.splitlines()[1].startswith("  alk: from ")
        assert text.splitlines()[2].startswith("  ca: from "), "it follows"
        assert text.splitlines()[-1] == "The running plan stays in force. If that is meant: dosingd reload --yes"
        assert of.duty.plan is PLAN
        assert of.ask(Reload(yes=True)).status == 0
        assert of.duty.plan is other


def test_a_second_reload_during_the_first_is_refused() -> None:
    with Manned(PLAN) as of:
        of.read.clear()
        first = of.later(Reload())
        assert of.reading.wait(DEADLINE_S)
        text = refused(of.ask(Reload()), "busy")
        assert text == "Another reload is under way. Nothing was changed; ask again in a moment."
        of.read.set()
        assert first.answer().status == 0
        assert of.ask(Reload()).status == 0


def test_a_reload_never_swaps_the_plan_in_a_run() -> None:
    other = evolve(PLAN, sha256="11" * 32)
    with Manned(PLAN) as of:
        of.file = other
        dose = of.running(Dose("alk", 1_000))
        reload = of.later(Reload())
        assert of.reading.wait(DEADLINE_S)
        assert of.duty.plan is PLAN
        of.clock.go_on.set()
        assert dose.answer().status == 0
        assert reload.answer().status == 0
        assert of.duty.plan is other


def test_pins_that_refuse_the_new_plan_are_told_and_the_rig_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    with Manned(PLAN) as of:

        def refuse(plan: Plan, confirmed: bool) -> None:
            raise PinsFailed("GPIO 27 is taken.")

        monkeypatch.setattr(of.desk, "_bring", refuse)
        answer = of.ask(Reload())
        assert (answer.status, answer.code, answer.text) == (1, "pins", "GPIO 27 is taken.")
        assert of.ask(Dose("alk", 1_000)).status == 0


# -- sessions by hand ----------------------------------------------------------------------------------------


def test_a_session_stands_a_channel_s_doses_still_until_it_is_resumed() -> None:
    with Manned(ONE) as of:
        of.live(25 * MIN)
        assert message(of.ask(Suspend("alk"))) == "alk: its scheduled doses wait."
        assert of.state().channels["alk"].waiting_for == "end of the session by hand"
        of.live(10 * MIN)
        assert of.rig.spans["alk"] == []
        assert message(of.ask(Resume("alk"))) == "alk: it doses again."
        of.live(60 * MIN)
        assert len(of.rig.spans["alk"]) == 1


def test_a_session_lets_runs_by_hand_pass_and_each_keeps_it_open() -> None:
    with Manned(ONE) as of:
        of.ask(Suspend("alk"))
        for _ in range(3):
            of.live(25 * MIN)
            assert of.ask(Prime("alk", 500, Into.CUP)).status == 0
        assert "alk" in of.duty.sessions


def test_a_session_of_an_unknown_channel_is_refused() -> None:
    with Manned(PLAN) as of:
        for request in (Suspend("mg"), Resume("mg")):
            assert refused(of.ask(request), "channel").startswith("mg: no such channel in the plan.")
        assert of.duty.sessions == {}


# -- no message claims that a rig doses which does not --------------------------------------------------------


def test_the_end_of_a_pause_says_that_the_rig_is_still_held() -> None:
    with Manned(ONE) as of:
        of.ask(Hold("hands in the tank"))
        assert message(of.ask(Pause(600.0))) == (
            "The rig is paused until 00:10, and held besides: hands in the tank. No pump runs until: dosingd release"
        )
        assert message(of.ask(Pause(None))) == (
            "The pause is over, but the rig is held: hands in the tank. To let it dose again: dosingd release"
        )


def test_a_release_says_that_the_rig_is_still_paused() -> None:
    with Manned(ONE) as of:
        of.ask(Hold("hands in the tank"))
        of.ask(Pause(600.0))
        said = message(of.ask(Release()))
        assert said.startswith("The rig is released, but the rig is paused. To end that: dosingd pause off")
        assert "doses again" not in said
        assert message(of.ask(Pause(None))) == "The pause is over; the rig doses again."


def test_the_end_of_a_session_says_what_the_channel_still_waits_for() -> None:
    with Manned(ONE) as of:
        of.ask(Suspend("alk"))
        of.ask(Pause(600.0))
        assert message(of.ask(Resume("alk"))) == (
            "alk: its session is over, but the rig is paused. To end that: dosingd pause off"
        )
        of.ask(Hold())
        assert "doses again" not in message(of.ask(Resume("alk"))).replace("To let it dose again", "")


def test_a_refusal_of_a_run_ends_in_one_sentence_about_the_pumping() -> None:
    with Manned(PLAN) as of:
        of.break_ledger()
        of.ask(Hold())
        text = of.ask(Dose("alk", 1_000)).text or ""
        assert text.count("othing was pumped") == 1


def test_a_hold_that_is_asked_for_before_the_first_round_holds() -> None:
    of = Manned(ONE, start_at=START_AT + timedelta(minutes=29, seconds=59))
    hold = of.later(Hold("wait"))
    with of:
        assert hold.answer().status == 0
        of.live(3600.0)
        assert of.rig.spans["alk"] == []


# -- many who ask and go away --------------------------------------------------------------------------------


def test_requests_that_nobody_waits_for_any_more_fill_neither_desk_nor_mailbox() -> None:
    with Manned(PLAN) as of:
        go_on = of.stuck()
        replies = [of.later(History()) for _ in range(500)]
        assert of.duty._posts.qsize() == 1, "the mailbox holds one look at the desk, whatever lies there"
        assert len(of.desk._errands._errands) == MOST_OPEN
        for reply in replies[MOST_OPEN:]:
            assert "64 other requests wait already" in refused(reply.answer(), "busy")
        of.tick_after(BEGIN_WITHIN_S)
        assert of.desk._errands._errands == []
        assert [refused(reply.answer(), "busy") for reply in replies]
        go_on()
        of.settle()
        assert of.ask(History()).status == 0, "and the next ones are answered"


def test_a_stop_finds_room_on_a_full_desk_and_is_booked_although_it_was_answered_late() -> None:
    with Manned(PLAN) as of:
        go_on = of.stuck()
        doses = [of.later(Dose("alk", 1_000)) for _ in range(MOST_OPEN + 1)]
        hold, pause = of.later(Hold("too much")), of.later(Pause(60.0))
        assert of.cut.event.is_set()
        of.tick_after(BEGIN_WITHIN_S)
        assert [of_one.answer().code for of_one in (hold, pause)] == ["slow", "slow"]
        assert of.desk.next_mono_s() is None, "nobody waits any more"
        of.desk.tick()
        assert len(hold.answers) == 1
        go_on()
        of.settle()
        of.settle()
        [held] = of.rig.events(Held)
        assert isinstance(held, Held)
        assert held.reason == "too much"
        assert len(of.rig.events(Paused)) == 1
        assert [refused(dose.answer(), "busy") for dose in doses]
        assert by_hand(of) == [], "what was answered busy is never carried out"


def test_a_full_desk_still_shows_the_rig() -> None:
    with Manned(PLAN) as of:
        go_on = of.stuck()
        for _ in range(MOST_OPEN):
            of.later(History())
        assert of.later(Status()).answer().data["running"] is True
        go_on()


# -- everything at once --------------------------------------------------------------------------------------


def test_a_fault_in_an_errand_is_answered_before_the_thread_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    with Manned(PLAN) as of:

        def fault(for_s: float) -> Answer:
            raise Expected("a fault")

        monkeypatch.setattr(of.desk._stops, "pause", fault)
        answer = of.ask(Pause(60.0))
        assert (answer.status, answer.code) == (1, "failed")
        assert answer.text == "This is a fault in dosingd itself: Expected."
        assert of.duty.ended.wait(DEADLINE_S)
        assert of.cut.event.is_set()


@pytest.mark.parametrize("seed", range(3))
def test_in_a_storm_every_request_is_answered_once_and_what_was_answered_busy_was_not_done(seed: int) -> None:
    roomy = plan(limited(ALK, day_ul=400_000, run_s=8_000.0, rise_umol=400_000.0), CA, gap_s=1.0)
    asked: list[tuple[Request, Reply]] = []
    with Manned(roomy) as of:

        def client(number: int) -> None:
            chance = random.Random(seed * 100 + number)
            kinds: list[Callable[[], Request]] = [
                Status,
                lambda: History(limit=5),
                *(3 * [lambda: Dose("alk", 1_000 + number)]),
                lambda: Prime("ca", 300, Into.CUP),
                lambda: Hold(f"client {number}"),
                *(3 * [Release]),
                lambda: Pause(5.0),
                *(2 * [lambda: Pause(None)]),
                Reload,
                lambda: Suspend("ca"),
                lambda: Resume("ca"),
            ]
            for _ in range(60):
                request, reply = chance.choice(kinds)(), Reply()
                asked.append((request, reply))
                of.desk.take(request, reply)
                if chance.random() < 0.1:
                    # Time passes on the turn thread alone; for whoever waits behind it, too much by then.
                    of.duty.post(lambda: of.clock.pass_s(BEGIN_WITHIN_S / 2))
                if chance.random() < 0.7:
                    reply.answer()

        over = threading.Event()

        def control_loop() -> None:
            while not over.wait(0.0005):
                of.desk.tick()

        clients = [threading.Thread(target=client, args=(number,)) for number in range(6)]
        loop = threading.Thread(target=control_loop)
        for thread in (loop, *clients):
            thread.start()
        for thread in clients:
            thread.join(DEADLINE_S)
        answers = [reply.answer() for _, reply in asked]
        of.settle()
        over.set()
        loop.join(DEADLINE_S)
        of.tick_after(60.0)
        assert len(asked) == 360
        assert {len(reply.answers) for _, reply in asked} == {1}
        assert of.desk.next_mono_s() is None
        assert not of.cut.event.is_set()
        doses = [a for (request, _), a in zip(asked, answers, strict=True) if isinstance(request, Dose)]
        done = [a for a in doses if a.code not in ("busy", "stopped")]
        rows = [
            event
            for event in of.rig.events(Reserved, NotGiven)
            if isinstance(event, Reserved | NotGiven) and event.purpose is Purpose.MANUAL
        ]
        assert len(rows) == len(done), "a dose that was answered in another way left no row"
        given = sum(answer.data.get("given_ul", 0) for answer in done)
        assert of.rig.pulse_s("alk") * 100.0 == pytest.approx(given, abs=len(rows))


def test_a_channel_that_the_plan_never_doses_may_be_dosed_by_hand() -> None:
    with Manned(plan(channel("alk", daily=DailyVolume(0), doses=1))) as of:
        assert of.ask(Dose("alk", 1_000)).status == 0


def test_a_reload_says_what_is_not_given_today_because_of_it() -> None:
    morning = Window(LocalSpan(time(0, 0), time(1, 0)), 1.0)
    early = plan(evolve(ALK, when=(morning,)))
    with Manned(plan(ALK)) as of:
        of.live(3 * 3600.0)
        of.file = evolve(early, sha256="11" * 32)
        answer = of.ask(Reload(yes=True))
        assert answer.status == 0
        assert answer.messages[0] == (
            "alk: 21.00 mL that were still to come today have no time left in the new plan. They are booked as missed,"
            " and not made up for."
        )
        assert of.ask(Reload(yes=True)).messages[0].startswith("alk: no refill")
