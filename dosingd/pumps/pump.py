"""What a pump is to the rest of the program: a line that is on or off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Protocol

from dosingd.plan.model import Plan


class Pump(Protocol):
    """One pump head. `off` must work at any time and any number of times."""

    def on(self) -> None:
        """Drive the line high. Only `turn` calls this, under a lease."""

    def off(self) -> None:
        """Drive the line low."""

    @property
    def is_on(self) -> bool:
        """Whether the line is driven high."""


class Line(Pump, Protocol):
    """An output of a rig, which can be let go of."""

    channel: str  #: the channel whose pump is on it, or what else it is for

    def shut(self) -> None:
        """Drive the line low for good: from now on `on` raises PinsFailed."""


class Rig(Protocol):
    """The outputs of a plan, on pins or on a bench."""

    @property
    def pumps(self) -> Mapping[str, Pump]:
        """The pumps by channel; another mapping after `refit`."""

    @property
    def keep_alive(self) -> Pump | None:
        """The output whose pulses the external cut-off waits for, if the plan has one."""

    @property
    def alarm_output(self) -> Pump | None:
        """The output of a lamp or buzzer, if the plan has one. Nobody is harmed where it stays on."""

    def refit(self, plan: Plan) -> None:
        """Every line low for good, then the lines of this plan in their place."""

    def close(self) -> list[str]:
        """Every line low for good, whatever fails. Returns what failed, in words. May be called at any time."""


def output_lines(plan: Plan) -> tuple[int, ...]:
    """The lines that must be low when nobody is in charge, in order: every pump, and the keep-alive."""
    lines = {channel.pump.gpio for channel in plan.channels.values()}
    if plan.keep_alive_gpio is not None:
        lines.add(plan.keep_alive_gpio)
    return tuple(sorted(lines))


def shut_all(lines: Iterable[Line]) -> list[str]:
    """Drive every line low for good and read it back, one after another whatever fails. Returns what failed."""
    failed: list[str] = []
    for line in lines:
        try:
            line.shut()
            if line.is_on:
                failed.append(f"{line.channel}: its line was driven low and still reads high.")
        except Exception as fault:
            failed.append(f"{line.channel}: its line could not be driven low: {fault}")
    return failed
