"""The control loop: it alone may force a pump off, feeds the watchdog, watches the clock, and waits for nobody.

Rules this room keeps:
- R5: whatever outlives its lease is forced off, the rig is latched, and the watchdog goes hungry.
- R11: one line that fails does not keep the next one on.
- R13: whatever it calls returns at once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from dosingd.clock import Clock
from dosingd.cut import Cut
from dosingd.leases import OUTLIVED, Lease, Leases
from dosingd.pumps.pump import Pump
from dosingd.records import Reading
from dosingd.trust import JUMP_S, offset_s

#: The longest that passes between two turns of the loop. What a pump that outlives its lease can give besides is a
#: quarter of a second's worth, 63 µL at 15 mL/min; a shorter turn would cost a small board more than it saves.
TURN_S = 0.25
#: A wake-up that is so late did not come: the clock was set, or its thread is stuck.
OVERDUE_S = 1.0
#: A turn thread that gave no sign of life for so long, with no pump on, is stuck: systemd starts the daemon anew.
#: A round comes every minute, and a disk that is slower than this will not get better by waiting.
STUCK_S = 900.0


class Watched(Protocol):
    """What the loop looks at: the turn thread, as others see it."""

    next_mono_s: float
    alive_mono_s: float

    def wake(self) -> None: ...


class ControlLoop:
    """`turn` is one turn of the loop; the caller waits until what it returns, or until the bell rings."""

    def __init__(
        self,
        clock: Clock,
        cut: Cut,
        duty: Watched,
        *,
        pumps: Callable[[], Mapping[str, Pump]],
        leases: Callable[[], Leases],
        keep_alive: Callable[[], Pump | None],
        hold: Callable[[str, str], None],
        feed: Callable[[], None],
        feed_every_s: float | None,
        say: Callable[[str, str], None],
        alarm_output: Callable[[], Pump | None] = lambda: None,
        lit: Callable[[float], bool] = lambda mono_s: False,
    ) -> None:
        """`hold(why, reason)` posts the latch and returns at once."""
        self._clock, self._cut, self._duty = clock, cut, duty
        self._pumps, self._leases, self._keep_alive = pumps, leases, keep_alive
        self._hold, self._feed, self._say = hold, feed, say
        self._feed_every_s = feed_every_s
        self._fed_mono_s = float("-inf")
        self._offset_s: float | None = None
        self._broken: Lease | None = None
        self._stuck = False
        self._alarm_output, self._lit = alarm_output, lit
        self._dead_lines: set[str] = set()
        self._loose: set[str] = set()
        self._pulse = False

    def turn(self) -> float:
        """One turn. Returns the BOOTTIME of the next one."""
        now = self._clock.now()
        leases = self._leases()
        loose = self._force_off()
        good = self._leases_good(leases, now) and self._turn_thread_well(leases, now) and not loose
        self._watch_clock(now)
        if now.mono_s > self._duty.next_mono_s + OVERDUE_S and not leases.current:
            self._duty.wake()
        if good:
            self._beat(now)
        self._light(now)
        ends = [lease.end_mono_s for lease in leases.current if lease.end_mono_s > now.mono_s]
        return min([now.mono_s + TURN_S, *ends])

    def all_off(self) -> None:
        """Every line low, whatever fails (R11)."""
        for name, pump in self._pumps().items():
            self._off(name, pump)

    def _force_off(self) -> bool:
        """Drive low whatever no lease allows. True when a line stays high in spite of it: then the rig is latched, the
        watchdog goes hungry, and the pulses end, so that the external cut-off takes the supply away."""
        for name, pump in self._pumps().items():
            # The level first and the lease after it: a run that begins between the two has its lease already.
            if _is_high(pump) and not self._may_be_on(name):
                self._off(name, pump)
                if _is_high(pump) and not self._may_be_on(name):
                    self._latch_for_line(name)
                    continue
            self._loose.discard(name)
        self._loose &= set(self._pumps())
        return bool(self._loose)

    def _may_be_on(self, name: str) -> bool:
        return not self._cut.event.is_set() and self._leases().may_be_on(name, self._clock.now().mono_s)

    def _latch_for_line(self, name: str) -> None:
        if name in self._loose:
            return
        self._loose.add(name)
        why = f"{name}: its line reads high and cannot be driven low. Switch the pump's supply off."
        self._cut.make("line")
        self._hold(why, "line")
        self._say("error", why)

    def _off(self, name: str, pump: Pump) -> None:
        try:
            if pump.is_on:
                pump.off()
            self._dead_lines.discard(name)
        except Exception as fault:
            if name not in self._dead_lines:
                self._dead_lines.add(name)
                self._say("error", f"{name}: its line could not be driven low: {fault}. Switch the pump's supply off.")

    def _leases_good(self, leases: Leases, now: Reading) -> bool:
        outlived = leases.outlived(now.mono_s)
        if not outlived:
            self._broken = None
            return True
        lease = outlived[0]
        if self._broken != lease:
            self._broken = lease
            why = (
                f"{lease.channel}: its run was not over {now.mono_s - lease.end_mono_s:.1f} s after the end of"
                f" {OUTLIVED}. It was forced off."
            )
            # The cut stands until the latch is in the ledger; a turn thread that never comes back never mends it.
            self._cut.make("lease")
            self.all_off()
            self._hold(why, "lease")
            self._say("error", why)
        return False

    def _turn_thread_well(self, leases: Leases, now: Reading) -> bool:
        stuck = not leases.current and now.mono_s - self._duty.alive_mono_s > STUCK_S
        if stuck and not self._stuck:
            self._say("error", "The turn thread is stuck: the watchdog is not fed any more.")
        self._stuck = stuck
        return not stuck

    def _watch_clock(self, now: Reading) -> None:
        offset = offset_s(now)
        if self._offset_s is None or abs(offset - self._offset_s) > JUMP_S:
            # What the clock's new time means is the agenda's business; it only has to look.
            if self._offset_s is not None:
                self._duty.wake()
            self._offset_s = offset

    def _light(self, now: Reading) -> None:
        """The lamp or buzzer, by what the alarms ask for; and a turn thread that tells of none any more is one itself.
        It hangs on this loop alone, so it works without network, disk and turn thread."""
        line = self._alarm_output()
        if line is None:
            return
        lit = self._stuck or self._lit(now.mono_s)
        try:
            if lit != line.is_on:
                line.on() if lit else line.off()
            self._dead_lines.discard("alarm_output")
        except Exception as fault:
            if "alarm_output" not in self._dead_lines:
                self._dead_lines.add("alarm_output")
                self._say("error", f"alarm_output: its line cannot be driven: {fault}.")

    def _beat(self, now: Reading) -> None:
        """Signs of life for what watches from outside: only from here, and only while every lease is good."""
        line = self._keep_alive()
        if line is not None:
            self._pulse = not self._pulse
            try:
                line.on() if self._pulse else line.off()
            except Exception as fault:
                self._off("keep_alive", line)
                self._say("error", f"keep_alive: its line cannot be driven: {fault}.")
        if self._feed_every_s is not None and now.mono_s - self._fed_mono_s >= self._feed_every_s:
            self._fed_mono_s = now.mono_s
            self._feed()


def _is_high(pump: Pump) -> bool:
    try:
        return pump.is_on
    except Exception:
        return True  # a line that cannot be read counts as high
