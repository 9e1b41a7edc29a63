"""What each cause is made into: what happened, how bad it is, and what to do, for somebody away from home."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from attrs import evolve

from dosingd.alarms import PAUSE_ENDED_MS, STOPS_A_CHANNEL, Alarm, Kind, alarms, without_doses
from dosingd.catalogue import CATALOGUE, Severity
from dosingd.inputs.findings import input_alarms
from dosingd.inputs.judging import Judgement, Sensor, Use
from dosingd.leases import CONFIRM_PLAN, OUTLIVED, PLAN_CHANGED
from dosingd.plan.model import DailyVolume, Plan
from dosingd.records import (
    Held,
    Paused,
    Released,
)
from dosingd.trust import Trust
from tests.alarms.gallery import gallery
from tests.builders import ALK, START_AT, Story, channel, plan

PLAN = plan(ALK)


def standing(story: Story, of: Plan = PLAN, trust: Trust | None = None, cannot_lay: str | None = None) -> list[Alarm]:
    """All but what is told of reservoirs that nobody filled: these stories have none."""
    found = alarms(of, story.books, story.now, trust, cannot_lay)
    return [alarm for alarm in found if alarm.kind is not Kind.RESERVOIR_UNKNOWN]


def by_kind(found: list[Alarm]) -> dict[Kind, Alarm]:
    return {alarm.kind: alarm for alarm in found}


# -- the new ones --------------------------------------------------------------------------------------------


WHY = "alk: its run was not over 3.0 s after the end of its lease. It was forced off."


def test_every_cause_of_a_hold_raises_its_alarm_and_not_the_first_alone() -> None:
    story = Story(PLAN)
    changed = f"{PLAN_CHANGED}: alk: more"
    for why in (changed, "hands in the tank", "the leak sensor (GPIO 13) is wet", WHY, f"{WHY} Again."):
        story.tell(Held(why))
    found = standing(story.at(60.0))
    kinds = [(alarm.kind, alarm.channel) for alarm in found]
    assert kinds == [(Kind.HELD, None), (Kind.LEAK, None), (Kind.PUMP_OUTLIVED, "alk")]
    assert "It is held for 4 causes more: dosingd status." in found[0].text
    assert found[0].next_step == CONFIRM_PLAN
    story.tell(Released("a person", changed))
    found = standing(story)
    assert len(found) == 3
    assert found[0].next_step == "dosingd release"


@pytest.mark.parametrize(
    "reason",
    [
        f"alk: its run lasted 61.0 s, past {OUTLIVED} of 12.5 s.",
        "alk: its line could not be driven low: I/O error.",
        "alk: its line was driven low and still reads high.",
        "alk: its line reads high and cannot be driven low. Switch the pump's supply off.",
    ],
)
def test_a_pump_that_may_still_be_on_is_an_alarm_of_its_own_until_the_release(reason: str) -> None:
    story = Story(PLAN)
    story.tell(Held(reason))
    found = by_kind(standing(story.at(60.0)))
    assert set(found) == {Kind.HELD, Kind.PUMP_OUTLIVED}
    alarm = found[Kind.PUMP_OUTLIVED]
    assert (alarm.channel, alarm.since) == ("alk", START_AT)
    assert reason in alarm.text
    assert "pull its plug" in alarm.next_step
    story.tell(Released("a person"))
    assert standing(story) == []


def test_any_other_hold_is_a_hold_alone() -> None:
    story = Story(PLAN)
    story.tell(Held("by hand"))
    assert set(by_kind(standing(story))) == {Kind.HELD}


def test_a_leak_that_held_the_rig_stands_until_the_release_although_it_dried() -> None:
    story = Story(PLAN)
    story.tell(Held("the leak sensor (GPIO 13) is wet. Mend that first"))
    leak = by_kind(standing(story))[Kind.LEAK]
    assert leak.text.startswith("The leak sensor (GPIO 13) is wet, or was when it held the rig: there may be water")
    story.tell(Released("a person"))
    assert standing(story) == []


def test_a_leak_sensor_that_is_wet_is_told_of_although_the_rig_was_held_before_it() -> None:
    story = Story(PLAN)
    wet = Judgement(Sensor("leak", Use.LEAK, 13, True), unsafe=True, known=True, since_mono_s=30.0)
    dry, unknown = evolve(wet, unsafe=False), evolve(wet, known=False)
    story.at(60.0)
    [leak] = input_alarms(PLAN, story.books, story.now, {"leak": wet})
    assert (leak.kind, leak.channel, leak.since) == (Kind.LEAK, None, START_AT + timedelta(seconds=30))
    assert leak.text.startswith("The leak sensor (GPIO 13) is wet: there may be water on the floor.")
    for other in (dry, unknown):
        assert input_alarms(PLAN, story.books, story.now, {"leak": other}) == ()


def test_the_end_of_a_pause_is_told_for_an_hour() -> None:
    story = Story(PLAN)
    until_ms = story.tell(Paused(None)).proven_ms + 600_000
    story.tell(Paused(until_ms, START_AT + timedelta(seconds=600)))
    assert standing(story.at(599.9)) == []
    [ended] = standing(story.at(700.0))
    assert (ended.kind, ended.since) == (Kind.PAUSE_ENDED, START_AT + timedelta(seconds=600))
    assert len(standing(story.at(600.0 + PAUSE_ENDED_MS / 1000 - 1))) == 1
    assert standing(story.at(600.0 + PAUSE_ENDED_MS / 1000)) == []


def test_how_bad_no_dose_is_is_reckoned_from_the_plan() -> None:
    # 24 mmol a day in 100 L are 0.24 meq/L, 0.673 dKH: 1.5 dKH take 53.5 h.
    assert without_doses(PLAN) == " Without doses the tank's alkalinity falls by 1.5 dKH in about 53 h, by the plan."
    assert without_doses(plan(channel("ca", "chloride", DailyVolume(1_000)))) == ""


# -- every text ----------------------------------------------------------------------------------------------


MANY = gallery()


def test_every_kind_is_looked_at() -> None:
    assert {alarm.kind for alarm in MANY} == set(Kind)


@pytest.mark.parametrize("alarm", MANY, ids=lambda alarm: f"{alarm.kind}")
def test_every_text_is_whole_sentences_with_figures_and_a_next_step(alarm: Alarm) -> None:
    assert re.match(r"[A-Z]|[a-z][a-z0-9-]*(, [a-z][a-z0-9-]*)*: ", alarm.text), (
        "it begins as a sentence, or with its channel"
    )
    assert alarm.text.endswith((".", "?", "more: dosingd check)")), alarm.text
    assert ".." not in alarm.text
    assert len(alarm.text) <= 250, "a phone shows no more"
    assert "…." not in alarm.text
    assert "± 0" not in alarm.text
    assert "None" not in alarm.text
    assert not re.search(r"[{}]|[A-Z][a-z]+[A-Z]", alarm.text), "no name of ours"
    assert alarm.next_step
    figures = re.search(r"\d", alarm.text)
    assert figures or CATALOGUE[alarm.kind].severity is not Severity.URGENT, "how bad it is has a figure"
    if alarm.channel is not None:
        assert alarm.text.startswith((f"{alarm.channel}: ", f"Input float.{alarm.channel} "))


def test_what_stops_a_channel_says_what_the_tank_goes_without() -> None:
    stopped = [alarm for alarm in MANY if alarm.kind in STOPS_A_CHANNEL]
    assert {alarm.kind for alarm in stopped} == STOPS_A_CHANNEL
    for alarm in stopped:
        assert re.search(r"Meanwhile the tank goes without its [0-9.]+ mL a day\.$", alarm.text), alarm.text


def test_a_stock_that_differs_is_looked_at_before_it_is_confirmed() -> None:
    """Somebody away from home must not be handed the one command that takes a wrong bottle for right."""
    for alarm in MANY:
        if alarm.kind is Kind.STOCK_DIFFERS:
            before, found, _ = alarm.next_step.partition("dosingd refill alk --confirm")
            assert found
            assert "then: dosingd reload" in before
            assert before.startswith(("look at the bottle. If the plan is wrong", "name magnesium in the plan"))


def test_a_reason_of_any_length_leaves_room_for_how_bad_it_is() -> None:
    story = Story(PLAN)
    story.tell(Held("hands in the tank " * 11))
    [held] = standing(story)
    assert "hands in the tank… Nothing is dosed until a person releases the rig. Without doses" in held.text
    assert held.text.endswith("in about 53 h, by the plan.")
