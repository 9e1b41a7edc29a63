"""Raised once, repeated at a slowing pace, ended when over, answered where a person must, and over a restart."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from dosingd.alarms import Alarm, Kind
from dosingd.catalogue import CATALOGUE, Severity
from dosingd.standing import (
    ATTENTION_S,
    FLASH_EVERY_S,
    HOUR_MS,
    SAME_MS,
    Calling,
    Change,
    Standing,
    carried,
    data_of,
    standing_of,
    step,
)
from tests.builders import START_AT

DAY_MS = 24 * HOUR_MS


def alarm(
    kind: Kind = Kind.RESERVOIR_LOW, channel: str | None = "alk", later_s: float = 0.0, text: str = "low."
) -> Alarm:
    return Alarm(kind, channel, START_AT + timedelta(seconds=later_s), text, "dosingd status")


LOW = alarm()
HELD = alarm(Kind.HELD, None)
LOOP = alarm(Kind.RESTART_LOOP, None)
LEFT = alarm(Kind.INPUT_WANTED, "alk")
FLOAT = alarm(Kind.INPUT_DISAGREES, "alk")


class Watched:
    """Alarms looked at again and again, and the news of them."""

    def __init__(self, standing: Standing | None = None) -> None:
        self.standing = Standing() if standing is None else standing
        self.news: list[tuple[Change, Kind]] = []

    def look(self, *found: Alarm, ms: int = 0, up_s: float = 1e9, channels: tuple[str, ...] = ("alk", "ca")) -> Watched:
        self.standing, news = step(self.standing, found, channels, ms, up_s)
        self.news = [(one.change, one.alarm.kind) for one in news]
        self.lines = [one.line for one in news]
        self.priorities = [one.priority for one in news]
        return self

    def restarted(self) -> Watched:
        return Watched(standing_of(json.loads(json.dumps(data_of(self.standing)))))


def test_an_alarm_is_raised_once_and_ends_when_its_cause_is_over() -> None:
    of = Watched().look(LOW)
    assert of.news == [(Change.RAISED, Kind.RESERVOIR_LOW)]
    for minute in range(1, 60):
        assert of.look(LOW, ms=minute * 60_000).news == []
        assert of.standing.alarms == (LOW,)
    of.look(ms=HOUR_MS - 1)
    assert of.news == [(Change.ENDED, Kind.RESERVOIR_LOW)]
    assert (of.standing.alarms, of.standing.ended) == ((), (LOW,))
    assert of.look(ms=HOUR_MS).news == []
    assert of.standing.ended == (LOW,), "an ended one goes on saying that it is over"


def test_since_does_not_move_and_the_text_is_the_newest() -> None:
    of = Watched().look(LOW)
    of.look(alarm(later_s=600, text="lower."), ms=600_000)
    assert of.standing.alarms == (evolve(LOW, text="lower."),)


def test_one_that_goes_on_is_repeated_after_1_4_12_and_24_h_and_then_daily() -> None:
    of = Watched()
    repeated = (Change.REPEATED, Kind.RESERVOIR_LOW)
    told = [hour for hour in range(24 * 5) if repeated in of.look(LOW, ms=hour * HOUR_MS).news]
    assert told == [1, 4, 12, 24, 48, 72, 96]


def test_hours_that_were_slept_through_are_told_of_once() -> None:
    of = Watched().look(LOW)
    assert of.look(LOW, ms=10 * DAY_MS).news == [(Change.REPEATED, Kind.RESERVOIR_LOW)]
    assert of.look(LOW, ms=10 * DAY_MS + 60_000).news == []


def test_the_line_of_the_log_says_how_bad_what_and_what_next() -> None:
    of = Watched().look(LOW, HELD)
    assert of.lines[0] == "ALARM, reservoir-low alk: low. Next: dosingd status"
    assert of.priorities == ["warning", "error"]
    of.look(LOW, HELD, ms=5 * HOUR_MS)
    assert of.lines[0] == "ALARM still, for 5 h, reservoir-low alk: low. Next: dosingd status"
    of.look(ms=80 * HOUR_MS)
    assert of.lines == ["alarm over, reservoir-low alk: it stood for 3 days", "alarm over, held: it stood for 3 days"]
    assert of.priorities == ["notice", "notice"]


def test_one_that_comes_and_goes_is_told_of_once() -> None:
    of = Watched().look(LOW)
    of.look(ms=60_000)
    lines = 0
    for minute in range(2, 40):
        of.look(*([LOW] if minute % 2 else []), ms=minute * 60_000)
        lines += len(of.news)
    assert lines == 0
    assert of.look(LOW, ms=HOUR_MS).news == [(Change.REPEATED, Kind.RESERVOIR_LOW)]
    of.look(ms=HOUR_MS + 1)
    assert of.news == [(Change.ENDED, Kind.RESERVOIR_LOW)]
    again = alarm(later_s=9_000)
    assert of.look(again, ms=HOUR_MS + 1 + SAME_MS).news == [(Change.RAISED, Kind.RESERVOIR_LOW)]
    assert of.standing.alarms == (again,)


def test_an_urgent_one_is_told_of_each_time() -> None:
    of = Watched().look(HELD)
    of.look(ms=1_000)
    assert of.look(HELD, ms=2_000).news == [(Change.RAISED, Kind.HELD)]


def test_what_is_latched_stands_until_a_person_has_answered() -> None:
    of = Watched().look(LOOP)
    of.look(ms=2 * HOUR_MS)
    [stands] = of.standing.alarms
    assert stands.text == "low. To say that you have looked: dosingd release"
    of.look(ms=30 * DAY_MS)
    assert len(of.standing.alarms) == 1
    of.standing, answered = of.standing.answered()
    assert [one.kind for one in answered] == [Kind.RESTART_LOOP]
    assert of.look(ms=30 * DAY_MS + 1).news == [(Change.ENDED, Kind.RESTART_LOOP)]
    assert of.standing.answered()[1] == ()


def test_an_answer_ends_nothing_whose_cause_goes_on() -> None:
    of = Watched().look(LOOP)
    of.standing, _ = of.standing.answered()
    assert len(of.look(LOOP, ms=1).standing.alarms) == 1
    assert of.look(ms=2).news == [(Change.ENDED, Kind.RESTART_LOOP)]


def test_an_answer_is_of_its_own_kind_and_channel() -> None:
    other = evolve(LEFT, channel="ca")
    of = Watched().look(LEFT, other, LOOP, LOW)
    of.standing, answered = of.standing.answered(Kind.INPUT_WANTED, "alk")
    assert answered == (LEFT,)
    of.look(LOW, ms=1)
    assert {(one.kind, one.channel) for one in of.standing.alarms} == {
        (Kind.INPUT_WANTED, "ca"),
        (Kind.RESTART_LOOP, None),
        (Kind.RESERVOIR_LOW, "alk"),
    }


def test_a_channel_that_left_the_plan_takes_its_alarms_along() -> None:
    of = Watched().look(LEFT, LOOP)
    assert of.look(ms=1, channels=("ca",)).news == [(Change.ENDED, Kind.INPUT_WANTED)]


def test_over_a_restart_nothing_is_raised_anew_and_since_stays() -> None:
    before = Watched().look(LOW, LEFT)
    after = before.restarted().look(alarm(later_s=999), ms=60_000, up_s=1.0)
    assert after.news == []
    assert len(after.standing.alarms) == 2
    assert {(one.kind, one.since) for one in after.standing.alarms} == {
        (LOW.kind, START_AT),
        (LEFT.kind, START_AT),
    }
    assert (Change.REPEATED, Kind.RESERVOIR_LOW) in after.look(alarm(later_s=999), ms=HOUR_MS).news


def test_what_was_over_while_nobody_looked_is_ended_at_the_first_look() -> None:
    after = Watched().look(LOW).restarted().look(ms=60_000, up_s=0.0)
    assert after.news == [(Change.ENDED, Kind.RESERVOIR_LOW)]
    assert after.restarted().standing.ended == (LOW,)


def test_a_cause_that_takes_its_time_to_be_seen_is_not_over_because_of_a_restart() -> None:
    wait_s = CATALOGUE[Kind.INPUT_DISAGREES].seen_again_s
    after = Watched().look(FLOAT).restarted()
    assert after.look(ms=60_000, up_s=wait_s - 1).news == []
    assert after.standing.stands(Kind.INPUT_DISAGREES, "alk")
    assert after.look(ms=61_000, up_s=wait_s).news == [(Change.ENDED, Kind.INPUT_DISAGREES)]
    seen = Watched().look(FLOAT).restarted().look(FLOAT, up_s=1.0)
    assert seen.look(up_s=2.0).news == [(Change.ENDED, Kind.INPUT_DISAGREES)], "seen once, it ends at once"


@pytest.mark.parametrize(
    "data",
    [
        None,
        7,
        "x",
        {},
        [None],
        [[]],
        [{}],
        [{"kind": "held"}],
        [{**data_of(Watched().look(LOW).standing)[0], "kind": "no"}],
    ],
)
def test_a_file_that_is_damaged_is_a_fresh_start(data: Any) -> None:
    assert standing_of(data) == Standing()


@settings(derandomize=True, max_examples=150)
@given(st.data())
def test_no_damage_to_the_file_can_break_a_look(data: st.DataObject) -> None:
    good = data_of(Watched().look(LOW, HELD, LOOP).standing)
    junk = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.lists(st.integers())
    for one in good:
        for key in data.draw(st.lists(st.sampled_from(sorted(one)), max_size=3)):
            one[key] = data.draw(junk)
    known = standing_of(json.loads(json.dumps(good)))
    after = Watched(known).look(LOW, HELD, ms=5 * HOUR_MS, up_s=1.0)
    assert {LOW.kind, HELD.kind} <= {one.kind for one in after.standing.alarms}
    json.dumps(data_of(after.standing))


def test_a_ledger_that_was_made_anew_does_not_silence_what_was_raised_by_the_old_one() -> None:
    of = Watched().look(LOW, ms=1_000 * DAY_MS).look(LOW, ms=0)
    assert of.look(LOW, ms=HOUR_MS).news == [(Change.REPEATED, Kind.RESERVOIR_LOW)]


def test_the_same_alarm_found_twice_is_one() -> None:
    of = Watched().look(alarm(later_s=60, text="first."), alarm(text="second."))
    assert of.standing.alarms == (alarm(text="second."),)


def test_the_worst_stand_first() -> None:
    of = Watched().look(LOW, alarm(Kind.PAUSE_ENDED, None), HELD, alarm(Kind.CALIBRATION_DUE, "ca", later_s=-60))
    kinds = [one.kind for one in of.standing.alarms]
    assert kinds == [Kind.HELD, Kind.CALIBRATION_DUE, Kind.RESERVOIR_LOW, Kind.PAUSE_ENDED]


def test_since_is_known_to_whoever_reads_the_file_without_the_daemon() -> None:
    standing = Watched().look(LOW).standing
    assert carried(standing, (alarm(later_s=500), HELD)) == (LOW, HELD)


# -- the lamp ------------------------------------------------------------------------------------------------


def lit(calling: Calling, from_s: float, to_s: float) -> float:
    """The share of a time in which the lamp is on, looked at four times a second."""
    looks = [from_s + quarter / 4 for quarter in range(int((to_s - from_s) * 4))]
    return sum(map(calling.lit, looks)) / len(looks)


def test_without_an_alarm_the_lamp_is_dark() -> None:
    of = Watched().look()
    assert lit(Calling().after(of.standing, (), 1000.0), 0.0, 100.0) == 0.0


def test_a_new_alarm_blinks_for_a_minute_then_an_urgent_one_stays_on_and_any_other_flashes() -> None:
    for one, then in ((HELD, 1.0), (LOW, 0.5 / FLASH_EVERY_S)):
        standing, news = step(Standing(), [one], ("alk",), 0, 0.0)
        calling = Calling().after(standing, news, 1000.0)
        assert lit(calling, 1000.0, 1000.0 + ATTENTION_S) == 0.5
        assert lit(calling, 1000.0 + ATTENTION_S, 2000.0) == then
        standing, news = step(standing, [one], ("alk",), 60_000, 0.0)
        assert calling.after(standing, news, 1060.0) == calling, "a look that brings no news does not blink"
        standing, news = step(standing, [one], ("alk",), HOUR_MS, 0.0)
        assert lit(calling.after(standing, news, 5000.0), 5000.0, 5060.0) == 0.5, "it blinks again when repeated"


def test_the_lamp_is_never_dark_for_long_while_an_alarm_stands() -> None:
    standing, news = step(Standing(), [alarm(Kind.PAUSE_ENDED, None)], (), 0, 0.0)
    calling = Calling().after(standing, news, 0.0)
    for second in range(0, 3600, int(FLASH_EVERY_S)):
        assert lit(calling, second, second + FLASH_EVERY_S) > 0


def test_the_end_of_one_alarm_is_no_call_and_the_end_of_all_is_dark() -> None:
    of = Watched().look(HELD, LOW)
    standing, news = step(of.standing, [LOW], ("alk",), 1, 0.0)
    assert [one.change for one in news] == [Change.ENDED]
    calling = Calling().after(standing, news, 100.0)
    assert lit(calling, 100.0, 200.0) == 0.5 / FLASH_EVERY_S
    standing, news = step(standing, [], ("alk",), 2, 0.0)
    assert not calling.after(standing, news, 200.0).lit(200.0)


def test_severities_are_used() -> None:
    assert {entry.severity for entry in CATALOGUE.values()} == set(Severity)
