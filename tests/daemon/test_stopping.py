"""A stop whose line does not go low, a release after it, and a ledger that broke: what the desk says and does. R1, R3,
R11."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from dosingd.alarms import Kind
from dosingd.cli.status import text_of
from dosingd.daemon.wiring import status_line
from dosingd.errands import BEGIN_WITHIN_S
from dosingd.errors import PinsFailed
from dosingd.plan.model import Plan
from dosingd.records import ClockConfirmed, Outcome, Paused, Released, Settled
from dosingd.requests import Dose, Hold, Identify, Pause, Release, Reload, Status
from dosingd.statusdata import status_data
from tests.builders import ALK, plan
from tests.daemon.manned import Manned

PLAN = plan()
ONE = plan(ALK)
MIN = 60.0


def stick(of: Manned, name: str = "alk") -> None:
    """The line is high, and does not answer any more."""
    pump = of.rig.turn.pumps[name]
    pump.on()
    of.rig.pumps[name].fails_off = True


# -- a line that does not go low -----------------------------------------------------------------------------


def test_a_hold_whose_line_stays_high_says_that_a_pump_may_still_run() -> None:
    with Manned(PLAN) as of:
        stick(of)
        answer = of.ask(Hold("a leak."))
        assert (answer.status, answer.code) == (1, "pins")
        assert answer.text is not None
        assert answer.text.startswith("The rig is held, but a pump may still run: alk: ")
        assert answer.text.endswith("Switch the pumps' supply off now.")
        assert of.rig.books.held is not None
        again = of.ask(Hold("another"))
        assert again.code == "pins", "a rig that was held already says it as well"
        assert of.ask(Status()).data["held"] is True


def test_a_hold_that_can_neither_be_booked_nor_drive_its_line_low_says_both() -> None:
    with Manned(PLAN) as of:
        stick(of)
        of.break_ledger()
        answer = of.ask(Hold("a leak."))
        assert (answer.status, answer.code) == (1, "ledger")
        assert answer.text is not None
        assert "a pump may still run: alk: the line does not answer. Switch the pumps' supply off now." in answer.text
        assert "held could not be written" in answer.text


def test_a_swap_check_that_holds_says_it_too() -> None:
    with Manned(PLAN) as of:
        stick(of)
        answer = of.ask(Identify({"alk": ("ca", "ca"), "ca": ("alk", "alk")}))
        assert (answer.status, answer.code) == (1, "swapped")
        assert answer.text is not None
        assert answer.text.startswith("A pump may still run: alk: ")


def test_a_pause_whose_line_stays_high_says_that_a_pump_may_still_run() -> None:
    with Manned(PLAN) as of:
        stick(of)
        answer = of.ask(Pause(600.0))
        assert (answer.status, answer.code) == (1, "pins")
        assert answer.text is not None
        assert answer.text.startswith("The rig is paused, but a pump may still run: alk: ")
        assert len(of.rig.events(Paused)) == 1


@pytest.mark.parametrize("request_", [Hold("a leak."), Pause(600.0)], ids=["hold", "pause"])
def test_a_stop_that_is_answered_late_claims_no_more_than_the_lines_say(request_: Hold | Pause) -> None:
    with Manned(PLAN) as of:
        of.rig.turn.pumps["alk"].on()
        go_on = of.stuck()
        late = of.later(request_)
        of.tick_after(BEGIN_WITHIN_S)
        answer = late.answer()
        go_on()
        assert (answer.status, answer.code) == (1, "pins")
        assert answer.text == (
            "The rig is being stopped, but a pump may still run: alk. Switch the pumps' supply off now. It is not"
            " booked yet: the disk is slow. To see it: dosingd status"
        )


def test_a_line_that_cannot_be_read_is_not_called_low(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: object) -> bool:
        raise PinsFailed("no answer")

    with Manned(PLAN) as of:
        assert of.rig.turn.lines_not_low() == []
        with monkeypatch.context() as patched:
            patched.setattr(type(of.rig.turn.pumps["alk"]), "is_on", property(broken))
            assert of.rig.turn.lines_not_low() == ["alk", "ca"]


# -- release after a broken line -----------------------------------------------------------------------------


def test_a_release_after_a_line_was_mended_books_the_open_run_until_then_and_doses_again() -> None:
    with Manned(ONE) as of:
        of.rig.pumps["alk"].fails_off = True
        lost = of.ask(Dose("alk", 1_000))
        assert lost.code == str(Outcome.UNKNOWN)
        assert len(of.rig.books.open) == 1
        of.clock.pass_s(50.0)
        of.rig.pumps["alk"].fails_off = False
        answer = of.ask(Release())
        assert answer.status == 0
        assert of.rig.books.open == {}
        [settled] = of.rig.events(Settled)
        assert isinstance(settled, Settled)
        # 10 s of the run and 50 s on the broken line, at 100 µL/s.
        assert (settled.outcome, settled.given_ul) == (Outcome.UNKNOWN, 6_000)
        kinds = [type(event) for event in of.rig.events(Settled, Released)]
        assert kinds == [Settled, Released], "the run is booked before anything may dose"
        said = str(answer.data["message"])
        assert said.startswith("alk: up to 6.00 mL may have gone in; every limit counts them. The rig doses again.")
        assert of.ask(Dose("alk", 1_000)).status == 0


def test_a_release_with_a_line_that_still_reads_high_is_refused_and_names_it() -> None:
    with Manned(ONE) as of:
        of.rig.pumps["alk"].fails_off = True
        of.ask(Dose("alk", 1_000))
        answer = of.ask(Release(clock=True))
        assert (answer.status, answer.code) == (2, "pins")
        assert answer.text is not None
        assert answer.text.startswith("The rig stays held, for a pump may still run: alk: ")
        assert "Switch the pumps' supply off, mend the switch, then restart the daemon." in answer.text
        assert of.rig.books.held is not None
        assert len(of.rig.books.open) == 1
        assert of.rig.events(Released, ClockConfirmed, Settled) == []


def test_a_release_reads_a_line_back_that_took_the_order_and_stayed_high(monkeypatch: pytest.MonkeyPatch) -> None:
    with Manned(ONE) as of:
        of.ask(Hold("a leak."))
        with monkeypatch.context() as patched:
            patched.setattr(type(of.rig.turn.pumps["alk"]), "is_on", property(lambda _: True))
            assert of.ask(Release()).code == "pins"
        assert of.rig.books.held is not None
        assert of.ask(Release()).status == 0


# -- a ledger that broke -------------------------------------------------------------------------------------


def broken(of: Manned) -> None:
    of.break_ledger()
    of.ask(Dose("alk", 1_000))
    of.settle()
    assert of.duty.ledger_fault is not None


def test_with_a_broken_ledger_no_screen_says_that_it_doses() -> None:
    with Manned(ONE) as of:
        assert of.state().channels["alk"].next_dose_at is not None
        assert of.state().stopped is None
        broken(of)
        state = of.state()
        assert state.stopped == of.duty.ledger_fault
        assert (state.channels["alk"].next_dose_at, state.channels["alk"].waiting_for) == (None, "a sound ledger")
        data = status_data(state, running=True)
        assert data["stopped"] == of.duty.ledger_fault
        first = text_of(data).split("\n\n")[0]
        assert "STOPPED: no pump runs." in first
        assert "dosing as" not in first
        assert "dosing," not in first
        assert status_line(state, ZoneInfo("UTC")).startswith("no pump runs: ")
        assert Kind.NO_LEDGER in [alarm.kind for alarm in state.alarms]


def test_a_release_with_a_broken_ledger_is_refused_in_words() -> None:
    with Manned(ONE) as of:
        broken(of)
        answer = of.ask(Release())
        assert (answer.status, answer.code) == (2, "ledger")
        assert answer.text is not None
        assert answer.text.startswith("No pump runs: ")
        assert answer.text.endswith("no release helps: mend the disk, then start dosingd again.")


def test_a_reload_with_a_broken_ledger_is_refused_before_anything_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    brought: list[Plan] = []
    with Manned(ONE) as of:
        monkeypatch.setattr(of.desk, "_bring", brought.append)
        broken(of)
        answer = of.ask(Reload(yes=True))
        assert (answer.status, answer.code) == (2, "ledger")
        assert answer.text is not None
        assert "The running plan stays in force" in answer.text
        assert brought == []
