"""From the levels of a contact to what may be acted on: every doubt says what is unsafe."""

from __future__ import annotations

import math
from random import Random

import pytest
from attrs import evolve

from dosingd.inputs import Judgement, Sensor, Use, flows, look_again_mono_s, sensors_of, step, whys_held
from dosingd.plan.model import Float, Input, Plan
from tests.builders import ALK, CA, plan

LEAK = Sensor("leak", Use.LEAK, 13, unsafe_when_closed=True)
FLOW = Sensor("circulation", Use.CIRCULATION, 6, unsafe_when_closed=False)
HOLD = Sensor("hold_switch", Use.HOLD_SWITCH, 19, unsafe_when_closed=True)
FLOAT = Sensor("float.alk", Use.FLOAT, 23, unsafe_when_closed=False, channel="alk")
EVERY = (LEAK, FLOW, HOLD, FLOAT)


def looked(sensor: Sensor, looks: list[tuple[float, bool | None]], before: Judgement | None = None) -> Judgement:
    """What is believed after looks at (time, unsafe)."""
    judgement = Judgement(sensor) if before is None else before
    for at_mono_s, unsafe in looks:
        judgement = step(judgement, None if unsafe is None else unsafe == sensor.unsafe_when_closed, at_mono_s)
    return judgement


def safe(sensor: Sensor) -> Judgement:
    """Known to be safe since 100 s."""
    judgement = looked(sensor, [(0.0, False), (100.0, False)])
    assert (judgement.known, judgement.unsafe) == (True, False)
    return judgement


def with_inputs(**when_closed: bool) -> Plan:
    gpios = {"circulation": 6, "leak": 13, "hold_switch": 19}
    return evolve(plan(), inputs={name: Input(name, gpios[name], closed) for name, closed in when_closed.items()})


# -- which level is which ------------------------------------------------------------------------------------


@pytest.mark.parametrize("closed", [True, False])
def test_which_level_is_unsafe_is_the_plan_s(closed: bool) -> None:
    found = sensors_of(with_inputs(circulation=closed, leak=closed, hold_switch=closed))
    # A circulation switch runs when closed, a leak sensor is wet when closed, a hold switch holds when closed.
    assert found["circulation"].unsafe_when_closed is not closed
    assert found["leak"].unsafe_when_closed is closed
    assert found["hold_switch"].unsafe_when_closed is closed


@pytest.mark.parametrize("low_when_open", [True, False])
def test_a_float_is_named_after_its_channel(low_when_open: bool) -> None:
    floating = evolve(ALK, reservoir=evolve(ALK.reservoir, float_=Float(23, low_when_open)))
    assert sensors_of(plan(floating, CA)) == {"float.alk": Sensor("float.alk", Use.FLOAT, 23, not low_when_open, "alk")}


# -- how long it must stand ----------------------------------------------------------------------------------


@pytest.mark.parametrize("sensor", EVERY, ids=lambda sensor: sensor.name)
def test_at_a_start_nothing_is_known_and_nothing_is_safe(sensor: Sensor) -> None:
    judgement = looked(sensor, [(0.0, False), (1.9, False)])
    assert (judgement.known, judgement.unsafe, judgement.says) == (False, True, "not known yet")


@pytest.mark.parametrize(
    ("sensor", "unsafe_s", "safe_s"), [(LEAK, 0.05, 2.0), (HOLD, 0.05, 2.0), (FLOW, 1.0, 2.0), (FLOAT, 30.0, 30.0)]
)
def test_a_level_is_believed_when_it_has_stood(sensor: Sensor, unsafe_s: float, safe_s: float) -> None:
    before = safe(sensor)
    assert not looked(sensor, [(200.0, True), (200.0 + unsafe_s - 0.01, True)], before).unsafe
    after = looked(sensor, [(200.0, True), (200.0 + unsafe_s, True)], before)
    assert (after.unsafe, after.since_mono_s) == (True, 200.0 + unsafe_s)
    assert looked(sensor, [(300.0, False), (300.0 + safe_s - 0.01, False)], after).unsafe
    assert not looked(sensor, [(300.0, False), (300.0 + safe_s, False)], after).unsafe


@pytest.mark.parametrize("sensor", EVERY, ids=lambda sensor: sensor.name)
def test_one_look_alone_is_a_bounce(sensor: Sensor) -> None:
    assert not looked(sensor, [(200.0, True), (200.25, False), (260.0, False)], safe(sensor)).unsafe


def test_it_is_looked_at_again_when_it_would_tell() -> None:
    assert look_again_mono_s(safe(LEAK)) == math.inf
    wet = looked(LEAK, [(200.0, True)], safe(LEAK))
    assert look_again_mono_s(wet) == 200.05
    assert look_again_mono_s(looked(LEAK, [(200.0, None)], safe(LEAK))) == 202.0
    assert look_again_mono_s(looked(LEAK, [(200.0, None), (202.0, None)], safe(LEAK))) == math.inf


