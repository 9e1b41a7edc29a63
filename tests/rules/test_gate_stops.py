"""R4: what stops every run, whatever its volume; and the second look before the pump starts."""

from __future__ import annotations

import pytest
from attrs import evolve

from dosingd.causes import MOST_CAUSES
from dosingd.gate import Allowed, Reason, Refused, Request, ask, still_good
from dosingd.plan.model import Plan
from dosingd.records import Held, Into, Paused, Purpose, Reading, Released
from tests.builders import ALK, CA, Story, channel, plan, reading, request, scheduled, span

PLAN = plan()


def answer(story: Story, what: Request, *, trusted: bool = True, at: Reading | None = None) -> Allowed | Refused:
    return ask(story.plan, story.books, what, story.now if at is None else at, trusted=trusted)


def reason(story: Story, what: Request, *, trusted: bool = True) -> Reason | None:
    given = answer(story, what, trusted=trusted)
    return given.reason if isinstance(given, Refused) else None


def test_a_healthy_dose_is_allowed_with_its_reservation() -> None:
    given = answer(Story(PLAN), scheduled())
    assert isinstance(given, Allowed)
    assert (given.run_s, given.lease_s) == (10.0, 10.5)  # 1 mL at 100 µL/s, and half a second
    reserved = given.reserved
    assert (reserved.asked_ul, reserved.reserved_ul) == (1_000, 1_050)
    assert (reserved.run_ms, reserved.lease_ms) == (10_000, 10_500)
    assert reserved.change_umol == {"alkalinity": 1_050}  # 1 µeq/µL
    assert reserved.asked_umol == 1_000
    assert (reserved.slot, reserved.day, reserved.purpose, reserved.into) == (
        "s1",
        scheduled().day,
        Purpose.SCHEDULED,
        Into.TANK,
    )


def test_a_channel_that_the_plan_does_not_know_is_refused() -> None:
    assert reason(Story(PLAN), request("nobody")) is Reason.CHANNEL


def test_a_channel_that_the_ledger_never_loaded_is_refused() -> None:
    story = Story(plan(ALK))
    assert isinstance(ask(PLAN, story.books, request("ca"), story.now, trusted=True), Refused)
    story.books.plan = None
    assert reason(story, request("alk")) is Reason.CHANNEL


def test_a_held_rig_refuses_until_it_is_released() -> None:
    story = Story(PLAN)
    story.tell(Held("a test"))
    assert reason(story, request()) is Reason.HELD
    story.tell(Released("a person"))
    assert reason(story, request()) is None


def test_every_cause_of_a_hold_is_kept_the_first_one_first() -> None:
    story = Story(PLAN)
    story.tell(Held("first."))
    assert story.books.held == "first."
    story.at(5).tell(Held("second"))
    story.tell(Held("first."))
    assert story.books.held == "first; and besides: second"
    assert story.books.held_since_at == reading(0).wall_at
    story.tell(Released("a person"))
    assert story.books.held is None


def test_the_end_of_one_cause_is_not_the_end_of_another() -> None:
    story = Story(PLAN)
    for why in ("first", "second", "third"):
        story.tell(Held(why))
    story.tell(Released("a person", "first"))
    story.tell(Released("a person", "never was"))
    assert story.books.held == "second; and besides: third"
    story.tell(Released("a person", "second"))
    assert story.books.held == "third"
    story.tell(Released("a person", "third"))
    assert story.books.held is None


def test_so_many_causes_are_kept_and_the_rest_is_counted() -> None:
    story = Story(PLAN)
    for number in range(MOST_CAUSES + 3):
        story.tell(Held(f"cause {number}"))
    assert len(story.books.causes) == MOST_CAUSES
    assert (
        story.books.held
        == f"cause 0; and besides: cause 1; and besides: cause 2; and besides: cause 3; and {MOST_CAUSES - 1} more"
    )
    assert story.books.held_for("another"), "so many that another row tells nothing"


def test_a_machine_s_cause_is_told_before_what_people_typed() -> None:
    story = Story(PLAN)
    for why in (*(f"cause {number}" for number in range(7)), "alk: its line still reads high"):
        story.tell(Held(why))
    assert (story.books.held or "").startswith(
        "cause 0; and besides: alk: its line still reads high; and besides: cause 1"
    )


def test_a_paused_rig_refuses_until_its_proven_end() -> None:
    story = Story(PLAN)
    story.tell(Paused(60_000))
    refused = answer(story.at(59.9), request())
    assert isinstance(refused, Refused)
    assert refused.reason is Reason.PAUSED
    assert refused.fits_in_s == pytest.approx(0.1)
    assert reason(story.at(60.0), request()) is None


def test_a_pause_can_be_ended() -> None:
    story = Story(PLAN)
    story.tell(Paused(60_000))
    story.tell(Paused(None))
    assert reason(story, request()) is None


def test_an_open_run_refuses_the_next() -> None:
    story = Story(plan(ALK, CA, gap_s=0))
    row = story.reserve("ca", 1_000)
    assert reason(story, request("alk")) is Reason.BUSY
    story.settle(row)
    assert reason(story, request("alk")) is None


