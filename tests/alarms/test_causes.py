"""What each cause is made into: what happened, how bad it is, and what to do, for somebody away from home."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from attrs import evolve

from dosingd.alarms import PAUSE_ENDED_MS, Alarm, Kind, alarms, without_doses
from dosingd.catalogue import CATALOGUE, Severity
from dosingd.inputs.findings import input_alarms
from dosingd.inputs.judging import Judgement, Sensor, Use
from dosingd.leases import OUTLIVED
from dosingd.plan.model import ClockPolicy, DailyVolume, Plan, WithoutClock
from dosingd.records import (
    ClockMoved,
    Held,
    NotGiven,
    Outcome,
    Paused,
    Refilled,
    Released,
    Retubed,
    Started,
)
from dosingd.trust import Trust
from tests.builders import ALK, CA, START_AT, Story, channel, plan

PLAN = plan(ALK)


def standing(story: Story, of: Plan = PLAN, trust: Trust | None = None, cannot_lay: str | None = None) -> list[Alarm]:
    return list(alarms(of, story.books, story.now, trust, cannot_lay))


def by_kind(found: list[Alarm]) -> dict[Kind, Alarm]:
    return {alarm.kind: alarm for alarm in found}


# -- the new ones --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "reason",
    [
        f"alk: its run lasted 61.0 s, past {OUTLIVED} of 12.5 s.",
        "alk: its line could not be driven low: I/O error.",
        "alk: its line was driven low and still reads high.",
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


def many() -> list[Alarm]:
    """Alarms of as many kinds as the books can tell of."""
    both = plan(ALK, CA)
    found: list[Alarm] = []
    for left_ul in (60_000, 50_000):
        story = Story(PLAN)
        story.tell(Refilled("alk", left_ul, None, "soda", {"alkalinity": 1.0}, 0))
        found += standing(story)
    for stock, strength in (("soda", {}), ("chloride", {"calcium": 0.5})):
        story = Story(PLAN)
        story.tell(Refilled("alk", 900_000, None, stock, strength, 0))
        found += standing(story)
    story = Story(PLAN)
    for outcome in (Outcome.REFUSED, Outcome.MISSED):
        story.tell(NotGiven("alk", outcome, 9_000, "a test.", slot=str(outcome), day=START_AT.date(), doses=9))
    story.settle(story.reserve("alk", 1_000), 2_000, Outcome.UNKNOWN)
    story.tell(ClockMoved(3600.0))
    story.tell(Held("the leak sensor (GPIO 13) is wet. Mend that first"))
    for start in range(4):
        story.at(60.0 * start).tell(Started("1"))
    found += standing(story, cannot_lay="24 doses do not fit")
    story.tell(Released("a person"))
    story.tell(Held("alk: its line was driven low and still reads high."))
    found += standing(story)
    for policy in WithoutClock:
        of = evolve(PLAN, clock=ClockPolicy(without=policy))
        for hours in (1, 13):
            for behind in (False, True):
                trust = Trust(False, "none", behind=behind, untrusted_since_mono_s=0.0)
                found += standing(Story(of).at(hours * 3600.0), of, trust)
    found += standing(Story(PLAN, calibrated=False))
    story = Story(both)
    story.tell(Retubed("ca"))
    found += standing(story, both)
    found += standing(Story(both).at(100 * 86_400.0), both)
    story = Story(PLAN)
    story.tell(Paused(story.books.proven_ms(story.now), START_AT))
    return found + standing(story)


MANY = many()


def test_as_many_kinds_as_the_books_can_tell_of_are_looked_at() -> None:
    elsewhere = {
        Kind.NO_LEDGER, Kind.INPUT_WANTED, Kind.PLAN_REFUSED, Kind.BROKER_UNREACHABLE, Kind.FLOW_ERROR,
            Kind.LEVEL_DIFFERS,
        Kind.IDENTIFY_DUE, Kind.NO_CIRCULATION, Kind.FLOAT_LOW, Kind.INPUT_DISAGREES, Kind.INPUT_CHATTERS,
        Kind.INPUT_UNREADABLE, Kind.INPUT_UNTRIED, Kind.PLAN_CHANGED,
    }  # fmt: skip
    assert set(by_kind(MANY)) == set(Kind) - elsewhere


@pytest.mark.parametrize("alarm", MANY, ids=lambda alarm: f"{alarm.kind}")
def test_every_text_is_whole_sentences_with_figures_and_a_next_step(alarm: Alarm) -> None:
    assert re.match(r"[A-Z]|[a-z][a-z0-9-]*: ", alarm.text), "it begins as a sentence, or with its channel"
    assert alarm.text.endswith("."), alarm.text
    assert ".." not in alarm.text
    assert len(alarm.text) <= 500, "a phone shows no more"
    assert "None" not in alarm.text
    assert not re.search(r"[{}]|[A-Z][a-z]+[A-Z]", alarm.text), "no name of ours"
    assert alarm.next_step
    figures = re.search(r"\d", alarm.text)
    assert figures or CATALOGUE[alarm.kind].severity is not Severity.URGENT, "how bad it is has a figure"
    if alarm.channel is not None:
        assert alarm.text.startswith(f"{alarm.channel}: ")
