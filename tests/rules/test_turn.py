"""R1, R3, R4, R5, R11: one dose from due to settled."""

from __future__ import annotations

import pytest
from attrs import evolve

from dosingd.alarms import Kind, alarms
from dosingd.errors import LedgerFailed
from dosingd.gate import Allowed, Reason, ask
from dosingd.limits import plan_loaded
from dosingd.records import (
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
)
from dosingd.recovery import LinesLow, outlived
from tests.builders import ALK, CA, START_AT, Rig, plan, request, scheduled, span

PLAN = plan()


def rig() -> Rig:
    return Rig(PLAN).start()


def settled(of: Rig) -> Settled:
    event = of.events(Settled)[-1]
    assert isinstance(event, Settled)
    return event


def test_the_gate_answers_then_the_row_is_committed_then_the_pump_starts() -> None:
    of = rig()
    del of.journal[:]
    of.turn.run(scheduled())
    row = ["begun", "inserted", "committed", "witnessed"]
    assert of.journal == [*row, "alk on", "alk off", *row]


def test_a_dose_runs_for_its_seconds_and_is_booked() -> None:
    of = rig()
    result = of.turn.run(scheduled())
    assert (result.outcome, result.asked_ul, result.given_ul) == (Outcome.GIVEN, 1_000, 1_000)
    assert of.pulse_s("alk") == pytest.approx(10.0)  # 1 mL at 100 µL/s
    assert (settled(of).given_ul, settled(of).ran_ms, settled(of).change_umol) == (1_000, 10_000, {"alkalinity": 1_000})
    assert of.books.open == {}


def test_a_refused_dose_is_booked_and_moves_no_pump() -> None:
    of = rig()
    result = of.turn.run(scheduled(volume_ul=6_000))
    assert (result.outcome, result.why, result.given_ul) == (Outcome.REFUSED, Reason.DOSE_LIMIT, 0)
    assert of.spans["alk"] == []
    [no] = of.events(NotGiven)
    assert isinstance(no, NotGiven)
    assert (no.asked_ul, no.slot, no.asked_umol) == (6_000, "s1", 6_000)


def test_every_way_in_meets_the_gate() -> None:
    of = rig()
    of.account.write(Held("a test"), of.clock.now())
    for purpose in Purpose:
        for into in Into:
            result = of.turn.run(request(purpose=purpose, into=into, slot=None))
            assert result.why is Reason.HELD
    assert of.spans["alk"] == []


@pytest.mark.parametrize("step", ["begun", "inserted", "committed"])
def test_a_reservation_that_could_not_be_written_moves_no_pump(step: str) -> None:
    of = rig()

    def fail(at: str) -> None:
        if at == step:
            raise OSError("no space left")

    of.at_step = fail
    with pytest.raises(LedgerFailed):
        of.turn.run(scheduled())
    assert "alk on" not in of.journal


def test_a_slot_is_consumed_once() -> None:
    of = rig()
    of.turn.run(scheduled())
    again = of.turn.run(scheduled())
    assert (again.outcome, again.given_ul) == (Outcome.MISSED, 0)
    assert len(of.spans["alk"]) == 1


def test_a_slot_that_was_refused_is_consumed_too() -> None:
    of = rig()
    of.turn.run(scheduled(volume_ul=6_000))
    assert of.turn.run(scheduled()).outcome is Outcome.MISSED
    assert of.turn.run(scheduled(volume_ul=6_000)).outcome is Outcome.MISSED
    assert of.spans["alk"] == []


def test_an_interrupted_dose_is_booked_as_far_as_it_ran() -> None:
    of = rig()

    wait = of.clock.wait_until_mono_s

    def interrupted(mono_s: float, interrupt: object = None) -> bool:
        of.clock.pass_s(4.0)
        return False

    of.clock.wait_until_mono_s = interrupted  # type: ignore[method-assign]
    result = of.turn.run(scheduled())
    of.clock.wait_until_mono_s = wait  # type: ignore[method-assign]
    assert (result.outcome, result.given_ul) == (Outcome.PARTIAL, 400)  # 4 s at 100 µL/s
    assert settled(of).given_ul == 400
    assert not of.pumps["alk"].is_on


def test_a_rig_that_is_being_stopped_asks_reserves_and_misses_nothing() -> None:
    of = rig()
    rows = of.rows()
    of.interrupt.set()
    for purpose in Purpose:
        result = of.turn.run(request(purpose=purpose, slot="s1" if purpose is Purpose.SCHEDULED else None))
        assert (result.outcome, result.given_ul, result.why) == (None, 0, None)
        assert result.reason == "alk: the rig is being stopped."
        assert result.wait_s is not None
    assert of.rows() == rows
    assert "alk on" not in of.journal
    of.interrupt.clear()
    assert of.turn.run(scheduled()).outcome is Outcome.GIVEN, "it may be asked again, its slot is not consumed"


