"""The only reader of time: the system's clocks, or virtual ones that jump to the next due time.

Two verbs: `now` gives a Reading, `wait_until_mono_s` waits for CLOCK_BOOTTIME (or until it is interrupted).
"""

from __future__ import annotations

import ctypes
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol

from dosingd.records import Reading

#: systemd-timesyncd makes this file when the clock was first synchronised in this boot (systemd-timesyncd(8)).
SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
#: What adjtimex(2) returns while nothing keeps the kernel's clock in step (TIME_ERROR, linux/timex.h).
_TIME_ERROR = 5
#: Room for struct timex, 208 bytes on 64-bit Linux; all of it zero asks and sets nothing.
_TIMEX_BYTES = 512
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Clock(Protocol):
    """What everything that needs the time is given."""

    def now(self) -> Reading:
        """One look at the clocks."""

    def wait_until_mono_s(self, mono_s: float, interrupt: threading.Event | None = None) -> bool:
        """Wait for a BOOTTIME; True when it came, False when interrupted before."""


class SystemClock:
    """The machine's clocks."""

    def __init__(self, synchronised: Path = SYNCHRONISED) -> None:
        """`synchronised` is the file whose being there says so."""
        self._synchronised = synchronised
        self._adjtimex = getattr(ctypes.CDLL(None), "adjtimex", None)
        self._timex = ctypes.create_string_buffer(_TIMEX_BYTES)
        self._boot_id = BOOT_ID.read_text(encoding="ascii").strip()

    def now(self) -> Reading:
        """Wall clock, boot id and CLOCK_BOOTTIME of this machine."""
        return Reading(
            wall_at=datetime.now(UTC),
            boot_id=self._boot_id,
            mono_s=time.clock_gettime(time.CLOCK_BOOTTIME),
            synchronised=self._synchronised.exists() or self._kernel_in_step(),
        )

    def _kernel_in_step(self) -> bool:
        """What another time daemon than systemd's has told the kernel. A service that may not touch the clock may not
        ask either (systemd.exec(5), ProtectClock=); then only the file counts."""
        if self._adjtimex is None:
            return False
        state: int = self._adjtimex(self._timex)
        return 0 <= state < _TIME_ERROR

    def wait_until_mono_s(self, mono_s: float, interrupt: threading.Event | None = None) -> bool:
        """Wait on the event, so that an interrupt ends the wait at once."""
        event = interrupt or threading.Event()
        while (left_s := mono_s - time.clock_gettime(time.CLOCK_BOOTTIME)) > 0:
            if event.wait(left_s):
                return False
        return not event.is_set()


class VirtualClock:
    """Clocks that move only when told to, for rehearsals and tests. True time, wall clock and BOOTTIME are apart."""

    def __init__(
        self, start_at: datetime, *, boot_id: str = "boot-1", mono_s: float = 1000.0, synchronised: bool = True
    ) -> None:
        self.true_s = 0.0
        self._epoch_at = start_at
        self._wall_offset_s = 0.0
        self._boots = 1
        self.boot_id = boot_id
        self._boot_true_s = -mono_s
        self.synchronised = synchronised
        #: Called with the true second that a wait would pass to; may raise to cut the power before it.
        self.before_passing: Callable[[float], None] | None = None

    @property
    def mono_s(self) -> float:
        """CLOCK_BOOTTIME now."""
        return self.true_s - self._boot_true_s

    def now(self) -> Reading:
        """The reading at the present virtual instant."""
        wall_at = self._epoch_at + timedelta(seconds=round(self.true_s + self._wall_offset_s, 6))
        return Reading(wall_at, self.boot_id, self.mono_s, self.synchronised)

    def wait_until_mono_s(self, mono_s: float, interrupt: threading.Event | None = None) -> bool:
        """Jump to the BOOTTIME, unless interrupted already."""
        if interrupt is not None and interrupt.is_set():
            return False
        if mono_s > self.mono_s:
            self.pass_s(mono_s - self.mono_s)
        return True

    def pass_s(self, seconds: float) -> None:
        """Let true time pass."""
        if self.before_passing is not None:
            self.before_passing(self.true_s + seconds)
        self.true_s += seconds

    def set_wall(self, by_s: float) -> None:
        """Move the wall clock alone."""
        self._wall_offset_s += by_s

    def reboot(self, down_s: float = 0.0) -> None:
        """A new boot: another boot id, BOOTTIME from zero, after `down_s` of true time without power."""
        self.true_s += down_s
        self._boots += 1
        self.boot_id = f"boot-{self._boots}"
        self._boot_true_s = self.true_s
