"""What comes before anything slow: one daemon a state directory, and every pump's line driven low.

A daemon that was killed may have left a line high, and each second counts then. So this room needs the standard
library alone, and the binding of the pins where there are real ones.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from pathlib import Path

from attrs import frozen

from dosingd.clock import Clock
from dosingd.errors import PinsRefused, Refusal
from dosingd.pins_off import CannotDrive, drive_low, read_list, read_mark
from dosingd.pumps.pulses import Pulses
from dosingd.records import Reading
from dosingd.recovery import LinesLow

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
    helper: LinesLow | None = None  #: when the stop helper drove lines low, if it wrote that down


def first_steps(state: Path, clock: Clock, *, bench: bool) -> Early:
    """Take the lock, then drive every line low. Raises SecondStart, NoStateDirectory or DosingError; then no line was
    touched: they are the other daemon's."""
    lock, unwritable = _lock(state)
    if bench and unwritable is None:
        try:
            pulses = Pulses.open(state / PULSES_NAME, lambda: clock.now().mono_s)
        except OSError as fault:
            raise PinsRefused(f"{state / PULSES_NAME}: the pretend pins cannot be used: {fault.strerror}.") from None
        return Early(lock, clock.now(), pulses, pulses.left_on, ())
    failed: list[str] = []
    if not bench:
        try:
            failed = drive_low(read_list(state), state)
        except CannotDrive as fault:
            # Which lines they were nobody knows any more: the plan's own go low with it, and the rig is held.
            failed = [str(fault)]
    if unwritable is not None:
        os.close(lock)
        said = " ".join(failed) if failed else "" if bench else "Every listed line was driven low. "
        raise NoStateDirectory(f"{state}: it cannot be written ({unwritable}), so nothing is dosed. {said}".rstrip())
    low = clock.now()
    # A line that reads high now was not let go of, whatever was written down before.
    return Early(lock, low, None, (), tuple(failed), None if failed else _helper(state))


def _helper(state: Path) -> LinesLow | None:
    mark = read_mark(state)
    return None if mark is None else LinesLow(mark.boot_id, mark.boot_mono_s, frozenset(mark.lines))


def take_lock(state: Path) -> int:
    """The lock of a state directory, held until the file is closed. Raises SecondStart or NoStateDirectory."""
    lock, unwritable = _lock(state)
    if unwritable is not None:
        os.close(lock)
        raise NoStateDirectory(f"{state}: it cannot be written ({unwritable}). Nothing was done.")
    return lock


def _lock(state: Path) -> tuple[int, str | None]:
    """The lock, and why the directory cannot be written, None where it can: a card that has gone read-only or full must
    not keep a line high, so it is locked as far as it can be and the lines come first."""
    path = state / LOCK_NAME
    unwritable: str | None = None
    try:
        lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except FileNotFoundError:
        raise NoStateDirectory(
            f"{state}: there is no such state directory, so there is no ledger and no pump runs. To make the first one:"
            f" dosingd init --plan PLAN --state {state}"
        ) from None
    except OSError as fault:
        unwritable = str(fault.strerror)
        try:
            lock = os.open(path if path.exists() else state, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            raise NoStateDirectory(
                f"{state}: this account may not use it ({unwritable}). This start touched nothing."
            ) from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        try:
            owner = os.pread(lock, 20, 0).decode("ascii", "replace").strip()
        except OSError:
            owner = ""
        os.close(lock)
        raise SecondStart(
            f"{state}: a daemon doses here already{f' (process {owner})' if owner.isdigit() else ''}. This one touched"
            " nothing. To see the rig: dosingd status"
        ) from None
    if unwritable is None:
        with suppress(OSError):  # the number is for people; a full disk must not come before the lines
            os.ftruncate(lock, 0)
            os.pwrite(lock, str(os.getpid()).encode("ascii"), 0)
    return lock, unwritable