@pytest.mark.parametrize("step", ["begun", "inserted", "committed", "witnessed"])
def test_a_stop_between_the_reservation_and_the_pin_never_drives_the_line_high(step: str) -> None:
    of = rig()

    def stop(at: str) -> None:
        if at == step:
            of.interrupt.set()

    of.at_step = stop
    result = of.turn.run(scheduled())
    assert "alk on" not in of.journal
    assert (result.outcome, result.given_ul, result.reason) == (Outcome.PARTIAL, 0, "interrupted")
    assert (settled(of).outcome, settled(of).given_ul, settled(of).ran_ms) == (Outcome.PARTIAL, 0, 0)
    assert of.books.open == {}
    assert of.turn.leases.current == ()
    assert of.books.level("day:alk", of.books.proven_ms(of.clock.now())) == 10_000, "all of it is given back"


def test_a_scheduled_dose_of_a_suspended_channel_is_missed_with_words() -> None:
    of = rig()
    of.turn.suspended = frozenset({"alk"})
    result = of.turn.run(scheduled())
    assert (result.outcome, result.why) == (Outcome.MISSED, Reason.SESSION)
    [no] = of.events(NotGiven)
    assert isinstance(no, NotGiven)
    assert no.reason == "alk: a session by hand is open, so its dose is left out."
    assert (no.slot, no.asked_umol) == ("s1", 1_000)
    assert of.spans["alk"] == []
    of.turn.suspended = frozenset()
    assert of.turn.run(scheduled()).outcome is Outcome.MISSED, "its slot is consumed"


def test_a_session_leaves_other_channels_and_runs_by_hand_alone() -> None:
    of = rig()
    of.turn.suspended = frozenset({"alk"})
    assert of.turn.run(scheduled("ca", slot="c1")).outcome is Outcome.GIVEN
    of.clock.pass_s(1_200.0)
    for purpose in (Purpose.MANUAL, Purpose.PRIME, Purpose.CALIBRATION):
        assert of.turn.run(request(purpose=purpose, into=Into.CUP)).outcome is Outcome.GIVEN


def test_a_late_wake_up_is_booked_as_what_really_ran() -> None:
    of = rig()

    def late(mono_s: float, interrupt: object = None) -> bool:
        of.clock.pass_s(13.0)
        return True

    of.clock.wait_until_mono_s = late  # type: ignore[method-assign]
    result = of.turn.run(scheduled())
    assert (result.outcome, result.given_ul) == (Outcome.GIVEN, 1_300)
    assert of.books.level("day:alk", of.books.proven_ms(of.clock.now())) <= 10_000 - 1_300 + 5  # 13 s earn 4.5 µL


def test_the_pump_is_driven_low_when_waiting_fails() -> None:
    of = rig()

    def broken(to_s: float) -> None:
        raise RuntimeError("cut")

    of.clock.before_passing = broken
    result = of.turn.run(scheduled())
    assert not of.pumps["alk"].is_on
    assert of.turn.leases.current == ()
    assert (result.outcome, result.given_ul) == (Outcome.PARTIAL, 0)  # on and off in the same instant
    assert of.books.held is not None
    assert "cut" in of.books.held


def test_the_pump_is_on_under_a_lease_that_ends_half_a_second_after_the_run() -> None:
    of = rig()
    seen: list[tuple[float, float]] = []
    on = of.pumps["alk"].on

    def look() -> None:
        [lease] = of.turn.leases.current
        seen.append((lease.from_mono_s, lease.end_mono_s))
        on()

    of.pumps["alk"].on = look  # type: ignore[method-assign]
    start_s = of.clock.mono_s
    of.turn.run(scheduled())
    [(from_s, end_s)] = seen
    assert from_s == start_s
    assert end_s == pytest.approx(start_s + 10.5)
    assert of.turn.leases.current == ()


def test_a_commit_that_took_long_is_followed_by_a_second_look() -> None:
    of = rig()

    def slow(at: str) -> None:
        if at == "committed":
            of.at_step = lambda step: None
            of.clock.pass_s(530.0)  # 530 + 10.5 s are more than 540

    of.at_step = slow
    result = of.turn.run(scheduled())
    assert (result.outcome, result.why) == (Outcome.MISSED, Reason.LONGEST_RUN)
    assert of.spans["alk"] == []
    assert (settled(of).given_ul, settled(of).outcome) == (0, Outcome.MISSED)


