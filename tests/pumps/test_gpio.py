"""Pumps on pins: levels by gpiozero's own mock, everything below gpiozero by a pretend board."""

from __future__ import annotations

import ast
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import gpiozero.devices
import pytest
from attrs import evolve
from gpiozero import Device, DigitalOutputDevice, PinUnknownPi
from gpiozero.pins.mock import MockFactory, MockPWMPin

from dosingd.errors import PinsFailed, PinsRefused
from dosingd.plan.model import Plan
from dosingd.pumps import gpio
from dosingd.pumps.gpio import GpioRig, open_pumps
from tests.builders import plan
from tests.pumps.board import Board, board_in

ROOT = Path(__file__).parents[2]


def plan_of(alk: int = 17, ca: int = 27, speed: float | None = None, keep_alive: int | None = 5) -> Plan:
    one = plan()
    channels = dict(one.channels)
    channels["alk"] = evolve(channels["alk"], pump=evolve(channels["alk"].pump, gpio=alk, speed=speed))
    channels["ca"] = evolve(channels["ca"], pump=evolve(channels["ca"].pump, gpio=ca))
    return evolve(one, channels={id_: channels[id_] for id_ in ("alk", "ca")}, keep_alive_gpio=keep_alive)


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Iterator[Board]:
    with board_in(monkeypatch) as one:
        yield one


@pytest.fixture
def mock() -> Iterator[Any]:
    factory = MockFactory(pin_class=MockPWMPin)
    yield factory
    gpiozero.devices._devices_shutdown()


def test_every_output_is_active_high_and_never_high_while_it_is_opened(mock: Any, tmp_path: Path) -> None:
    rig = GpioRig.open(plan_of(speed=0.5), tmp_path, mock)
    for line in (5, 17, 27):
        pin = mock.pin(line)
        assert pin.function == "output"
        assert [state.state for state in pin.states if state.state] == []
    rig.pumps["ca"].on()
    assert mock.pin(27).state == 1
    rig.pumps["alk"].on()
    assert mock.pin(17).state == 0.5
    assert mock.pin(17).frequency == 100


def test_an_output_is_claimed_low_on_the_kernel_s_line(board: Board, tmp_path: Path) -> None:
    GpioRig.open(plan_of(speed=0.5), tmp_path)
    assert board.journal[0] == "open chip 0"
    assert [entry for entry in board.journal if entry.startswith("output")] == [
        "output 17 at 0",
        "output 27 at 0",
        "output 5 at 0",
    ]
    assert board.ever_high == set()


def test_pumps_alone_can_be_asked_for(board: Board, tmp_path: Path) -> None:
    pumps = open_pumps(plan_of(), tmp_path)
    assert {channel: pump.gpio for channel, pump in pumps.items()} == {"alk": 17, "ca": 27}


@pytest.mark.parametrize("number", [0, 4, 10])
def test_the_chip_is_found_by_its_label_at_any_number(board: Board, tmp_path: Path, number: int) -> None:
    board.labels = {1: "gpio-brcmstb@107d517c00", number: "pinctrl-rp1"}
    rig = GpioRig.open(plan_of(), tmp_path)
    assert rig.factory.chip == number
    assert Device.pin_factory is rig.factory


@pytest.mark.parametrize("labels", [{}, {0: "gpio-brcmstb@107d517c00"}, {0: "pinctrl-rp1", 4: "pinctrl-bcm2711"}])
def test_no_chip_or_two_is_refused_and_nothing_else_is_fallen_back_to(
    board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, labels: dict[int, str]
) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    board.labels = labels
    with pytest.raises(PinsRefused, match=r"Nothing was pumped\.$") as refused:
        GpioRig.open(plan_of(), tmp_path)
    for label in labels.values():
        assert label in str(refused.value)
    assert Device.pin_factory is None


