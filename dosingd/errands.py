"""What lies on the desk for the turn thread: posted work with its answer, that either begins or is answered instead.

An errand that could not begin in time is answered, and is then never begun: nobody gets a dose after being told that
there was none. The mailbox of the duty holds one look at what lies here, whatever waits, so that whoever asks and hangs
up fills no memory while a long run is on.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from attrs import define, field

from dosingd.clock import Clock
from dosingd.duty import Duty
from dosingd.errors import DosingError, LedgerFailed
from dosingd.requests import Answer

#: An errand that could not begin for so long is not begun any more: whoever asked has been told why.
BEGIN_WITHIN_S = 10.0
#: Errands that may wait for the turn thread. Whoever asks and hangs up must not fill the memory while a long run is on.
MOST_OPEN = 64

Reply = Callable[[Answer], None]


@define
class Errand:
    """Posted work with its answer. Either it begins, or it is answered instead; never both."""

    work: Callable[[], Answer]
    reply: Reply
    begin_by_mono_s: float
    instead: Callable[[], Answer]
    only_tells: bool = False  #: then a fault in it ends no dosing (R13)
    always: bool = False  #: carried out even when it was answered instead, as the row of a hold is
    told: bool = False  #: `tick` has answered it
    _claimed: bool = False
    _lock: threading.Lock = field(factory=threading.Lock)

    def claim(self) -> bool:
        """True for whoever comes first."""
        with self._lock:
            first = not self._claimed
            self._claimed = True
        return first


class Errands:
    """What waits for the turn thread, in order. `ring` wakes the control loop, which calls `tick`."""

    def __init__(self, duty: Duty, clock: Clock, ring: Callable[[], None]) -> None:
        self._duty, self._clock, self._ring = duty, clock, ring
        self._errands: list[Errand] = []
        self._looking = False
        self._lock = threading.Lock()

    # -- any thread ------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """For the control loop: answers what could not begin in time. Never waits."""
        now_mono_s = self._clock.now().mono_s
        with self._lock:
            late = [one for one in self._errands if not one.told and now_mono_s >= one.begin_by_mono_s]
            for one in late:
                one.told = True
            self._errands = [one for one in self._errands if one.always or not one.told]
        for errand in late:
            if errand.claim():
                errand.reply(errand.instead())

    def next_mono_s(self) -> float | None:
        """When `tick` has something to do; None: nothing waits."""
        with self._lock:
            return min((one.begin_by_mono_s for one in self._errands if not one.told), default=None)

    def ask(
        self,
        work: Callable[[], Answer],
        reply: Reply,
        within_s: float = BEGIN_WITHIN_S,
        instead: Callable[[], Answer] | None = None,
        *,
        only_tells: bool = False,
    ) -> None:
        """Have something done between two runs; the answer comes by `reply`, from another thread. Where it cannot begin
        in `within_s`, or there is no room for it, `instead` answers."""
        by = self._clock.now().mono_s + within_s
        errand = Errand(work, reply, by, self._too_busy if instead is None else instead, only_tells)
        if self.lay(errand):
            return
        if instead is not None:
            reply(instead())
            return
        text = f"{MOST_OPEN} other requests wait already. Nothing was done; ask again in a moment."
        reply(Answer.refused("busy", text))

    def lay(self, errand: Errand) -> bool:
        """On the desk for the turn thread; False where there is no room for it, which never is so for a stop."""
        with self._lock:
            if not errand.always and len(self._errands) >= MOST_OPEN:
                return False
            self._errands.append(errand)
            look, self._looking = not self._looking, True
        if look:
            self._duty.post(self._look)
        self._ring()
        return True

    # -- the turn thread -------------------------------------------------------------------------------------

    def _look(self) -> None:
        """One errand; whatever else lies there comes behind what was posted meanwhile, and behind what is due (R13)."""
        with self._lock:
            errand = self._errands.pop(0) if self._errands else None
            more = self._looking = bool(self._errands)
        if more:
            self._duty.post(self._look)
        if errand is not None:
            self._carry_out(errand)

    def _carry_out(self, errand: Errand) -> None:
        first = errand.claim()
        if not first and not errand.always:
            return
        try:
            answer = self._told(errand.work) if errand.only_tells else errand.work()
        except LedgerFailed as fault:
            if first:
                errand.reply(Answer.failed(fault.code, str(fault)))
            raise
        except DosingError as fault:
            answer = Answer(fault.exit_status, code=fault.code, text=str(fault))
        except BaseException as fault:
            if first:
                errand.reply(Answer.failed("failed", f"This is a fault in dosingd itself: {type(fault).__name__}."))
            raise
        if first:
            errand.reply(answer)

    def _told(self, work: Callable[[], Answer]) -> Answer:
        """The answer of an errand that only tells."""
        answer = Answer.failed("failed", "This is a fault in dosingd itself; the log says which. The doses go on.")

        def tell() -> None:
            nonlocal answer
            try:
                answer = work()
            except DosingError as fault:
                answer = Answer(fault.exit_status, code=fault.code, text=str(fault))

        self._duty.tell("an answer", tell)
        return answer

    def _too_busy(self) -> Answer:
        lease = next(iter(self._duty.rounds.turn.leases.current), None)
        who = "The disk is slow" if lease is None else f"{lease.channel} is running"
        left_s = 0.0 if lease is None else max(0.0, lease.end_mono_s - self._clock.now().mono_s)
        wait = f" for {left_s:.0f} s more" if left_s > 1 else ""
        return Answer.refused("busy", f"{who}{wait}. Nothing was done; ask again then.")