def test_a_quiet_time_that_began_during_the_commit_is_kept() -> None:
    of = Rig(plan(quiet=(span("01:00", "02:00"),))).start()
    of.clock.pass_s(3_585.0)  # a run of 10 s would end at 00:59:55

    def slow(at: str) -> None:
        if at == "committed":
            of.at_step = lambda step: None
            of.clock.pass_s(6.0)

    of.at_step = slow
    assert of.turn.run(scheduled()).why is Reason.QUIET
    assert of.spans["alk"] == []


def test_a_short_commit_needs_no_second_look() -> None:
    of = rig()
    of.at_step = lambda at: of.clock.pass_s(1.9) if at == "committed" and "alk on" not in of.journal else None
    assert of.turn.run(scheduled()).outcome is Outcome.GIVEN


def test_a_dose_may_wait_for_the_gap_and_is_not_booked_meanwhile() -> None:
    of = rig()
    of.turn.run(request("ca"))
    of.clock.pass_s(1_000.0)
    result = of.turn.run(scheduled(), may_wait_s=300.0)
    assert result.outcome is None
    assert result.wait_s == pytest.approx(200.0)
    assert of.events(NotGiven) == []
    late = of.turn.run(scheduled(), may_wait_s=199.0)
    assert (late.outcome, late.why) == (Outcome.REFUSED, Reason.APART)


def test_a_manual_dose_does_not_wait() -> None:
    of = rig()
    of.turn.run(request("ca"))
    assert of.turn.run(request("alk")).outcome is Outcome.REFUSED


@pytest.mark.parametrize("event", [Held("a test"), Paused(10**9)])
def test_a_scheduled_dose_is_missed_while_the_rig_stands_still(event: Held | Paused) -> None:
    of = rig()
    of.account.write(event, of.clock.now())
    assert of.turn.run(scheduled()).outcome is Outcome.MISSED
    assert of.turn.run(request()).outcome is Outcome.REFUSED  # an order is refused, not missed


def test_a_hold_drives_every_pump_low_although_one_raises() -> None:
    of = rig()
    for pump in of.pumps.values():
        pump.on()
    of.pumps["alk"].fails_off = True
    of.turn.hold("a leak.")
    assert "ca off" in of.journal
    assert not of.pumps["ca"].is_on
    assert of.books.held is not None
    assert of.books.held.startswith("a leak.")
    assert "alk: the line does not answer" in of.books.held


def test_a_hold_drives_the_pumps_low_before_it_is_written() -> None:
    of = rig()
    of.pumps["alk"].on()
    del of.journal[:]
    of.turn.hold("a leak.")
    assert of.journal.index("alk off") < of.journal.index("begun")


def test_a_hold_survives_a_restart() -> None:
    of = rig()
    of.turn.hold("a leak.")
    of.restart().clock.pass_s(10.0)
    assert of.turn.run(scheduled()).why is Reason.HELD


def _lost_run(*, bench: bool = True) -> Rig:
    """Power is cut 4 s into a run of 10 s."""
    of = Rig(PLAN, bench=bench).start()

    def cut(to_s: float) -> None:
        of.clock.before_passing = None
        of.clock.pass_s(4.0)
        raise KeyboardInterrupt

    of.clock.before_passing = cut
    with pytest.raises(KeyboardInterrupt):
        of.turn.run(scheduled())
    return of


def test_a_restart_books_an_open_run_by_the_time_until_the_line_was_low() -> None:
    of = _lost_run()
    of.clock.pass_s(16.0)  # down at 20 s
    of.restart()
    assert (settled(of).outcome, settled(of).given_ul) == (Outcome.UNKNOWN, 2_000)  # 100 µL/s * 20 s
    assert of.books.open == {}


def test_a_restart_books_an_open_run_by_the_time_until_the_stop_helper_drove_the_line_low() -> None:
    of = _lost_run()
    helper = LinesLow(of.clock.boot_id, of.clock.mono_s + 8.0, frozenset({of.plan.channels["alk"].pump.gpio}))
    of.clock.pass_s(16.0)
    low_ms = of.books.proven_ms(of.clock.now()) - 8_000
    of.restart(helper)
    assert (settled(of).given_ul, settled(of).ran_ms) == (1_200, 12_000)  # 100 µL/s * (4 + 8 s)
    assert of.books.last_end_ms["alk"] >= low_ms, "gaps count from no earlier than the line was low"


