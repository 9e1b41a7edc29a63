"""A pretend board below gpiozero: what lgpio does with lines, in as few lines as will do. All of it is invented data.

How it behaves is taken from lgpio 0.2.2.0 (lgGpio.c, lgPthTx.c, lgpio.py): a claim of a line that is claimed elsewhere
is 'GPIO busy'; an output that is claimed as an output again keeps its level; a pulse's new duty comes with the next
period; `tx_pwm` at 0 Hz ends the pulses and leaves the level as it is; an error's text has quotes around it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import Any

import gpiozero.devices
import pytest

from dosingd import pins_off
from dosingd.pumps import gpio


class LgpioError(Exception):
    """As lgpio's: its text is in quotes."""

    def __init__(self, value: str) -> None:
        self.value = value

    def __str__(self) -> str:
        return repr(self.value)


class Board:
    """The lines of one chip: level, direction and who has them."""

    def __init__(self) -> None:
        self.labels = {0: "pinctrl-bcm2711"}
        self.journal: list[str] = []
        self.level: dict[int, int] = {}
        self.output: dict[int, bool] = {}
        self.held_elsewhere: set[int] = set()
        self.stuck_high: set[int] = set()
        self.fails: set[str] = set()
        self.duty: dict[int, float] = {}
        self.ever_high: set[int] = set()
        self.closed_chips = 0

    def set(self, line: int, level: int) -> None:
        """A level at the line."""
        self.level[line] = level
        if level:
            self.ever_high.add(line)

    def pulse(self) -> None:
        """The next period of every pulsed line begins."""
        for line, duty in self.duty.items():
            self.set(line, int(duty > 0))

    def reads(self, line: int) -> int:
        """What the kernel says of the line."""
        return 1 if line in self.stuck_high else self.level[line]

    def _may(self, what: str, line: int | None = None) -> None:
        if what in self.fails or (line is not None and f"{what} {line}" in self.fails):
            raise LgpioError("GPIO cannot")
        if line in self.held_elsewhere:
            raise LgpioError("GPIO busy")

    def lgpio(self) -> ModuleType:
        """A module as `lgpio`, on this board."""

        def gpiochip_open(chip: int) -> int:
            self._may("open")
            self.journal.append(f"open chip {chip}")
            return chip

        def gpiochip_close(handle: int) -> None:
            self.closed_chips += 1
            self.output.clear()
            self.duty.clear()

        def gpio_claim_input(handle: int, line: int, flags: int = 0) -> None:
            self._may("claim", line)
            self.journal.append(f"input {line}")
            self.output[line] = False
            self.duty.pop(line, None)
            self.level[line] = 0

        def gpio_claim_output(handle: int, line: int, level: int = 0, flags: int = 0) -> None:
            self._may("claim", line)
            if not self.output.get(line):
                self.journal.append(f"output {line} at {level}")
                self.set(line, level)
            self.output[line] = True

        def gpio_free(handle: int, line: int) -> None:
            self.journal.append(f"free {line}")
            del self.output[line]

        def gpio_read(handle: int, line: int) -> int:
            self._may("read", line)
            return self.reads(line)

        def gpio_write(handle: int, line: int, level: int) -> None:
            self._may("write", line)
            self.set(line, int(level))

        def gpio_get_mode(handle: int, line: int) -> int:
            return 2 if self.output.get(line) else 0

        def tx_pwm(handle: int, line: int, frequency: float, duty: float) -> int:
            self._may("tx_pwm", line)
            if frequency == 0 and duty == 0:
                self._may("tx_pwm end", line)
                self.duty.pop(line, None)
            else:
                self.duty[line] = duty
            return 0

        module: Any = ModuleType("lgpio")
        module.error = LgpioError
        module.BOTH_EDGES, module.RISING_EDGE, module.FALLING_EDGE = 3, 1, 2
        module.SET_PULL_UP, module.SET_PULL_DOWN, module.SET_PULL_NONE = 32, 64, 128
        for function in (
            gpiochip_open,
            gpiochip_close,
            gpio_claim_input,
            gpio_claim_output,
            gpio_free,
            gpio_read,
            gpio_write,
            gpio_get_mode,
            tx_pwm,
        ):
            setattr(module, function.__name__, function)
        return module  # type: ignore[no-any-return]


@contextmanager
def board_in(monkeypatch: pytest.MonkeyPatch) -> Iterator[Board]:
    """A board in place of this machine's chips, for pins_off and for gpiozero."""
    import sys

    board = Board()
    former = sys.modules.pop("gpiozero.pins.lgpio", None)
    monkeypatch.setitem(sys.modules, "lgpio", board.lgpio())
    monkeypatch.setattr(pins_off, "_handles", {})
    monkeypatch.setattr(pins_off, "chip_labels", lambda: board.labels)
    monkeypatch.setattr(gpio, "chip_labels", lambda: board.labels)
    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", lambda: 0xC03114)  # a board of 4, 4 GB
    try:
        yield board
    finally:
        board.fails.clear()
        gpiozero.devices._devices_shutdown()
        sys.modules.pop("gpiozero.pins.lgpio", None)
        if former is not None:
            sys.modules["gpiozero.pins.lgpio"] = former
