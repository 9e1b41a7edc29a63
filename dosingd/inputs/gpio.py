"""The switches on the pins of a Raspberry Pi: contacts to ground, with the board's own pull-up.

A line is only ever an input here, and only looked at: no thread waits for edges, because the control loop looks four
times a second anyway. A wire that is broken reads as an open contact.
"""

from __future__ import annotations

from typing import Any

from gpiozero import InputDevice

from dosingd.errors import PinsRefused
from dosingd.inputs.judging import sensors_of
from dosingd.plan.model import Plan
from dosingd.pumps.gpio import why_refused


class GpioSwitches:
    """The contacts of a plan, on the same factory as its pumps."""

    def __init__(self, plan: Plan, factory: Any) -> None:
        """Raises PinsRefused when a line cannot be had."""
        self._factory = factory
        self._devices: dict[str, Any] = {}
        self.refit(plan)

    def closed(self, name: str) -> bool | None:
        """Whether a contact is closed; None when its line is not held."""
        device = self._devices.get(name)
        return None if device is None else bool(device.is_active)

    def refit(self, plan: Plan) -> None:
        """Let go of every line, then take those of this plan. Raises PinsRefused; then none is held."""
        self.close()
        taken: dict[str, Any] = {}
        refused = None
        for name, sensor in sensors_of(plan).items():
            try:
                taken[name] = InputDevice(sensor.gpio, pull_up=True, pin_factory=self._factory)
            except Exception as fault:
                refused = f"{why_refused(name, sensor.gpio, fault)} Nothing was pumped."
                break
        self._devices = taken
        if refused is not None:
            self.close()
            raise PinsRefused(refused)

    def close(self) -> None:
        """Let go of every line; whoever looks meanwhile finds none."""
        devices, self._devices = self._devices, {}
        for device in devices.values():
            device.close()
