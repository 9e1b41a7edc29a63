"""What is wrong now, in words with numbers, and the next step."""

from __future__ import annotations

from datetime import timedelta

from dosingd.alarms import Alarm, Kind, alarms
from dosingd.records import (
    STOPPED_BY_FAULT,
    ClockMoved,
    Held,
    NotGiven,
    Outcome,
    Refilled,
    Released,
    Stamp,
    Started,
    Stopped,
)
from tests.builders import ALK, START_AT, Story, plan

PLAN = plan(ALK)


def standing(story: Story, cannot_lay: str | None = None) -> dict[Kind, Alarm]:
    found = alarms(PLAN, story.books, story.now, None, cannot_lay)
    return {alarm.kind: alarm for alarm in found if alarm.kind is not Kind.RESERVOIR_UNKNOWN}


def not_given(outcome: Outcome, volume_ul: int, slot: str, doses: int = 1) -> NotGiven:
    return NotGiven("alk", outcome, volume_ul, "a test.", slot=slot, day=START_AT.date(), doses=doses)


def test_a_rig_in_order_raises_nothing() -> None:
    story = Story(PLAN)
    story.tell(Refilled("alk", 1_000_000, None, "soda", {"alkalinity": 1.0}, 0))
    assert standing(story) == {}


def test_a_hold_is_told_with_its_cause_until_it_is_released() -> None:
    story = Story(PLAN)
    story.tell(Held("a leak under the sump."))
    story.at(60.0)
    held = standing(story)[Kind.HELD]
    # 24 mL of 1 eq/L in 100 L are 0.673 dKH a day; 1.5 dKH of it are 53 h.
    assert held.text == (
        "All pumps are off: a leak under the sump. Nothing is dosed until a person releases the rig. Without doses the"
        " tank's alkalinity falls by 1.5 dKH in about 53 h, by the plan."
    )
    assert (held.since, held.next_step) == (START_AT, "dosingd release")
    story.tell(Released("a person"))
    assert standing(story) == {}


def test_a_low_reservoir_is_told_in_days_and_a_reserve_as_the_end() -> None:
    story = Story(PLAN)
    for left_ul, kind in (
        (218_000, None),
        (217_000, Kind.RESERVOIR_LOW),
        (51_050, Kind.RESERVOIR_LOW),
        (51_049, Kind.RESERVOIR_RESERVE),
    ):
        story.tell(Refilled("alk", left_ul, None, "soda", {"alkalinity": 1.0}, 0))
        # 50 mL are reserve; 24 mL a day; warned 7 days ahead; the next dose reserves 1.05 mL.
        assert set(standing(story)) == (set() if kind is None else {kind}), left_ul
    assert "dosingd refill alk --to VOLUME" in standing(story)[Kind.RESERVOIR_RESERVE].next_step


def test_refused_and_missed_doses_are_counted_for_24_h() -> None:
    story = Story(PLAN)
    story.tell(not_given(Outcome.REFUSED, 1_000, "s1"))
    story.tell(not_given(Outcome.MISSED, 3_000, "s2", doses=3))
    assert "alk: 1 dose, 1.0 mL, refused in the last 24 h. The last: a test." in standing(story)[Kind.DOSE_REFUSED].text
    assert "alk: 3 doses, 3.0 mL, found missed" in standing(story)[Kind.DOSES_MISSED].text
    assert Kind.DOSE_REFUSED in standing(story.at(86_399.0))
    assert standing(story.at(86_400.0)) == {}


def test_a_shortfall_is_more_than_three_tenths_of_two_days() -> None:
    story = Story(PLAN)
    story.tell(not_given(Outcome.MISSED, 14_400, "s1"))  # 0.3 * 48 mL
    assert Kind.SHORTFALL not in standing(story)
    story.tell(not_given(Outcome.REFUSED, 1, "s2"))
    assert "14.4 of 48.0 mL" in standing(story)[Kind.SHORTFALL].text


def test_a_dose_of_unknown_end_and_a_clock_that_moved_are_told() -> None:
    story = Story(PLAN)
    story.settle(story.reserve("alk", 1_000), 2_000, Outcome.UNKNOWN)
    story.tell(ClockMoved(3600.0))
    found = standing(story)
    assert "2.0 mL" in found[Kind.DOSE_UNKNOWN].text
    assert "+3600 s" in found[Kind.CLOCK_MOVED].text
    assert standing(story.at(timedelta(days=1).total_seconds())) == {}


def test_a_day_that_cannot_be_laid_is_told() -> None:
    assert "too full" in standing(Story(PLAN), "too full")[Kind.CANNOT_LAY].text


def test_the_third_start_in_an_hour_that_nobody_asked_for_is_told_until_an_hour_has_passed_without() -> None:
    story = Story(PLAN)
    for start in range(4):  # the first of them has nothing before it
        story.at(600.0 * start).tell(Started("1"))
        assert (Kind.RESTART_LOOP in standing(story)) == (start == 3)
    loop = standing(story)[Kind.RESTART_LOOP]
    assert loop.text.startswith("The daemon came up 3 times in an hour without having been stopped")
    assert (loop.since, loop.channel, loop.next_step) == (
        START_AT + timedelta(seconds=600),
        None,
        "journalctl -u dosingd",
    )
    # The first of the three is an hour old; with the fourth there are three again, and it is the same loop.
    assert Kind.RESTART_LOOP not in standing(story.at(600.0 + 3600.0))
    story.tell(Started("1"))
    assert standing(story)[Kind.RESTART_LOOP].since == START_AT + timedelta(seconds=600)
    assert standing(story.at(600.0 + 2 * 3600.0)) == {}


def test_starts_after_an_orderly_stop_are_no_loop_and_after_a_fault_they_are() -> None:
    for reason, loop in (("by SIGTERM", False), (STOPPED_BY_FAULT, True)):
        story = Story(PLAN)
        for start in range(6):
            story.at(10.0 * start).tell(Started("1"))
            story.tell(Stamp())
            story.tell(Stopped(reason))
        assert (Kind.RESTART_LOOP in standing(story)) == loop, reason


def test_an_orderly_stop_ends_no_loop() -> None:
    story = Story(PLAN)
    for start in range(4):
        story.at(10.0 * start).tell(Started("1"))
    story.tell(Stopped("by SIGTERM"))
    story.at(60.0).tell(Started("1"))
    assert "came up 3 times" in standing(story)[Kind.RESTART_LOOP].text


def test_a_supply_that_fails_again_and_again_is_a_loop_too() -> None:
    story = Story(PLAN)
    for boot in range(5):
        story.at(30.0, boot=f"boot-{boot}", wall_s=3600.0 * boot).tell(Started("1"))
    assert Kind.RESTART_LOOP in standing(story), "how long it was without power nobody knows: 30 s of each are proven"
