"""What comes before anything slow: one daemon a state directory, and every pump's line driven low.

A daemon that was killed may have left a line high, and each second counts then. So this room needs the standard
library alone, and the binding of the pins where there are real ones.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from attrs import frozen

from dosingd.clock import Clock
from dosingd.errors import PinsRefused, Refusal
from dosingd.pins_off import CannotDrive, drive_low, read_list
from dosingd.pumps.pulses import Pulses
from dosingd.records import Reading

LOCK_NAME = "daemon.lock"
PULSES_NAME = "pulses.jsonl"


class SecondStart(Refusal):
    """Another daemon doses with this state directory already."""

    code = "running"


class NoStateDirectory(Refusal):
    """There is no such state directory, or it may not be written."""

    code = "state"


@frozen
class Early:
    """What the early steps leave: the lock (closed when the process ends), and when every line was low."""

    lock: int
    low: Reading
    pulses: Pulses | None  #: the bench's; None with real pins
    found_on: tuple[str, ...]  #: channels of a bench whose line was still high
    failed: tuple[str, ...]  #: lines that could not be driven low, in words


def first_steps(state: Path, clock: Clock, *, bench: bool) -> Early:
    """Take the lock, then drive every line low. Raises SecondStart, NoStateDirectory or DosingError; then no line was
    touched: they are the other daemon's."""
    lock = _locked(state)
    if bench:
        try:
            pulses = Pulses.open(state / PULSES_NAME, lambda: clock.now().mono_s)
        except OSError as fault:
            raise PinsRefused(f"{state / PULSES_NAME}: the pretend pins cannot be used: {fault.strerror}.") from None
        return Early(lock, clock.now(), pulses, pulses.left_on, ())
    try:
        failed = drive_low(read_list(state), state)
    except CannotDrive as fault:
        raise PinsRefused(f"{fault}") from None
    return Early(lock, clock.now(), None, (), tuple(failed))


def _locked(state: Path) -> int:
    path = state / LOCK_NAME
    try:
        lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except FileNotFoundError:
        raise NoStateDirectory(
            f"{state}: there is no such state directory, so there is no ledger and no pump runs. To make the first one:"
            f" dosingd init --plan PLAN --state {state}"
        ) from None
    except OSError as fault:
        raise NoStateDirectory(f"{state}: it cannot be written ({fault.strerror}), so no pump runs.") from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        owner = os.pread(lock, 20, 0).decode("ascii", "replace").strip()
        os.close(lock)
        raise SecondStart(
            f"{state}: a daemon doses here already{f' (process {owner})' if owner.isdigit() else ''}. This one touched"
            " nothing. To see the rig: dosingd status"
        ) from None
    os.ftruncate(lock, 0)
    os.pwrite(lock, str(os.getpid()).encode("ascii"), 0)
    return lock
