"""The plan's `alarm_output`: the control loop alone drives it, so no network, disk or turn thread can silence it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import gpiozero.devices
import pytest
from attrs import evolve
from gpiozero.pins.mock import MockFactory, MockPWMPin

from dosingd.clock import VirtualClock
from dosingd.cut import Cut
from dosingd.daemon.loop import STUCK_S, ControlLoop
from dosingd.leases import Leases
from dosingd.pumps.bench import BenchPump, BenchRig
from dosingd.pumps.gpio import GpioRig
from dosingd.pumps.pump import output_lines
from tests.builders import START_AT, plan


class Turn:
    """The turn thread as the loop sees it."""

    next_mono_s = 1e9
    alive_mono_s = 1000.0

    def wake(self) -> None:
        """Nothing to do."""


class Lamp(BenchPump):
    def __init__(self) -> None:
        super().__init__("alarm-output", lambda name, on: self.seen.append(on))
        self.seen: list[bool] = []
        self.fails = False

    def on(self) -> None:
        if self.fails:
            raise OSError("the line does not answer")
        super().on()


class Loop:
    def __init__(self) -> None:
        self.clock, self.turn, self.lamp = VirtualClock(START_AT), Turn(), Lamp()
        self.lit = False
        self.said: list[tuple[str, str]] = []
        self.loop = ControlLoop(
            self.clock,
            Cut(),
            self.turn,
            pumps=dict,
            leases=Leases,
            keep_alive=lambda: None,
            hold=lambda why, reason: None,
            feed=lambda: None,
            feed_every_s=None,
            say=lambda priority, text: self.said.append((priority, text)),
            alarm_output=lambda: self.lamp,
            lit=lambda mono_s: self.lit,
        )


def test_the_lamp_follows_what_the_alarms_ask_for() -> None:
    of = Loop()
    of.loop.turn()
    assert of.lamp.seen == []
    of.lit = True
    of.loop.turn()
    of.loop.turn()
    assert of.lamp.seen == [True]
    of.lit = False
    of.loop.turn()
    assert of.lamp.seen == [True, False]


def test_a_turn_thread_that_is_stuck_tells_of_no_alarm_so_the_loop_lights_the_lamp() -> None:
    of = Loop()
    of.clock.pass_s(STUCK_S + 1.0)
    of.loop.turn()
    assert of.lamp.is_on


def test_a_lamp_that_cannot_be_driven_is_told_once_and_harms_nothing() -> None:
    of = Loop()
    of.lit, of.lamp.fails = True, True
    for _ in range(5):
        of.loop.turn()
    assert of.said == [("error", "alarm_output: its line cannot be driven: the line does not answer.")]
    of.lamp.fails = False
    of.loop.turn()
    assert of.lamp.is_on


@pytest.fixture
def mock() -> Iterator[Any]:
    factory = MockFactory(pin_class=MockPWMPin)
    yield factory
    gpiozero.devices._devices_shutdown()


def lamp_plan(gpio: int | None = 26) -> Any:
    one = plan()
    ca = one.channels["ca"]
    channels = {**one.channels, "ca": evolve(ca, pump=evolve(ca.pump, gpio=27))}
    return evolve(one, channels=channels, alarm_output_gpio=gpio)


def test_the_lamp_s_line_is_taken_low_driven_high_and_let_go_of_low(mock: Any, tmp_path: Path) -> None:
    rig = GpioRig.open(lamp_plan(), tmp_path, mock)
    assert rig.alarm_output is not None
    assert [state.state for state in mock.pin(26).states if state.state] == [], "never high while it is opened"
    rig.alarm_output.on()
    assert mock.pin(26).state == 1
    assert rig.close() == []
    assert mock.pin(26).state == 0


def test_a_plan_without_a_lamp_has_none_and_a_reload_brings_one(mock: Any, tmp_path: Path) -> None:
    rig = GpioRig.open(lamp_plan(None), tmp_path, mock)
    lamps = [rig.alarm_output]
    rig.refit(lamp_plan())
    lamps.append(rig.alarm_output)
    assert lamps[0] is None
    assert lamps[1] is not None
    lamps[1].on()
    rig.refit(lamp_plan(None))
    assert mock.pin(26).state == 0
    bench = BenchRig(lamp_plan(), lambda name, on: None)
    assert bench.alarm_output is not None
    bench.alarm_output.on()
    bench.close()
    assert not bench.alarm_output.is_on


def test_the_stop_helper_leaves_the_lamp() -> None:
    assert 26 not in output_lines(lamp_plan()), "a daemon that was killed with an alarm leaves its lamp on"