# -- doubt ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sensor", EVERY, ids=lambda sensor: sensor.name)
def test_one_that_cannot_be_read_says_what_is_unsafe(sensor: Sensor) -> None:
    before = safe(sensor)
    assert not looked(sensor, [(200.0, None), (201.9, None)], before).unsafe, "a file that is being saved"
    after = looked(sensor, [(200.0, None), (202.0, None)], before)
    assert (after.unsafe, after.readable) == (True, False)
    assert after.says.startswith("not readable")
    back = looked(sensor, [(203.0, False), (234.0, False)], after)
    assert (back.unsafe, back.readable) == (False, True)


@pytest.mark.parametrize("sensor", EVERY, ids=lambda sensor: sensor.name)
def test_one_that_chatters_says_what_is_unsafe_until_a_minute_is_calm(sensor: Sensor) -> None:
    looks: list[tuple[float, bool | None]] = [(200.0 + n, n % 2 == 0) for n in range(8)]
    after = looked(sensor, looks, safe(sensor))
    assert (after.unsafe, after.chattering) == (True, True)
    assert after.says.startswith("chattering")
    last = 207.0  # safe again, and calm from now on
    assert looked(sensor, [(last + 59.0, False)], after).chattering
    calm = looked(sensor, [(last + 60.0, False)], after)
    assert (calm.chattering, calm.unsafe) == (False, False)


@pytest.mark.parametrize("seed", range(5))
def test_a_contact_that_chatters_at_100_hz_is_found_within_seconds(seed: int) -> None:
    """At four looks a second every look is a throw of a coin. Source: none is needed, a 100 Hz contact changes 25 times
    between two looks, at no fixed phase."""
    random, judgement, at_mono_s = Random(seed), safe(FLOW), 200.0
    while not judgement.chattering:
        judgement = step(judgement, random.random() < 0.5, at_mono_s)
        at_mono_s += 0.25
        assert at_mono_s < 210.0


@pytest.mark.parametrize("sensor", EVERY, ids=lambda sensor: sensor.name)
@pytest.mark.parametrize("other", [True, False])
def test_one_that_can_be_read_now_and_then_chatters_as_well(sensor: Sensor, other: bool) -> None:
    looks: list[tuple[float, bool | None]] = [(200.0 + n / 2, None if n % 2 else other) for n in range(10)]
    after = looked(sensor, looks, safe(sensor))
    assert (after.unsafe, after.chattering) == (True, True)


def test_a_hand_on_a_switch_is_no_chatter() -> None:
    looks: list[tuple[float, bool | None]] = [(200.0 + 10 * n, n % 2 == 0) for n in range(40)]
    assert not looked(HOLD, looks, safe(HOLD)).chattering


def test_waves_under_a_float_move_nothing() -> None:
    looks: list[tuple[float, bool | None]] = [(200.0 + 10 * n, n % 3 == 0) for n in range(30)]
    for count in range(1, len(looks)):
        assert not looked(FLOAT, looks[:count], safe(FLOAT)).unsafe


# -- what follows --------------------------------------------------------------------------------------------


def test_flow_must_be_known_of_the_plan_s_own_line() -> None:
    the_plan = with_inputs(circulation=True)
    sensor = sensors_of(the_plan)["circulation"]
    assert flows(the_plan, {"circulation": safe(sensor)})
    assert not flows(the_plan, {})
    assert not flows(the_plan, {"circulation": looked(sensor, [(0.0, False)])})
    assert not flows(the_plan, {"circulation": looked(sensor, [(200.0, True), (201.0, True)], safe(sensor))})
    assert not flows(the_plan, {"circulation": safe(evolve(sensor, gpio=7))}), "of a line that a reload left"


@pytest.mark.parametrize(("sensor", "what"), [(LEAK, "the leak sensor (GPIO 13) is wet"), (HOLD, "the hold switch")])
def test_a_leak_and_a_switch_ask_for_a_hold_and_nothing_else_does(sensor: Sensor, what: str) -> None:
    unsafe = looked(sensor, [(200.0, True), (201.0, True)], safe(sensor))
    [why] = whys_held({sensor.name: unsafe})
    assert why.startswith(what)
    assert not [*whys_held({sensor.name: safe(sensor)})]
    assert not [*whys_held({sensor.name: Judgement(sensor)})], "before it was looked at"
    for other in (FLOW, FLOAT):
        assert not [*whys_held({other.name: looked(other, [(200.0, True), (260.0, True)], safe(other))})]
