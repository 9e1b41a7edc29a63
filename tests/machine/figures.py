"""What was measured on the emulated board, for the table at the end of a run."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from tests.machine.machine import Pulse
from tests.machine.rig import Run


@dataclass(frozen=True)
class Figure:
    """How long a line stayed high after a fault, beside the most that it may."""

    fault: str
    high_ms: float
    budget_ms: float
    booked: str


@dataclass
class Figures:
    """All of them."""

    high: list[Figure] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    times: list[tuple[str, float]] = field(default_factory=list)


_ALL = Figures()


def high(fault: str, high_s: float, budget_s: float, booked: str = "") -> None:
    """A line was high for so long after a fault; red when that was too long."""
    _ALL.high.append(Figure(fault, high_s * 1000, budget_s * 1000, booked))
    assert high_s <= budget_s, f"{fault}: high for {high_s:.3f} s, and {budget_s:.3f} s are allowed"


def say(line: str) -> None:
    """A line of its own in the table."""
    _ALL.said.append(line)


def note(what: str, seconds: float) -> None:
    """Something took so long."""
    _ALL.times.append((what, seconds))


def kept() -> dict[str, Any]:
    """All that was measured in this process, in plain values."""
    return asdict(_ALL)


def add(kept: dict[str, Any]) -> None:
    """What was measured in another process."""
    _ALL.high.extend(Figure(**one) for one in kept.get("high", []))
    _ALL.said.extend(kept.get("said", []))
    _ALL.times.extend((what, seconds) for what, seconds in kept.get("times", []))


def table() -> list[str]:
    """The lines of the table, at most 80 columns wide."""
    if not _ALL.high and not _ALL.times:
        return []
    lines = ["", "emulated board: how long a line was high after a fault, in ms"]
    lines += [f"{'fault':<38} {'high':>7} {'budget':>7}  booked afterwards"] if _ALL.high else []
    lines += [f"{one.fault:<38} {one.high_ms:7.0f} {one.budget_ms:7.0f}  {one.booked}" for one in _ALL.high]
    lines += _ALL.said
    lines += [f"{what}: {seconds:.1f} s" for what, seconds in _ALL.times]
    return lines


def booked(run: Run, pulse: Pulse | None = None) -> str:
    """What the ledger holds of a run, beside what was seen of it."""
    seen = "" if pulse is None or pulse.end_s is None else f" of {pulse.run_s:.2f} s"
    return f"{run.outcome}, {run.ran_s:.2f} s{seen}"
