"""What was measured on the emulated board, for the table at the end of a run."""

from __future__ import annotations

from dataclasses import dataclass

from tests.machine.machine import Pulse
from tests.machine.rig import Run


@dataclass(frozen=True)
class Figure:
    """How long a line stayed high after a fault, beside the most that it may."""

    fault: str
    high_ms: float
    budget_ms: float
    booked: str


_HIGH: list[Figure] = []
_SAID: list[str] = []
_TIMES: dict[str, float] = {}


def high(fault: str, high_s: float, budget_s: float, booked: str = "") -> None:
    """A line was high for so long after a fault; red when that was too long."""
    _HIGH.append(Figure(fault, high_s * 1000, budget_s * 1000, booked))
    assert high_s <= budget_s, f"{fault}: high for {high_s:.3f} s, and {budget_s:.3f} s are allowed"


def say(line: str) -> None:
    """A line of its own in the table."""
    _SAID.append(line)


def note(what: str, seconds: float) -> None:
    """Something took so long."""
    _TIMES[what] = seconds


def table() -> list[str]:
    """The lines of the table, at most 80 columns wide."""
    if not _HIGH and not _TIMES:
        return []
    lines = ["", "emulated board: how long a line was high after a fault, in ms"]
    lines += [f"{'fault':<38} {'high':>7} {'budget':>7}  booked afterwards"] if _HIGH else []
    lines += [f"{one.fault:<38} {one.high_ms:7.0f} {one.budget_ms:7.0f}  {one.booked}" for one in _HIGH]
    lines += _SAID
    lines += [f"{what}: {seconds:.1f} s" for what, seconds in _TIMES.items()]
    return lines


def booked(run: Run, pulse: Pulse | None = None) -> str:
    """What the ledger holds of a run, beside what was seen of it."""
    seen = "" if pulse is None or pulse.end_s is None else f" of {pulse.run_s:.2f} s"
    return f"{run.outcome}, {run.ran_s:.2f} s{seen}"
