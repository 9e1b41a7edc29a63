"""What the switches warn of: still water, a low float, one that disagrees with the books, is broken, or stuck."""

from __future__ import annotations

from attrs import evolve

from dosingd.alarms import Alarm, Kind
from dosingd.inputs import Judgement, input_alarms, sensors_of
from dosingd.plan.model import Float
from dosingd.records import Switched
from dosingd.refills import Refill, refilled
from tests.builders import ALK, CA, START_AT, Story, plan
from tests.inputs.test_judging import EVERY, FLOW, LEAK, looked, safe, with_inputs

FLOATING = plan(evolve(ALK, reservoir=evolve(ALK.reservoir, float_=Float(23, low_when_open=True))), CA)
FLOAT = sensors_of(FLOATING)["float.alk"]
DAY_S = 86_400.0


def filled(left_ul: int) -> Story:
    """Ten thousand seconds after a refill."""
    of = Story(FLOATING)
    of.tell(refilled(FLOATING, of.books, Refill("alk", left_ul)))
    return of.at(10_000.0)


def found(of: Story, judgement: Judgement, kind: Kind) -> list[Alarm]:
    every = input_alarms(of.plan, of.books, of.now, {judgement.sensor.name: judgement})
    return [one for one in every if one.kind is kind]


def low(since_s: float = 9_000.0) -> Judgement:
    return looked(FLOAT, [(since_s - 30.0, True), (since_s, True)], safe(FLOAT))


def test_still_water_is_an_alarm_of_the_whole_rig_with_its_beginning() -> None:
    of = Story(with_inputs(circulation=True)).at(1_000.0)
    still = looked(FLOW, [(399.0, True), (400.0, True)], safe(FLOW))
    [alarm] = found(of, still, Kind.NO_CIRCULATION)
    assert (alarm.channel, (of.now.wall_at - alarm.since).total_seconds()) == (None, 600.0)
    assert "(GPIO 6) says: no flow" in alarm.text
    assert "not made up for" in alarm.text
    assert found(of, safe(FLOW), Kind.NO_CIRCULATION) == []


def test_before_anything_is_known_nobody_is_alarmed() -> None:
    for sensor in EVERY:
        assert input_alarms(FLOATING, filled(900_000).books, filled(900_000).now, {"x": Judgement(sensor)}) == ()


def test_a_low_float_is_an_alarm_of_its_channel() -> None:
    of = filled(150_000)  # 100 mL above the reserve, 4 days: low by the books as well
    [alarm] = found(of, low(), Kind.FLOAT_LOW)
    assert alarm.channel == "alk"
    assert found(of, low(), Kind.INPUT_DISAGREES) == []
    assert found(of, safe(FLOAT), Kind.FLOAT_LOW) == []


def test_a_low_float_with_plenty_by_the_books_disagrees() -> None:
    of = filled(900_000)
    [alarm] = found(of, low(), Kind.INPUT_DISAGREES)
    assert "its float says low, and there should be 900.0 mL" in alarm.text
    assert "siphon" in alarm.text
    assert alarm.next_step == "dosingd refill alk --to VOLUME --found VOLUME"


def test_a_float_that_is_not_low_at_the_reserve_disagrees() -> None:
    of = filled(50_900)
    [alarm] = found(of, safe(FLOAT), Kind.INPUT_DISAGREES)
    assert "its float says not low" in alarm.text
    assert "sticks" in alarm.text
    assert found(filled(60_000), safe(FLOAT), Kind.INPUT_DISAGREES) == []


def test_while_a_reservoir_is_poured_full_they_may_differ() -> None:
    of = filled(900_000)
    assert found(of, low(since_s=9_401.0), Kind.INPUT_DISAGREES) == [], "low for 599 s"
    of.tell(refilled(FLOATING, of.books, Refill("alk", 900_000)))
    assert found(of.at(10_599.0), low(), Kind.INPUT_DISAGREES) == [], "refilled 599 s ago"
    assert found(of.at(10_600.0), low(), Kind.INPUT_DISAGREES)


def test_a_float_that_is_broken_says_nothing_of_the_level() -> None:
    of = filled(900_000)
    torn = looked(FLOAT, [(9_000.0, None), (9_002.0, None)], safe(FLOAT))
    assert {one.kind for one in input_alarms(FLOATING, of.books, of.now, {"float.alk": torn})} == {
        Kind.INPUT_UNREADABLE
    }


def test_broken_ones_are_named_together() -> None:
    of = Story(with_inputs(circulation=True, leak=True)).at(1_000.0)
    torn = {sensor.name: looked(sensor, [(500.0, None), (502.0, None)], safe(sensor)) for sensor in (FLOW, LEAK)}
    [alarm] = [one for one in input_alarms(of.plan, of.books, of.now, torn) if one.kind is Kind.INPUT_UNREADABLE]
    assert alarm.text == (
        "Input circulation (GPIO 6): not readable, so it counts as no flow."
        " Input leak (GPIO 13): not readable, so it counts as wet."
    )


def test_one_that_chatters_is_named() -> None:
    of = Story(with_inputs(leak=True)).at(1_000.0)
    looks: list[tuple[float, bool | None]] = [(500.0 + n, n % 2 == 0) for n in range(9)]
    [alarm] = found(of, looked(LEAK, looks, safe(LEAK)), Kind.INPUT_CHATTERS)
    assert "leak (GPIO 13): chattering" in alarm.text
    assert "worn, wet or loose" in alarm.text


def test_one_that_never_changed_is_asked_about_after_90_days() -> None:
    of = Story(with_inputs(leak=True))
    of.tell(Switched("leak", "dry"))
    assert found(of.at(90 * DAY_S - 1), safe(LEAK), Kind.INPUT_UNTRIED) == []
    [alarm] = found(of.at(90 * DAY_S), safe(LEAK), Kind.INPUT_UNTRIED)
    assert "leak (dry since 2026-06-01)" in alarm.text
    assert alarm.since == START_AT
    of.tell(Switched("leak", "wet"))
    of.tell(Switched("leak", "dry"))
    assert found(of, safe(LEAK), Kind.INPUT_UNTRIED) == []
