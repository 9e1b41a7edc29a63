"""Pumps on the pins of a Raspberry Pi. With the switches (inputs/gpio.py) the only file with gpiozero.

What gpiozero and lgpio do by themselves, and what is done about it here:

- Without a pin factory of its own choice gpiozero falls back silently to whatever works, a pretend one included. Here
  it is given one, and asked afterwards which one it took.
- The header's chip is found by its label: its number has changed between kernels.
- Outputs are active high and low from the first instant. An active-low output is low for some 0.4 ms before it rests.
- Closing a line makes it an input without a pull, and a driver with a floating gate half open. Here a line that is
  closed, also by gpiozero at the interpreter's end, stays an output and low until the process is gone.
- A pump with a `speed` is pulsed by a thread of lgpio. Its last pulse could end after `off`, so `off` ends the pulses
  first and then drives the line low itself.
"""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

from gpiozero import Device, DigitalOutputDevice, GPIOPinInUse, PinInvalidPin, PinUnknownPi, PWMOutputDevice

from dosingd.errors import PinsFailed, PinsRefused
from dosingd.pins_off import CannotDrive, chip_labels, chip_number, load_lgpio
from dosingd.plan.model import Plan
from dosingd.pumps.pump import shut_all

#: A small geared motor turns on evenly at this rate, and a late wake-up of 0.1 ms is 1 % of a pulse; faster pulses cost
#: wake-ups and exactness, slower ones make the head step. Common practice, no source.
PWM_HZ = 100


class GpioLine:
    """One output line: a pump that is on or off. May be called from any thread."""

    def __init__(self, channel: str, gpio: int, factory: Any) -> None:
        self.channel = channel
        self.gpio = gpio
        self._shut = False
        # Held for one write to the line at a time: else an `off` between the two steps of an `on` would be undone.
        # Re-entrant, because a signal handler may come in between.
        self._lock = threading.RLock()
        self._device = self._open(factory)
        if self._device.pin_factory is not factory:
            taken = self._device.pin_factory
            self._device.close()
            raise PinsRefused(f"GPIO {gpio} was opened by {taken!r}, not by {factory!r}. Nothing was pumped.")

    def _open(self, factory: Any) -> Any:
        return DigitalOutputDevice(self.gpio, active_high=True, initial_value=False, pin_factory=factory)

    def on(self) -> None:
        """Line high. Raises PinsFailed; the line is then low again, if it can be."""
        with self._lock:
            if self._shut:
                raise PinsFailed(f"{self.channel}: GPIO {self.gpio} has been let go, so it was not driven high.")
            try:
                self._raise()
            except Exception as fault:
                self.off()
                raise PinsFailed(f"GPIO {self.gpio} could not be driven high: {_said(fault)}.") from None

    def off(self) -> None:
        """Line low. Raises PinsFailed when the line does not take it."""
        with self._lock:
            if self._device.closed:
                return  # it was driven low when it was closed, and may be another's by now
            try:
                self._lower()
            except Exception as fault:
                raise PinsFailed(f"GPIO {self.gpio} could not be driven low: {_said(fault)}.") from None

    @property
    def is_on(self) -> bool:
        """Whether the line reads high, asked of the kernel. One that cannot be read counts as high."""
        with self._lock:
            if self._device.closed:
                return False
            try:
                return self._reads_high()
            except Exception:
                return True

    def shut(self) -> None:
        """Line low for good: from now on `on` raises."""
        with self._lock:
            self._shut = True
            self.off()

    def close(self) -> None:
        """Let gpiozero forget the line, so that it can be opened again. It stays low."""
        with self._lock:
            self._device.close()

    def _raise(self) -> None:
        self._device.on()

    def _lower(self) -> None:
        self._device.off()

    def _reads_high(self) -> bool:
        return bool(self._device.pin.state)


class GpioSpeedLine(GpioLine):
    """One output line that is pulsed: a pump at a part of its speed.

    A pump's nominal flow is its flow at full speed. So one that is not calibrated gives less than was asked at a lower
    speed, never more; so does the first pulse, which begins up to 30 ms late (a period, and 20 ms of lgpio's thread),
    and the speed, which gpiozero passes on in whole percent, rounded down.
    Source: lgpio 0.2.2.0, lgPthTx.c; gpiozero 2.0.1, LGPIOPin.
    """

    def __init__(self, channel: str, gpio: int, factory: Any, speed: float) -> None:
        self.speed = speed
        super().__init__(channel, gpio, factory)
        self.off()

    def _open(self, factory: Any) -> Any:
        return PWMOutputDevice(self.gpio, active_high=True, initial_value=0, frequency=PWM_HZ, pin_factory=factory)

    def _raise(self) -> None:
        # Without pulses any value above 0 would be the full level, so they come first.
        self._device.frequency = PWM_HZ
        self._device.value = self.speed

    def _lower(self) -> None:
        try:
            self._device.frequency = None  # from here on no pulse comes
        finally:
            self._device.value = 0

    def _reads_high(self) -> bool:
        # While it is pulsed lgpio tells the duty that it was told; without pulses the level that is there.
        return self._device.frequency is not None or bool(self._device.pin.state)


