"""The turn thread: rounds, posts between them, sessions by hand, and what it tells others. R3, R13."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta
from itertools import pairwise

import pytest
from attrs import evolve

from dosingd import __version__
from dosingd.alarms import Kind
from dosingd.duty import FRESH_STATE_S, SESSION_S
from dosingd.gate import Reason
from dosingd.plan.model import DailyVolume
from dosingd.records import Held, NotGiven, Outcome, Reserved, Settled, Stamp, Started
from dosingd.recovery import LinesLow
from dosingd.requests import Dose, History, Hold, Status
from dosingd.rounds import Rounds
from tests.builders import ALK, START_AT, TODAY, channel, plan, request
from tests.daemon.manned import DEADLINE_S, Expected, Manned

#: 1 mL of alkalinity at half past each hour.
PLAN = plan(ALK)
#: Both, without a gap between them, so that one's doses go on while the other stands still.
BOTH = plan(ALK, channel("ca", "chloride", DailyVolume(24_000), rise_umol=20_000.0), gap_s=0.0)
MIN = 60.0


def kinds(of: Manned) -> list[Kind]:
    return [alarm.kind for alarm in of.state().alarms]


# -- rounds and posts ----------------------------------------------------------------------------------------


def test_a_day_s_doses_come_by_the_instants_it_asks_to_be_woken_at() -> None:
    with Manned(PLAN) as of:
        of.live(4 * 3600.0)
    assert [round(start) for start, _ in of.rig.spans["alk"]] == [1800, 5400, 9000, 12600]


def test_the_next_instant_is_aware_and_in_utc_and_a_minute_ahead_at_most() -> None:
    with Manned(PLAN) as of:
        of.live(40 * MIN)
        assert of.wakes
        assert all(at.utcoffset() == timedelta(0) for at in of.wakes)
        assert of.wakes[0] == START_AT + timedelta(seconds=FRESH_STATE_S)
        assert START_AT + timedelta(minutes=30) in of.wakes, "a due dose wakes to the very second"


def test_posts_are_done_between_two_runs_and_never_during_one() -> None:
    with Manned(PLAN) as of:
        first = of.running(Dose("alk", 1_000))
        seen: list[bool] = []
        of.duty.post(lambda: seen.append(of.rig.pumps["alk"].is_on))
        of.duty.wake()
        assert of.rig.pumps["alk"].is_on
        assert seen == []
        of.clock.go_on.set()
        assert first.answer().status == 0
        of.settle()
        assert seen == [False]


def test_posts_are_done_in_their_order() -> None:
    with Manned(PLAN) as of:
        done: list[int] = []
        for number in range(100):
            of.duty.post(lambda number=number: done.append(number))  # type: ignore[misc]
        of.settle()
        assert done == list(range(100))


def test_many_wakes_before_a_round_make_one() -> None:
    with Manned(PLAN) as of:
        go_on = of.stuck()
        before = len(of.wakes)
        for _ in range(1000):
            of.duty.wake()
        assert of.duty._posts.qsize() == 1, "a thread that hangs for hours costs no memory"
        go_on()
        of.settle()
        assert len(of.wakes) - before <= 2, "the round after the post, and one more at most"


def test_a_wake_makes_a_round() -> None:
    with Manned(PLAN) as of:
        of.settle()
        before = len(of.wakes)
        of.duty.wake()
        with of._round_made:
            assert of._round_made.wait_for(lambda: len(of.wakes) > before, DEADLINE_S)


def test_a_due_dose_comes_before_any_number_of_posts() -> None:
    with Manned(PLAN) as of:
        over = threading.Event()

        def again() -> None:
            of.clock.pass_s(10.0)
            if not over.is_set():
                of.duty.post(again)

        of.duty.post(again)
        of.duty.post(again)
        with of._round_made:
            came = of._round_made.wait_for(lambda: bool(of.rig.spans["alk"]), DEADLINE_S)
        over.set()
        assert came, "posts without end kept the rig from dosing"
        assert 1800.0 <= of.rig.spans["alk"][0][0] <= 1830.0


def test_it_gives_signs_of_life_and_says_when_the_next_round_is() -> None:
    with Manned(PLAN) as of:
        of.live(90.0)
        assert of.duty.alive_mono_s == of.clock.mono_s
        of.live(1800.0 - 90.0 - 30.0)
        assert of.duty.next_mono_s == pytest.approx(1000.0 + 1800.0)


def test_stop_ends_the_thread_after_the_run_and_rings() -> None:
    with Manned(PLAN) as of:
        first = of.running(Dose("alk", 1_000))
        of.duty.stop()
        assert not of.duty.ended.is_set()
        rung = of.rung
        of.clock.go_on.set()
        assert of.duty.ended.wait(DEADLINE_S)
        of.duty.thread.join(DEADLINE_S)
        assert of.rung > rung
        assert first.answer().status == 0
        assert of.duty.fault is None


def test_at_a_start_an_open_run_is_booked_to_when_the_line_was_low() -> None:
    of = Manned(PLAN)
    of.rig.start()
    lost = of.rig.rounds.account.write(
        Reserved("alk", request().purpose, request().into, 1_000, 1_050, 10_000, 10_500, 100.0, {"alkalinity": 1_050}),
        of.clock.now(),
    )
    of.clock.pass_s(20.0)
    of.duty._low = of.clock.now()
    of.clock.pass_s(300.0)  # what was imported meanwhile is no time that the pump was on
    with of:
        [settled] = of.rig.events(Settled)
    assert isinstance(settled, Settled)
    assert (settled.reservation, settled.outcome, settled.given_ul) == (lost.seq, Outcome.UNKNOWN, 2_000)
    assert len(of.rig.rows(Started)) == 2
    at = [row.reading.mono_s for row in of.rig.rows()]
    assert at == sorted(at), "a row with an older reading than the one before it would earn the same time again"


def test_at_a_start_an_open_run_is_booked_to_when_the_stop_helper_drove_the_line_low() -> None:
    of = Manned(PLAN)
    of.rig.start()
    of.rig.rounds.account.write(
        Reserved("alk", request().purpose, request().into, 1_000, 1_050, 10_000, 10_500, 100.0, {"alkalinity": 1_050}),
        of.clock.now(),
    )
    of.duty._helper = LinesLow(of.clock.boot_id, of.clock.mono_s + 15.0, frozenset({PLAN.channels["alk"].pump.gpio}))
    of.clock.pass_s(20.0)
    of.duty._low = of.clock.now()
    with of:
        [settled] = of.rig.events(Settled)
    assert isinstance(settled, Settled)
    assert (settled.outcome, settled.given_ul) == (Outcome.UNKNOWN, 1_500)


# -- R3: no ledger, no dose ----------------------------------------------------------------------------------


def test_a_round_that_cannot_write_stops_every_pump_for_good() -> None:
    with Manned(PLAN) as of:
        of.live(29 * MIN)
        of.break_ledger()
        of.live(2 * MIN)  # the reservation of 00:30 fails
        assert of.cut.event.is_set()
        assert of.duty.ledger_fault is not None
        assert of.rig.spans["alk"] == []
        assert not any(pump.is_on for pump in of.rig.pumps.values())
        errors = [text for priority, text in of.said if priority == "error" and "reservoir-unknown" not in text]
        assert [text[:22] for text in errors] == ["No pump runs any more:", "ALARM, no-ledger: No p"]
        assert errors[0].startswith("No pump runs any more: alk: 1.050 mL could not be booked")
        of.rig.at_step = lambda step: None  # a disk with room again is no person who has looked
        assert of.ask(Dose("alk", 1_000)).code == "ledger"
        assert "Nothing was pumped" in (of.ask(Dose("alk", 1_000)).text or "")
        assert of.ask(Hold("a leak.")).code == "ledger", "said once, however often it fails"
        of.live(4 * 3600.0)
        assert of.rig.spans["alk"] == []
        later = [text for priority, text in of.said if priority == "error" and "reservoir-unknown" not in text][2:]
        assert [text[:29] for text in later] == ["ALARM still, for 60 min, no-l", "ALARM still, for 4 h, no-ledg"]


def test_a_ledger_that_fails_drives_every_line_low() -> None:
    with Manned(plan()) as of:
        for pump in of.rig.pumps.values():
            pump.on()
        of.break_ledger()
        of.write(Stamp())
        assert not any(pump.is_on for pump in of.rig.pumps.values())
        assert of.duty.ledger_fault is not None
        del of.rig.journal[:]
        of.rig.turn.run(request())
        assert of.rig.journal == [], "the cut stands: nothing is even asked"


def test_the_alarm_of_a_failed_ledger_is_in_the_very_next_state() -> None:
    with Manned(PLAN) as of:
        of.live(29 * MIN)
        of.break_ledger()
        failed = len(of.shown)
        of.live(MIN)
        assert len(of.shown) > failed
        assert all(Kind.NO_LEDGER in [alarm.kind for alarm in state.alarms] for state in of.shown[failed:])
        assert of.duty.ledger_fault is not None
        [alarm] = [alarm for alarm in of.state().alarms if alarm.kind is Kind.NO_LEDGER]
        assert alarm.text.startswith("No pump runs: the ledger cannot be written.")
        assert alarm.since == START_AT + timedelta(minutes=30)
        of.live(10 * MIN)
        assert Kind.NO_LEDGER in kinds(of)


def test_states_are_shown_on_with_a_failed_ledger() -> None:
    with Manned(PLAN) as of:
        of.break_ledger()
        of.live(11 * MIN)  # the stamp fails
        shown = len(of.shown)
        of.live(10 * MIN)
        assert len(of.shown) >= shown + 9


def test_a_ledger_that_fails_at_the_start_doses_nothing() -> None:
    of = Manned(PLAN)
    of.break_ledger()
    with of:
        assert of.cut.event.is_set()
        of.live(3600.0)
        assert of.rig.spans["alk"] == []
        assert Kind.NO_LEDGER in kinds(of)


def test_a_post_that_cannot_write_stops_every_pump_too() -> None:
    with Manned(PLAN) as of:
        of.break_ledger()
        answer = of.ask(Dose("alk", 1_000))
        assert (answer.status, answer.code) == (1, "ledger")
        of.settle()
        assert of.rig.spans["alk"] == []
        assert Kind.NO_LEDGER in kinds(of)
        of.live(3600.0)
        assert of.rig.spans["alk"] == []


# -- a fault of the program ----------------------------------------------------------------------------------


def test_a_fault_in_the_thread_cuts_drives_low_ends_and_rings() -> None:
    with Manned(plan()) as of:
        for pump in of.rig.pumps.values():
            pump.on()
        rung = of.rung

        def fault() -> None:
            raise Expected("a fault")

        of.duty.post(fault)
        assert of.duty.ended.wait(DEADLINE_S)
        of.duty.thread.join(DEADLINE_S)
        assert isinstance(of.duty.fault, Expected)
        assert of.cut.event.is_set()
        assert not any(pump.is_on for pump in of.rig.pumps.values())
        assert of.rung > rung


def test_a_fault_in_the_first_round_is_no_begin_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    def fault(self: Rounds) -> float:
        raise Expected("a fault")

    of = Manned(PLAN)

    class Begun(threading.Event):
        def set(self) -> None:
            seen.append(of.duty.ended.is_set() and of.duty.fault is not None)
            super().set()

    seen: list[bool] = []
    of.duty.begun = Begun()
    monkeypatch.setattr(Rounds, "make", fault)
    with of:
        pass
    assert seen == [True], "nobody reports a rig that never dosed as ready"


# -- sessions by hand ----------------------------------------------------------------------------------------


def _suspend(of: Manned, name: str = "alk") -> None:
    of.duty.post(lambda: of.duty.touch(name, open_=True))
    of.settle()


def test_a_session_leaves_out_the_channel_s_doses_and_no_other_channel_s() -> None:
    with Manned(BOTH) as of:
        of.live(25 * MIN)
        _suspend(of)
        of.live(10 * MIN)
        assert of.rig.spans["alk"] == []
        assert len(of.rig.spans["ca"]) == 1
        [no] = of.rig.events(NotGiven)
        assert isinstance(no, NotGiven)
        assert (no.channel, no.outcome) == ("alk", Outcome.MISSED)
        assert no.reason == "alk: a session by hand is open, so its dose is left out."
        assert no.facts == {"why": str(Reason.SESSION)}
        assert of.rig.books.account(TODAY, "alk").missed_ul == 1_000


def test_a_session_is_in_the_state_as_what_the_channel_waits_for() -> None:
    with Manned(BOTH) as of:
        _suspend(of)
        assert of.state().channels["alk"].waiting_for == "end of the session by hand"
        assert of.state().channels["ca"].waiting_for is None
        of.duty.post(lambda: of.duty.touch("alk", open_=False))
        of.settle()
        assert of.state().channels["alk"].waiting_for is None


def test_a_session_without_input_for_half_an_hour_ends_with_an_alarm() -> None:
    with Manned(BOTH) as of:
        _suspend(of)
        of.live(SESSION_S - 1.0)
        assert of.state().channels["alk"].waiting_for is not None
        assert Kind.INPUT_WANTED not in kinds(of)
        of.live(MIN + 1.0)
        assert of.state().channels["alk"].waiting_for is None
        [alarm] = [alarm for alarm in of.state().alarms if alarm.kind is Kind.INPUT_WANTED]
        assert (alarm.channel, alarm.next_step) == ("alk", "dosingd prime alk --into cup")
        assert alarm.text.startswith("alk: a session by hand was left open for 30 min and has ended.")
        said = "alk: the session by hand was left open and has ended; it doses again."
        assert of.said.count(("warning", said)) == 1
        of.live(3600.0)
        assert len(of.rig.spans["alk"]) == 1, "it doses again at 01:30"


@pytest.mark.parametrize("open_", [None, True, False])
def test_the_alarm_of_a_left_session_ends_with_the_next_input(open_: bool | None) -> None:
    with Manned(BOTH) as of:
        _suspend(of)
        of.live(SESSION_S + MIN)
        assert Kind.INPUT_WANTED in kinds(of)
        of.duty.post(lambda: of.duty.touch("alk", open_=open_))
        of.settle()
        assert Kind.INPUT_WANTED not in kinds(of)
        assert ("alk" in of.duty.sessions) is (open_ is True)


def test_input_keeps_a_session_open() -> None:
    with Manned(BOTH) as of:
        _suspend(of)
        for _ in range(4):
            of.live(25 * MIN)
            of.duty.post(lambda: of.duty.touch("alk"))
            of.settle()
        assert of.state().channels["alk"].waiting_for is not None
        assert of.rig.spans["alk"] == []


def test_a_session_ends_two_hours_after_it_was_opened_whatever_input_comes() -> None:
    with Manned(BOTH) as of:
        _suspend(of)
        for minutes in (25, 25, 25, 25, 19):
            of.live(minutes * MIN)
            of.duty.post(lambda: of.duty.touch("alk", open_=True))
            of.settle()
        assert "alk" in of.duty.sessions
        of.live(2 * MIN)
        assert of.duty.sessions == {}
        [alarm] = [alarm for alarm in of.state().alarms if alarm.kind is Kind.INPUT_WANTED]
        assert alarm.text.startswith("alk: a session by hand was open for 2 h and has ended.")
        said = "alk: the session by hand was open for 2 h and has ended; it doses again."
        assert of.said.count(("warning", said)) == 1
        _suspend(of)
        of.live(20 * MIN)
        assert "alk" in of.duty.sessions, "the next one has its own two hours"


def test_input_alone_opens_no_session() -> None:
    with Manned(BOTH) as of:
        of.duty.post(lambda: of.duty.touch("alk"))
        of.settle()
        assert of.duty.sessions == {}


def test_a_clock_that_is_set_neither_ends_nor_lengthens_a_session() -> None:
    with Manned(BOTH) as of:
        _suspend(of)
        of.clock.set_wall(3600.0)
        of.live(SESSION_S - 1.0)
        assert "alk" in of.duty.sessions
        of.clock.set_wall(-7200.0)
        of.live(MIN + 1.0)
        assert of.duty.sessions == {}


def test_the_alarm_of_a_session_goes_with_its_channel() -> None:
    with Manned(BOTH) as of:
        _suspend(of)
        of.live(SESSION_S + MIN)
        assert Kind.INPUT_WANTED in kinds(of)
        of.duty.post(lambda: of._bring(evolve(BOTH, channels={"ca": BOTH.channels["ca"]}, apart=())))
        of.settle()
        assert Kind.INPUT_WANTED not in kinds(of), "nobody could end it any more"


# -- what others are told ------------------------------------------------------------------------------------


def test_every_row_but_a_reservation_is_told_with_what_it_settles() -> None:
    of = Manned(plan())
    made = len(of.rig.rows())
    with of:
        of.live(3600.0)
        of.ask(Dose("alk", 6_000))  # refused
        of.duty.post(lambda: of.duty.hold("a leak.", "hold"))
        of.settle()
        rows = of.rig.rows()[made:]
    assert [row.seq for row, _ in of.told] == [row.seq for row in rows if not isinstance(row.event, Reserved)]
    for row, reserved in of.told:
        if isinstance(row.event, Settled):
            assert reserved is not None
            assert reserved.seq == row.event.reservation
            assert isinstance(reserved.event, Reserved)
        else:
            assert reserved is None
    assert {Settled, NotGiven, Held, Started} <= {type(row.event) for row, _ in of.told}


def test_every_event_is_one_line_of_the_log_in_words() -> None:
    with Manned(PLAN) as of:
        of.live(31 * MIN)
        of.ask(Dose("alk", 6_000))
    assert ("info", "alk: 1.00 mL given, as planned") in of.said
    assert [priority for priority, text in of.said if text.startswith("alk: 6.00 mL refused by hand")] == ["warning"]
    assert len([1 for _, text in of.said if "1.00 mL" in text]) == 1


def test_a_state_is_shown_after_every_round_and_at_least_each_minute() -> None:
    with Manned(PLAN) as of:
        of.live(10 * MIN)
        at = [state.at.mono_s for state in of.shown]
        assert max(later - earlier for earlier, later in pairwise(at)) <= FRESH_STATE_S
        assert of.duty.state is of.state()


def test_the_state_says_which_program_and_plan_since_when() -> None:
    with Manned(PLAN) as of:
        of.live(40 * MIN)
        state = of.state()
    assert (state.version, state.started_at, state.plan_sha256) == (__version__, START_AT, "00" * 32)
    assert (state.clock_trusted, state.clock_source, state.held) == (True, "network", False)
    one = state.channels["alk"]
    assert one.next_dose_at == START_AT + timedelta(minutes=90)
    assert one.given_today_ul == 1_000


# -- R13: what only tells ends no dosing ----------------------------------------------------------------------


def _said_once(of: Manned, what: str) -> None:
    faults = [text for priority, text in of.said if priority == "error" and text.startswith(f"{what}: this is a fault")]
    assert faults == [f"{what}: this is a fault in dosingd itself: Expected: a fault. The doses go on without."]


def _fault(*_: object, **__: object) -> None:
    raise Expected("a fault")


@pytest.mark.parametrize(
    ("part", "what"),
    [
        ("_show", "the broker and the service manager"),
        ("_row_told", "a row of the ledger"),
        ("_look_at_alarms", "the rig's state"),
    ],
)
def test_a_fault_in_what_only_tells_ends_no_dosing_and_is_said_once(
    part: str, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Manned(PLAN) as of:
        monkeypatch.setattr(of.duty, part, _fault)
        of.live(2.6 * 3600.0)
        assert [round(start) for start, _ in of.rig.spans["alk"]] == [1800, 5400, 9000]
        assert of.duty.fault is None
        _said_once(of, what)


def test_a_fault_in_the_wake_up_ends_no_dosing(monkeypatch: pytest.MonkeyPatch) -> None:
    with Manned(PLAN) as of:
        wake_at = of.duty._wake_at

        def fails(at: datetime) -> None:
            wake_at(at)
            raise Expected("a fault")

        monkeypatch.setattr(of.duty, "_wake_at", fails)
        of.live(40 * MIN)
        assert len(of.rig.spans["alk"]) == 1
        _said_once(of, "the wake-up")


def test_a_log_that_fails_as_well_ends_no_dosing(monkeypatch: pytest.MonkeyPatch) -> None:
    with Manned(PLAN) as of:
        monkeypatch.setattr(of.duty, "_show", _fault)
        monkeypatch.setattr(of.duty, "_say", _fault)
        of.live(40 * MIN)
        assert len(of.rig.spans["alk"]) == 1


def test_status_and_history_that_fail_are_answered_and_end_no_dosing(monkeypatch: pytest.MonkeyPatch) -> None:
    with Manned(PLAN) as of:
        monkeypatch.setattr(of.desk, "_history", _fault)
        answer = of.ask(History())
        assert (answer.status, answer.code) == (1, "failed")
        with monkeypatch.context() as patched:
            patched.setattr(of.duty, "_look_at_alarms", _fault)
            answer = of.ask(Status())
            assert (answer.status, answer.code) == (1, "failed")
            assert answer.text == "The rig's state could not be made; the log says why. The doses go on."
        assert of.ask(Status()).status == 0
        of.live(40 * MIN)
        assert len(of.rig.spans["alk"]) == 1
        _said_once(of, "an answer")


# -- before the first round ----------------------------------------------------------------------------------


def test_everything_is_open_and_told_before_the_first_dose_may_begin() -> None:
    of = Manned(PLAN, start_at=START_AT + timedelta(minutes=29, seconds=59))
    go_on = threading.Event()

    def wait() -> None:
        opened.append((of.duty.opened.is_set(), len(of.shown), len(of.rig.events(Started))))
        of.clock.pass_s(2.0)  # the dose of 00:30 is due by now
        assert go_on.wait(DEADLINE_S)

    opened: list[tuple[bool, int, int]] = []
    of.duty._wait_to_begin = wait
    of.duty.thread.start()
    assert of.duty.opened.wait(DEADLINE_S)
    assert of.rung == 1, "the control loop is woken to say READY"
    assert not of.duty.begun.wait(0.05)
    assert of.rig.spans["alk"] == []
    go_on.set()
    assert of.duty.begun.wait(DEADLINE_S)
    assert opened == [(True, 1, 1)]
    assert len(of.rig.spans["alk"]) == 1
    of.duty.stop()
    of.duty.thread.join(DEADLINE_S)


def test_a_start_that_fails_is_never_open(monkeypatch: pytest.MonkeyPatch) -> None:
    def fault(self: Rounds, *_: object, **__: object) -> None:
        raise Expected("a fault")

    monkeypatch.setattr(Rounds, "start", fault)
    with Manned(PLAN) as of:
        assert of.duty.ended.wait(DEADLINE_S)
        assert not of.duty.opened.is_set(), "nobody says READY"