def test_a_device_on_another_factory_than_ours_is_refused(
    mock: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = MockFactory(pin_class=MockPWMPin)

    def elsewhere(line: int, **said: Any) -> DigitalOutputDevice:
        return DigitalOutputDevice(line, **{**said, "pin_factory": other})

    monkeypatch.setattr(gpio, "DigitalOutputDevice", elsewhere)
    with pytest.raises(PinsRefused, match=r"GPIO 17 was opened by .*MockFactory.*Nothing was pumped"):
        GpioRig.open(plan_of(), tmp_path, mock)


def test_a_factory_that_is_exchanged_meanwhile_is_refused(
    mock: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = GpioRig._take

    lines: list[gpio.GpioLine] = []

    def exchanging(self: GpioRig, plan: Plan) -> None:
        take(self, plan)
        lines.extend(self.pumps.values())
        Device.pin_factory = MockFactory()

    monkeypatch.setattr(GpioRig, "_take", exchanging)
    with pytest.raises(PinsRefused, match="gpiozero took"):
        GpioRig.open(plan_of(), tmp_path, mock)
    assert [line._device.closed for line in lines] == [True, True]


def test_a_line_of_another_process_is_refused_and_the_lines_taken_before_it_are_given_back(
    board: Board, tmp_path: Path
) -> None:
    board.held_elsewhere = {27}
    with pytest.raises(PinsRefused) as refused:
        GpioRig.open(plan_of(), tmp_path)
    text = str(refused.value)
    assert text.startswith("ca: GPIO 27 belongs to another process")
    assert "Nothing was pumped" in text
    assert "sudo fuser -v /dev/gpiochip" in text
    assert board.closed_chips == 1
    assert Device.pin_factory is None
    assert board.ever_high == set()
    board.held_elsewhere = set()
    GpioRig.open(plan_of(), tmp_path)  # once it is free, nothing of the failed start is in the way


def test_a_line_that_cannot_be_claimed_is_refused_in_lgpio_s_words_without_its_quotes(
    board: Board, tmp_path: Path
) -> None:
    board.fails = {"claim 27"}
    with pytest.raises(PinsRefused, match=r"^ca: GPIO 27: GPIO cannot\. Nothing was pumped\.$"):
        GpioRig.open(plan_of(), tmp_path)


@pytest.mark.parametrize("fault", [PinUnknownPi("nowhere to be found"), PermissionError(13, "Permission denied")])
def test_a_revision_that_cannot_be_read_is_refused(
    board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    def unreadable() -> int:
        raise fault

    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", unreadable)
    with pytest.raises(PinsRefused, match=r"This board's revision cannot be read .*ProcSubset=pid"):
        GpioRig.open(plan_of(), tmp_path)
    assert board.closed_chips == 1


def test_a_chip_that_cannot_be_opened_names_the_group(board: Board, tmp_path: Path) -> None:
    board.fails = {"open"}
    with pytest.raises(PinsRefused, match=r"/dev/gpiochip0 cannot be opened: GPIO cannot\. .*usermod -aG gpio USER"):
        GpioRig.open(plan_of(), tmp_path)


def test_a_line_off_the_header_is_refused(board: Board, tmp_path: Path) -> None:
    with pytest.raises(PinsRefused, match="alk: GPIO 40 is not on this board's header"):
        GpioRig.open(plan_of(alk=40), tmp_path)


def test_a_line_that_is_in_use_twice_is_refused(board: Board, tmp_path: Path) -> None:
    with pytest.raises(PinsRefused, match="ca: GPIO 17 is in use twice"):
        GpioRig.open(plan_of(ca=17), tmp_path)


def test_without_the_binding_the_package_and_the_line_to_type_are_named(
    board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", None)  # what an import that fails leaves
    with pytest.raises(PinsRefused) as refused:
        GpioRig.open(plan_of(), tmp_path)
    assert "sudo apt-get install python3-lgpio" in str(refused.value)
    assert "--system-site-packages" in str(refused.value)
    assert str(refused.value).endswith("Nothing was pumped.")


def test_an_empty_binding_is_refused(board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", ModuleType("lgpio"))  # as its release 0.0.0.2 is
    with pytest.raises(PinsRefused, match=r"lacks gpiochip_open, .*0\.2\.2 is needed.*python3-lgpio"):
        GpioRig.open(plan_of(), tmp_path)


def test_a_line_is_believed_only_when_it_reads_low(board: Board, tmp_path: Path) -> None:
    rig = GpioRig.open(plan_of(speed=0.5), tmp_path)
    board.stuck_high = {17, 27}
    for pump in rig.pumps.values():
        pump.off()
        assert pump.is_on
    assert rig.close() == [f"{channel}: its line was driven low and still reads high." for channel in ("alk", "ca")]


def test_a_line_that_cannot_be_read_counts_as_high(board: Board, tmp_path: Path) -> None:
    rig = GpioRig.open(plan_of(speed=0.5), tmp_path)
    board.fails = {"read"}
    assert [pump.is_on for pump in rig.pumps.values()] == [True, True]


def test_one_line_that_fails_does_not_stop_the_next(board: Board, tmp_path: Path) -> None:
    rig = GpioRig.open(plan_of(), tmp_path)
    for line in (*rig.pumps.values(), rig.keep_alive):
        assert line is not None
        line.on()
    board.fails = {"write 17"}
    assert rig.close() == ["alk: its line could not be driven low: GPIO 17 could not be driven low: GPIO cannot."]
    assert (board.level[17], board.level[27], board.level[5]) == (1, 0, 0)


def test_an_on_that_fails_half_way_leaves_the_line_low(board: Board, tmp_path: Path) -> None:
    pump = GpioRig.open(plan_of(speed=0.5), tmp_path).pumps["alk"]
    device: Any = pump._device

    class Refusing:
        closed = False
        pin = device.pin

        def __setattr__(self, name: str, value: Any) -> None:
            if name == "value" and value:
                raise OSError("no")
            setattr(device, name, value)

    pump._device = Refusing()
    with pytest.raises(PinsFailed, match="GPIO 17 could not be driven high: no"):
        pump.on()
    board.pulse()
    assert board.duty == {}
    assert board.level[17] == 0
    pump._device = device


def test_off_ends_the_pulses_before_it_drives_the_line_low(board: Board, tmp_path: Path) -> None:
    pump = GpioRig.open(plan_of(speed=0.5), tmp_path).pumps["alk"]
    assert board.duty == {}  # an idle pump costs no wake-ups
    pump.on()
    board.pulse()
    assert (board.duty, board.level[17]) == ({17: 50}, 1)
    pump.off()
    assert board.level[17] == 0  # at once, not at the end of the pulse
    board.pulse()
    assert board.level[17] == 0


def test_pulses_that_cannot_be_ended_do_not_keep_the_level_up_and_are_told(board: Board, tmp_path: Path) -> None:
    pump = GpioRig.open(plan_of(speed=0.5), tmp_path).pumps["alk"]
    pump.on()
    board.pulse()
    board.fails = {"tx_pwm end"}
    with pytest.raises(PinsFailed, match="GPIO 17 could not be driven low"):
        pump.off()
    board.pulse()
    assert board.level[17] == 0  # by a duty of nothing
    assert pump.is_on  # pulses may still come
    board.fails = set()
    pump.off()
    board.pulse()
    assert not pump.is_on


@pytest.mark.parametrize("percent", range(5, 101))
def test_a_speed_is_never_more_than_was_asked(board: Board, tmp_path: Path, percent: int) -> None:
    pump = GpioRig.open(plan_of(speed=percent / 100), tmp_path).pumps["alk"]
    pump.on()
    assert percent - 1 <= board.duty[17] <= percent


def test_an_off_between_the_two_steps_of_an_on_is_not_undone(mock: Any, tmp_path: Path) -> None:
    pump = GpioRig.open(plan_of(speed=0.5), tmp_path, mock).pumps["alk"]
    others: list[threading.Thread] = []

    class Between(MockPWMPin):  # type: ignore[misc]
        def _set_frequency(self, value: float | None) -> None:
            super()._set_frequency(value)
            if value and not others:
                others.append(threading.Thread(target=pump.off))
                others[0].start()
                others[0].join(0.05)

    mock.pin(17).__class__ = Between
    pump.on()
    others[0].join()
    assert mock.pin(17).state == 0
    assert not pump.is_on


def test_at_the_interpreter_s_end_a_line_is_left_driven_low(board: Board, tmp_path: Path) -> None:
    """gpiozero's own end would make it an input without a pull. Source: gpiozero 2.0.1, LGPIOPin.close."""
    rig = GpioRig.open(plan_of(speed=0.5), tmp_path)
    for pump in rig.pumps.values():
        pump.on()
    board.pulse()
    before = len(board.journal)
    close_chip: list[dict[int, tuple[int, bool]]] = []
    chip_closed = sys.modules["lgpio"].gpiochip_close

    def closing(handle: int) -> None:
        board.pulse()
        close_chip.append({line: (board.level[line], board.output[line]) for line in (5, 17, 27)})
        chip_closed(handle)

    sys.modules["lgpio"].gpiochip_close = closing  # type: ignore[attr-defined]
    gpiozero.devices._shutdown()
    assert close_chip == [{5: (0, True), 17: (0, True), 27: (0, True)}]
    assert board.journal[before:] == []


def test_at_the_interpreter_s_end_one_line_that_fails_does_not_stop_the_next(board: Board, tmp_path: Path) -> None:
    rig = GpioRig.open(plan_of(speed=0.5), tmp_path)
    for pump in rig.pumps.values():
        pump.on()
    board.pulse()
    board.fails = {"tx_pwm end 17", "write 5"}
    rig.factory.close()
    board.fails = set()
    assert board.level[27] == 0


def test_an_input_on_the_same_factory_is_closed_as_gpiozero_does(board: Board, tmp_path: Path) -> None:
    rig = GpioRig.open(plan_of(), tmp_path)
    pin = rig.factory.pin(23)
    before = len(board.journal)
    pin.close()
    assert board.journal[before:] == ["input 23"]


def test_another_plan_may_change_lines_and_speeds(board: Board, tmp_path: Path) -> None:
    rig = GpioRig.open(plan_of(), tmp_path)
    rig.refit(plan_of(alk=22, ca=17, speed=0.4, keep_alive=None))
    rig.pumps["alk"].on()
    rig.pumps["ca"].on()
    assert board.duty == {22: 40}
    assert board.level[17] == 1
    assert board.level[27] == 0
    assert board.output[27]  # a line that left the plan stays taken, and low
    rig.close()
    assert board.level == {17: 0, 22: 0, 27: 0, 5: 0}


def test_a_plan_whose_lines_cannot_be_had_leaves_the_former_plan_s(board: Board, tmp_path: Path) -> None:
    rig = GpioRig.open(plan_of(), tmp_path)
    board.held_elsewhere = {22}
    with pytest.raises(PinsRefused, match="ca: GPIO 22 belongs to another process"):
        rig.refit(plan_of(ca=22))
    rig.pumps["ca"].on()
    assert board.level[27] == 1
    assert rig.keep_alive is not None


def test_lines_that_do_not_go_low_are_not_given_up_for_another_plan(board: Board, tmp_path: Path) -> None:
    rig = GpioRig.open(plan_of(), tmp_path)
    former = rig.pumps["alk"]
    board.stuck_high = {17}
    with pytest.raises(PinsFailed, match="alk: its line was driven low and still reads high"):
        rig.refit(plan_of(alk=22))
    assert rig.pumps["alk"] is former


def test_gpiozero_is_imported_where_pins_are_and_nowhere_else() -> None:
    importing = set()
    for path in (ROOT / "dosingd").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            if any(name.split(".")[0] == "gpiozero" for name in names):
                importing.add(path.relative_to(ROOT).as_posix())
    assert importing == {"dosingd/pumps/gpio.py", "dosingd/inputs/gpio.py"}


def test_gpiozero_is_imported_without_a_warning_and_without_taking_pins() -> None:
    code = "import dosingd.pumps.gpio, gpiozero, sys; print(gpiozero.Device.pin_factory, 'lgpio' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["None", "False"]
    assert done.stderr == ""
