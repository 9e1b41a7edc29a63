"""What every pump promises, pretended or on pins: one set of tests for all of them, levels read from outside."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import gpiozero.devices
import pytest
from attrs import evolve, frozen
from gpiozero.pins.mock import MockFactory, MockPWMPin

from dosingd.errors import PinsFailed
from dosingd.plan.model import Plan
from dosingd.pumps.bench import BenchRig
from dosingd.pumps.gpio import GpioRig
from dosingd.pumps.pulses import Pulses
from dosingd.pumps.pump import Line, Rig, output_lines
from tests.builders import plan
from tests.pumps.board import board_in

GPIO = 17


@frozen
class Case:
    """One kind of pump, and a look at its level that does not ask the pump."""

    rig: Rig
    line: Line
    high: Callable[[], bool]


def plan_of(speed: float | None = None, keep_alive: int | None = 5) -> Plan:
    """The builders' plan with alk on GPIO 17 and ca on GPIO 27, and a keep-alive."""
    one = plan()
    alk, ca = one.channels["alk"], one.channels["ca"]
    channels = {
        "alk": evolve(alk, pump=evolve(alk.pump, gpio=GPIO, speed=speed)),
        "ca": evolve(ca, pump=evolve(ca.pump, gpio=27)),
    }
    return evolve(one, channels=channels, keep_alive_gpio=keep_alive)


@pytest.fixture(params=["bench", "mock", "mock with a speed", "board", "board with a speed"])
def case(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Case]:
    kind = str(request.param)
    speed = 0.6 if "speed" in kind else None
    if kind == "bench":
        file = tmp_path / "pulses.jsonl"
        pulses = Pulses.open(file, lambda: 1.0)
        bench = BenchRig(plan_of(), pulses.log)

        def written() -> bool:
            lines = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
            return bool(lines) and bool(lines[-1]["on"])

        yield Case(bench, bench.pumps["alk"], written)
        pulses.close()
    elif kind.startswith("mock"):
        factory = MockFactory(pin_class=MockPWMPin)
        mocked = GpioRig.open(plan_of(speed), tmp_path, factory)
        yield Case(mocked, mocked.pumps["alk"], lambda: factory.pin(GPIO).state > 0)
        gpiozero.devices._devices_shutdown()
    else:
        with board_in(monkeypatch) as board:
            pinned = GpioRig.open(plan_of(speed), tmp_path)

            def reads() -> bool:
                board.pulse()
                return bool(board.reads(GPIO))

            yield Case(pinned, pinned.pumps["alk"], reads)


def test_a_line_is_low_when_it_is_taken(case: Case) -> None:
    assert not case.high()
    assert not case.line.is_on


def test_on_is_high_and_off_is_low(case: Case) -> None:
    for _ in range(3):
        case.line.on()
        assert case.high()
        assert case.line.is_on
        case.line.off()
        assert not case.high()
        assert not case.line.is_on


def test_on_twice_is_on_and_off_works_any_number_of_times(case: Case) -> None:
    case.line.off()
    case.line.on()
    case.line.on()
    assert case.high()
    for _ in range(3):
        case.line.off()
        assert not case.high()


def test_off_works_from_another_thread(case: Case) -> None:
    case.line.on()
    other = threading.Thread(target=case.line.off)
    other.start()
    other.join()
    assert not case.high()
    assert not case.line.is_on


def test_a_line_that_was_shut_stays_low(case: Case) -> None:
    case.line.on()
    case.line.shut()
    assert not case.high()
    with pytest.raises(PinsFailed, match="has been let go, so it was not driven high"):
        case.line.on()
    assert not case.high()
    case.line.off()
    assert not case.line.is_on


def test_a_rig_that_is_closed_has_every_line_low_for_good(case: Case) -> None:
    assert case.rig.keep_alive is not None
    case.line.on()
    case.rig.keep_alive.on()
    assert case.rig.close() == []
    assert not case.high()
    assert not case.rig.keep_alive.is_on
    assert case.rig.close() == []
    for pump in (*case.rig.pumps.values(), case.rig.keep_alive):
        with pytest.raises(PinsFailed):
            pump.on()


def test_another_plan_takes_the_lines_of_the_former_and_its_pumps_are_dead(case: Case) -> None:
    case.line.on()
    case.rig.refit(plan_of(keep_alive=None))
    assert not case.high()
    assert case.rig.keep_alive is None
    assert list(case.rig.pumps) == ["alk", "ca"]
    with pytest.raises(PinsFailed):
        case.line.on()
    case.rig.pumps["alk"].on()
    assert case.high()
    case.line.off()  # the former pump's: the line is another's now
    assert case.high()
    assert not case.line.is_on
    case.rig.pumps["alk"].off()
    assert not case.high()


def test_the_lines_that_must_be_low_are_the_pumps_and_the_keep_alive() -> None:
    assert output_lines(plan_of()) == (5, 17, 27)
    assert output_lines(plan_of(keep_alive=None)) == (17, 27)