def test_a_scheduled_dose_needs_a_trusted_clock_and_a_manual_one_does_not() -> None:
    story = Story(PLAN)
    assert reason(story, scheduled(), trusted=False) is Reason.CLOCK
    assert reason(story, scheduled(day=None), trusted=False) is None  # laid by BOOTTIME
    assert reason(story, request(), trusted=False) is None


@pytest.mark.parametrize("volume_ul", [0, -1])
def test_nothing_to_give_is_refused(volume_ul: int) -> None:
    assert reason(Story(PLAN), request(volume_ul=volume_ul)) is Reason.VOLUME
    assert reason(Story(PLAN), request(volume_ul=volume_ul, into=Into.CUP, purpose=Purpose.PRIME)) is Reason.VOLUME


def test_less_than_the_pump_can_give_is_refused() -> None:
    story = Story(PLAN)
    assert reason(story, request(volume_ul=199)) is Reason.SMALLEST
    assert reason(story, scheduled(volume_ul=199)) is Reason.SMALLEST
    assert reason(story, request(volume_ul=200)) is None
    assert reason(story, request(volume_ul=199, purpose=Purpose.PRIME, into=Into.CUP)) is None


# -- quiet times ---------------------------------------------------------------------------------------------

QUIET = plan(quiet=(span("01:00", "02:00"),))


@pytest.mark.parametrize(
    ("second", "refused"),
    [
        (3590.0, False),  # 10 s of run end exactly where the quiet time begins
        (3590.1, True),
        (3600.0, True),
        (7199.9, True),
        (7200.0, False),
    ],
)
def test_no_run_touches_a_quiet_time(second: float, *, refused: bool) -> None:
    story = Story(QUIET).at(second)
    for what in (scheduled(), request(), request(purpose=Purpose.PRIME, into=Into.CUP)):
        assert reason(story, what) is (Reason.QUIET if refused else None)


def test_a_quiet_refusal_says_until_when() -> None:
    refused = answer(Story(QUIET).at(5400), request())
    assert isinstance(refused, Refused)
    assert refused.fits_in_s == 1800
    assert "02:00" in refused.text


def test_without_a_trusted_clock_no_quiet_time_is_known_to_what_is_laid_by_boottime() -> None:
    story = Story(QUIET).at(5400)
    assert reason(story, scheduled(day=None), trusted=False) is None
    assert reason(story, scheduled(day=None), trusted=True) is Reason.QUIET


# -- the second look -----------------------------------------------------------------------------------------


def second_look(
    story: Story, allowed: Allowed, reserved_at: Reading, *, trusted: bool = True, of: Plan | None = None
) -> Reason | None:
    refused = still_good(allowed, of or story.plan, story.books, reserved_at, story.now, trusted=trusted)
    return None if refused is None else refused.reason


def _reserved(of: Plan = PLAN, *, asked: Request | None = None) -> tuple[Story, Allowed, Reading]:
    story = Story(of)
    allowed = answer(story, asked or scheduled())
    assert isinstance(allowed, Allowed)
    story.tell(allowed.reserved)
    return story, allowed, story.now


def test_a_run_that_would_end_540_s_after_its_reservation_still_may_and_a_later_one_not() -> None:
    story, allowed, at = _reserved(asked=request())  # by hand: a scheduled dose would be too late long before
    assert second_look(story.at(529.5), allowed, at) is None  # 529.5 + 10.5 s of lease = 540
    assert second_look(story.at(529.6), allowed, at) is Reason.LONGEST_RUN


@pytest.mark.parametrize(("late_s", "good_s", "bad_s"), [(0.0, 300.0, 300.1), (250.0, 50.0, 50.1)])
def test_a_scheduled_dose_that_became_late_during_its_commit_is_not_given(
    late_s: float, good_s: float, bad_s: float
) -> None:
    story, allowed, at = _reserved(asked=evolve(scheduled(), late_s=late_s))
    assert second_look(story.at(good_s), allowed, at) is None
    assert second_look(story.at(bad_s), allowed, at) is Reason.LATE


def test_a_reservation_of_another_boot_or_of_later_never_runs() -> None:
    story, allowed, at = _reserved()
    assert second_look(story.at(5.0, boot="boot-2"), allowed, at) is Reason.LONGEST_RUN
    assert second_look(story.at(-1.0), allowed, at) is Reason.LONGEST_RUN


def test_what_began_meanwhile_stops_it() -> None:
    story, allowed, at = _reserved()
    assert second_look(story.at(3), allowed, at) is None
    assert second_look(story.at(3), allowed, at, trusted=False) is Reason.CLOCK
    assert second_look(story.at(3), allowed, at, of=evolve(PLAN, quiet=(span("00:00", "01:00"),))) is Reason.QUIET
    story.tell(Paused(60_000))
    assert second_look(story, allowed, at) is Reason.PAUSED
    story.tell(Held("a leak"))
    assert second_look(story, allowed, at) is Reason.HELD


def test_another_open_run_stops_it() -> None:
    story, allowed, at = _reserved(plan(ALK, CA, channel("third"), gap_s=0))
    story.reserve("ca")
    assert second_look(story, allowed, at) is Reason.BUSY