class GpioRig:
    """The outputs of a plan on the pins. Its lines stay taken, and low after `close`, until the process ends."""

    def __init__(self, factory: Any) -> None:
        self.factory = factory
        self.pumps: dict[str, GpioLine] = {}
        self.keep_alive: GpioLine | None = None
        self.alarm_output: GpioLine | None = None
        self._plan: Plan | None = None

    @classmethod
    def open(cls, plan: Plan, working_directory: Path, factory: Any = None) -> GpioRig:
        """Take the plan's output lines, each low from the first instant.

        `working_directory` is one that lgpio may write; without a `factory` the board's own pins are meant. Raises
        PinsRefused, with every line let go, when one cannot be had.
        """
        rig = cls(_board(working_directory) if factory is None else factory)
        Device.pin_factory = rig.factory
        try:
            rig._take(plan)
            if Device.pin_factory is not rig.factory:
                raise PinsRefused(f"gpiozero took {Device.pin_factory!r}, not {rig.factory!r}. Nothing was pumped.")
        except BaseException:
            for line in rig._lines():
                line.close()
            rig.factory.close()
            Device.pin_factory = None
            raise
        return rig

    def refit(self, plan: Plan) -> None:
        """Every line low for good, then the lines of this plan in their place.

        Raises PinsRefused with the lines of the former plan taken again, and PinsFailed when a line does not go low.
        """
        failed = self.close()
        if failed:
            raise PinsFailed(" ".join(failed))
        former = self._plan
        for line in self._lines():
            line.close()
        try:
            self._take(plan)
        except PinsRefused:
            if former is not None:
                self._take(former)
            raise

    def close(self) -> list[str]:
        """Every line low for good, whatever fails. Returns what failed, in words.

        The lines stay taken and driven low: letting go of them is what the end of the process does.
        """
        return shut_all(self._lines())

    def _lines(self) -> list[GpioLine]:
        others = (self.keep_alive, self.alarm_output)
        return [*self.pumps.values(), *(line for line in others if line is not None)]

    def _take(self, plan: Plan) -> None:
        taken: list[GpioLine] = []
        try:
            for channel, of in plan.channels.items():
                gpio, speed = of.pump.gpio, of.pump.speed
                taken.append(self._line(channel, gpio, speed))
            pumps = {line.channel: line for line in taken}
            keep_alive = alarm_output = None
            if plan.keep_alive_gpio is not None:
                keep_alive = self._line("keep-alive", plan.keep_alive_gpio, None)
                taken.append(keep_alive)
            if plan.alarm_output_gpio is not None:
                alarm_output = self._line("alarm-output", plan.alarm_output_gpio, None)
                taken.append(alarm_output)
        except BaseException:
            for line in taken:
                line.close()
            raise
        self.pumps, self.keep_alive, self.alarm_output, self._plan = pumps, keep_alive, alarm_output, plan

    def _line(self, channel: str, gpio: int, speed: float | None) -> GpioLine:
        try:
            if speed is None:
                return GpioLine(channel, gpio, self.factory)
            return GpioSpeedLine(channel, gpio, self.factory, speed)
        except PinsRefused:
            raise
        except Exception as fault:
            why = why_refused(channel, gpio, fault)
        # Not raised in there: the fault would live on in it, with the device that came to nothing, and gpiozero would
        # count the line as in use.
        raise PinsRefused(f"{why} Nothing was pumped.")


def open_pumps(plan: Plan, working_directory: Path, factory: Any = None) -> dict[str, GpioLine]:
    """The pumps of a plan on the pins, by channel: `GpioRig.open` without the rest of the rig."""
    return GpioRig.open(plan, working_directory, factory).pumps


def _board(working_directory: Path) -> Any:
    """gpiozero's factory for the header of this board."""
    try:
        lgpio = load_lgpio(working_directory)
        chip = chip_number(chip_labels())
    except CannotDrive as fault:
        raise PinsRefused(f"{fault} Nothing was pumped.") from None
    from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin  # it imports lgpio, which must have its directory by now

    class LowPin(LGPIOPin):  # type: ignore[misc]  # gpiozero has no types
        """An output that stays driven low when it is closed."""

        def close(self) -> None:
            if self.factory._handle is None:
                return
            if self.function != "output":
                super().close()
                return
            with suppress(lgpio.error):  # nobody is left to be told, and the next line must be closed as well
                self.frequency = None
            with suppress(lgpio.error):
                self.state = 0

    try:
        factory = LGPIOFactory(chip=chip)
    except lgpio.error as fault:
        raise PinsRefused(
            f"/dev/gpiochip{chip} cannot be opened: {_said(fault)}. Nothing was pumped. The user that runs this must "
            f"be in the group gpio: sudo usermod -aG gpio USER"
        ) from None
    factory.pin_class = LowPin
    return factory


def why_refused(channel: str, gpio: int, fault: Exception) -> str:
    """Why a line could not be had, for a person. `channel` is whose it is, or what else it is for."""
    if isinstance(fault, PinUnknownPi | OSError):
        return (
            f"This board's revision cannot be read from /proc/device-tree or /proc/cpuinfo ({_said(fault)}), so its "
            f"header is not known. In a service ProcSubset=pid hides it."
        )
    if isinstance(fault, PinInvalidPin):
        return f"{channel}: GPIO {gpio} is not on this board's header."
    if isinstance(fault, GPIOPinInUse):
        return f"{channel}: GPIO {gpio} is in use twice in this program."
    if "busy" in _said(fault).lower():
        return (
            f"{channel}: GPIO {gpio} belongs to another process, so this one would not be the only hand on the pump. "
            f"To see which it is: sudo fuser -v /dev/gpiochip*"
        )
    return f"{channel}: GPIO {gpio}: {_said(fault)}."


def _said(fault: BaseException) -> str:
    """What a library said, without the quotes that lgpio puts around it."""
    return str(getattr(fault, "value", fault)).rstrip(".") or type(fault).__name__