def test_a_run_that_was_frozen_past_its_lease_before_its_daemon_was_killed_holds_the_rig() -> None:
    for bench, by_helper, holds in (
        (False, False, True),
        (False, True, True),
        (True, True, True),
        (True, False, False),
    ):
        of = _lost_run(bench=bench)  # 4 s into 10 s
        helper = LinesLow(of.clock.boot_id, of.clock.mono_s + 16.2, frozenset({17})) if by_helper else None
        of.clock.pass_s(21.0)
        of.restart(helper)
        assert (of.books.held is not None) is holds, (bench, by_helper)
        assert of.books.open == {}
        if of.books.held is not None:
            past = "20.2 s" if by_helper else "25.0 s"
            assert f"{past} after the run was booked, past its lease of 10.5 s" in of.books.held
            held, lost = of.rows(Held)[-1], of.rows(Settled)[-1]
            assert held.seq < lost.seq, "a cut between the two must not lose the hold"
            found = alarms(of.plan, of.books, of.clock.now(), None, None)
            assert [one.channel for one in found if one.kind is Kind.PUMP_OUTLIVED] == ["alk"]
            assert of.turn.run(scheduled(slot="s2")).why is Reason.HELD
            of.restart(helper)
            assert len(of.rows(Held)) == 1
            of.account.write(Released("a person"), of.clock.now())
            assert of.restart(helper).books.held is None, "it is told once"


def test_a_rig_that_is_held_already_is_held_for_a_run_that_outlived_its_lease_as_well_and_once() -> None:
    of = _lost_run(bench=False)
    of.account.write(Held("a leak"), of.clock.now())
    helper = LinesLow(of.clock.boot_id, of.clock.mono_s + 16.2, frozenset({17}))
    of.clock.pass_s(60.0)

    row = next(iter(of.books.open.values()))
    why = outlived(row, of.clock.now(), helper, 17, bench=False)
    assert why is not None
    of.account.write(Held(why), of.clock.now())  # and there the start was cut off
    of.restart(helper)
    assert [row.event for row in of.rows(Held)] == [Held("a leak"), Held(why)]
    assert of.books.open == {}
    assert [one.why for one in of.books.causes] == ["a leak", why]


def test_a_run_that_was_cut_off_near_its_end_holds_nothing() -> None:
    of = _lost_run(bench=False)
    helper = LinesLow(of.clock.boot_id, of.clock.mono_s + 15.7, frozenset({17}))  # 9.2 s past the lease
    of.clock.pass_s(60.0)
    assert of.restart(helper).books.held is None


def test_the_stop_helper_is_not_believed_where_the_plan_was_another_when_the_run_began() -> None:
    """A row does not name its line: another plan may have had the channel elsewhere."""
    gpio = PLAN.channels["alk"].pump.gpio
    moved = evolve(PLAN, sha256="moved")
    for between in ([moved], [moved, PLAN], []):
        of = _lost_run()
        for loaded in between:
            of.account.write(plan_loaded(loaded, START_AT), of.clock.now())
        helper = LinesLow(of.clock.boot_id, of.clock.mono_s + 8.0, frozenset({gpio}))
        of.clock.pass_s(16.0)
        of.plan = between[-1] if between else moved
        of.restart(helper)
        assert settled(of).given_ul == 2_000, between  # until the start


def test_a_reboot_books_the_worst_of_one_fault() -> None:
    of = _lost_run()
    of.clock.reboot(5.0)
    of.restart()
    assert settled(of).given_ul == 10_050  # 100 µL/s * (10.5 + 90 s)


def test_a_lost_run_is_never_repeated() -> None:
    of = _lost_run()
    of.restart()
    assert of.turn.run(scheduled()).outcome is Outcome.MISSED
    assert len(of.spans["alk"]) == 1


def test_recovery_comes_before_the_first_row_of_a_start() -> None:
    of = _lost_run()
    of.restart()
    kinds = [type(row.event).__name__ for row in of.account.book.rows()]
    assert kinds[-2:] == ["Settled", "Started"]
    assert kinds.count("PlanLoaded") == 1
    assert len(of.events(PlanLoaded, Reserved)) == 2


def test_the_gate_is_asked_with_the_reading_of_the_turn() -> None:
    of = Rig(plan(ALK, CA)).start()
    given = ask(of.plan, of.books, request(), of.clock.now(), trusted=True)
    assert isinstance(given, Allowed)
    assert given.asked_mono_s == of.clock.mono_s
