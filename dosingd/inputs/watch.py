"""The watch over the plan's switches: looked at by the control loop, which waits for nobody.

Rules this room keeps:
- R11: what asks for a hold stops the pump first and is booked second; it is asked for again as long as it stands.
- R13: whatever it calls returns at once; rows are written by the turn thread.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Protocol

from dosingd.alarms import Alarm
from dosingd.books import Books
from dosingd.clock import Clock
from dosingd.inputs.findings import input_alarms
from dosingd.inputs.judging import Judgement, flows, look_again_mono_s, sensors_of, step, whys_held
from dosingd.plan.model import Plan
from dosingd.records import Reading, Switched

#: What one switch may write into the ledger in an hour: one that is loose must not fill the disk.
ROWS_AN_HOUR = 12
_HOUR_S = 3600.0


class Switches(Protocol):
    """The contacts, on pins or on a bench."""

    def closed(self, name: str) -> bool | None:
        """Whether a contact is closed; None, or an exception, when it cannot be read. Returns at once."""

    def refit(self, plan: Plan) -> None:
        """Let go of every contact, then take those of this plan. Raises PinsRefused."""

    def close(self) -> None:
        """Let go of every contact."""


class Rig(Protocol):
    """What the watch does to the rig; each returns at once."""

    def cut(self, reason: str) -> None:
        """End whatever runs, now."""

    def hold(self, why: str, reason: str) -> None:
        """Have the latch booked, and the cut's reason mended then."""

    def mend(self, reason: str) -> None:
        """Have the cut's reason mended, after the run that it ended was settled."""

    def write(self, event: Switched) -> None:
        """Have a row written."""

    def wake(self) -> None:
        """Have a round made soon."""


class Watch:
    """`turn` is one look at every switch. What was judged may be read by any thread."""

    def __init__(self, plan: Plan, switches: Switches | None, clock: Clock, books: Callable[[], Books]) -> None:
        """`switches` None: nothing can be read, so every switch of the plan says what is unsafe."""
        self._switches, self._clock, self._books = switches, clock, books
        self._sensors = sensors_of(plan)
        self._hold_asked: set[str] = set()  #: causes that wait to be booked
        self._written: dict[str, str] = {}
        self._written_mono_s: dict[str, tuple[float, ...]] = {}
        self.judgements: Mapping[str, Judgement] = {}

    def refit(self, plan: Plan) -> None:
        """Another plan is in force: what is known of a switch that stays as it was goes on."""
        self._sensors = sensors_of(plan)

    def flows(self, plan: Plan) -> bool:
        """Whether a plan's circulation input is known to see flow."""
        return flows(plan, self.judgements)

    def why_held(self) -> str | None:
        """What asks for a hold now, in words."""
        return next(iter(whys_held(self.judgements)), None)

    def says(self) -> dict[str, str]:
        """What each switch says, in words."""
        return {name: one.says for name, one in self.judgements.items()}

    def alarms(self, plan: Plan, books: Books, reading: Reading) -> tuple[Alarm, ...]:
        """What the switches have to warn of."""
        return input_alarms(plan, books, reading, self.judgements)

    def turn(self, rig: Rig) -> float:
        """Look at every switch, and do what follows. Returns the BOOTTIME of the next look that may tell something
        although no contact moved; infinity: none."""
        now = self._clock.now()
        before = self.judgements
        judged = {}
        for name, sensor in self._sensors.items():
            last = before.get(name)
            fresh = Judgement(sensor) if last is None or last.sensor != sensor else last
            judged[name] = step(fresh, self._closed(name), now.mono_s)
        flowed = any(one.known and not one.unsafe for name, one in before.items() if name == "circulation")
        self.judgements = judged
        self._stop(rig, judged)
        stands = "circulation" in judged and not (judged["circulation"].known and not judged["circulation"].unsafe)
        if flowed and stands:
            rig.cut("circulation")
            rig.mend("circulation")
        self._write(rig, judged, now)
        if self.says() != {name: one.says for name, one in before.items()}:
            rig.wake()
        return min((look_again_mono_s(one) for one in judged.values()), default=math.inf)

    def _closed(self, name: str) -> bool | None:
        if self._switches is None:
            return None
        try:
            return self._switches.closed(name)
        except Exception:
            return None

    def _stop(self, rig: Rig, judged: Mapping[str, Judgement]) -> None:
        # Each cause holds by itself, also a rig that is held for another: that one's end must not be the end of this.
        wanted = [why for why in whys_held(judged) if not self._books().held_for(why)]
        self._hold_asked &= set(wanted)
        for why in wanted:
            # Until the latch is in the ledger it is not asked for twice; the cut stands meanwhile.
            if why not in self._hold_asked:
                self._hold_asked.add(why)
                rig.cut("input")
                rig.hold(why, "input")

    def _write(self, rig: Rig, judged: Mapping[str, Judgement], now: Reading) -> None:
        for name, one in judged.items():
            if not one.known or not one.readable or one.chattering:
                continue
            if name not in self._written:
                seen = self._books().switches.get(name)
                self._written[name] = "" if seen is None else seen.says
            lately = tuple(at for at in self._written_mono_s.get(name, ()) if now.mono_s - at < _HOUR_S)
            if self._written[name] != one.says and len(lately) < ROWS_AN_HOUR:
                self._written[name], self._written_mono_s[name] = one.says, (*lately, now.mono_s)
                rig.write(Switched(name, one.says))
