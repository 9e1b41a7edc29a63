"""One typed request in, one answer out: socket, command line and whatever comes later all come through here.

`take` returns at once, from whatever thread it is called; the answer comes by the callback. What must touch the ledger
or a pump is posted to the turn thread as an errand. An errand that could not begin in time is answered instead, and is
then never begun: nobody gets a dose after being told that there was none.

Rules this room keeps:
- R4: a dose by hand passes the same gate and ledger, through `turn`.
- R11: a hold stops the pump first and is booked second.
- R13: a request waits for the pump, never the pump for a request.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from attrs import define, field

from dosingd.agenda import dosing_day
from dosingd.calibration import run_s_from_volume, volume_ul_from_run_s
from dosingd.checking import RAISE, raised
from dosingd.clock import Clock
from dosingd.cut import Cut
from dosingd.duty import Duty
from dosingd.errors import DosingError, LedgerFailed
from dosingd.foresight import made_refused
from dosingd.gate import Request as Run
from dosingd.plan.model import Plan
from dosingd.records import ClockConfirmed, Into, Outcome, Paused, PlanLoaded, Purpose, Released, Row
from dosingd.requests import (
    Answer,
    Dose,
    History,
    Hold,
    Pause,
    Prime,
    Release,
    Reload,
    Request,
    Resume,
    Status,
    Suspend,
)
from dosingd.state import status_data
from dosingd.telling import Zones, entries_of, entry_data
from dosingd.words import ml

#: A run by hand is watched by a person; what takes longer is a dose for the plan, or a plumber's job.
LONGEST_BY_HAND_S = 60.0
#: An errand that could not begin for so long is not begun any more: whoever asked has been told why.
BEGIN_WITHIN_S = 10.0
#: `status` is answered from the state as last shown when the turn thread does not make a new one so soon.
STATUS_WITHIN_S = 0.2

Reply = Callable[[Answer], None]
#: What a reload does: reads and checks the file on a thread of its own, then has the plan brought into force.
Reader = Callable[[], "Plan | Answer"]


@define
class _Errand:
    """Posted work with its answer. Either it begins, or it is answered instead; never both."""

    work: Callable[[], Answer]
    reply: Reply
    begin_by_mono_s: float
    instead: Callable[[], Answer]
    _claimed: bool = False
    _lock: threading.Lock = field(factory=threading.Lock)

    def claim(self) -> bool:
        """True for whoever comes first."""
        with self._lock:
            first = not self._claimed
            self._claimed = True
        return first


class Desk:
    """The rig's front desk. `read_plan` reads the plan's file; `bring` brings another plan into force on the turn
    thread and raises a DosingError where that cannot be; `ring` wakes the control loop."""

    def __init__(
        self,
        duty: Duty,
        cut: Cut,
        clock: Clock,
        *,
        read_plan: Reader,
        bring: Callable[[Plan], None],
        ring: Callable[[], None],
    ) -> None:
        self._duty, self._cut, self._clock, self._ring = duty, cut, clock, ring
        self._read_plan, self._bring = read_plan, bring
        self._errands: list[_Errand] = []
        self._lock = threading.Lock()
        self._reading = False

    # -- any thread ------------------------------------------------------------------------------------------

    def take(self, request: Request, reply: Reply) -> None:
        """One request; the answer comes by `reply`, from another thread."""
        match request:
            case Status():
                self._errand(self._status_anew, reply, STATUS_WITHIN_S, self._status_as_shown)
            case History():
                self._errand(lambda: self._history(request), reply)
            case Dose():
                self._errand(lambda: self._run(request.channel, request.volume_ul, Purpose.MANUAL, Into.TANK), reply)
            case Prime():
                self._errand(lambda: self._prime(request), reply)
            case Hold():
                self._stop_now("hold", lambda: self._hold(request.why or "by hand"), reply)
            case Release():
                self._errand(lambda: self._release(request), reply)
            case Pause(for_s=None):
                self._errand(self._end_pause, reply)
            case Pause(for_s=for_s):
                self._stop_now("pause", lambda: self._pause(for_s or 0.0), reply)
            case Reload():
                self._reload(request, reply)
            case Suspend():
                self._errand(lambda: self._session(request.channel, True), reply)
            case Resume():
                self._errand(lambda: self._session(request.channel, False), reply)

    def tick(self) -> None:
        """For the control loop: answers what could not begin in time. Never waits."""
        now_mono_s = self._clock.now().mono_s
        with self._lock:
            late = [errand for errand in self._errands if now_mono_s >= errand.begin_by_mono_s]
            self._errands = [errand for errand in self._errands if now_mono_s < errand.begin_by_mono_s]
        for errand in late:
            if errand.claim():
                errand.reply(errand.instead())

    def next_mono_s(self) -> float | None:
        """When `tick` has something to do; None: nothing waits."""
        with self._lock:
            return min((errand.begin_by_mono_s for errand in self._errands), default=None)

    def _errand(
        self,
        work: Callable[[], Answer],
        reply: Reply,
        within_s: float = BEGIN_WITHIN_S,
        instead: Callable[[], Answer] | None = None,
    ) -> None:
        by = self._clock.now().mono_s + within_s
        errand = _Errand(work, reply, by, self._too_busy if instead is None else instead)
        with self._lock:
            self._errands.append(errand)
        self._duty.post(lambda: self._carry_out(errand))
        self._ring()

    def _stop_now(self, reason: str, book: Callable[[], Answer], reply: Reply) -> None:
        """Stop the pump first (R11): the cut ends the run that is on, whoever made it; then the row is written."""
        self._cut.make(reason)

        def answered_late() -> Answer:
            return Answer.failed(
                "slow", "Every pump is off, but it is not booked yet: the disk is slow. To see it: dosingd status"
            )

        errand = _Errand(book, reply, self._clock.now().mono_s + BEGIN_WITHIN_S, answered_late)
        with self._lock:
            self._errands.append(errand)
        # Booked in any case, even when the answer was given before.
        self._duty.post(lambda: self._carry_out(errand, always=True))
        self._ring()

    # -- the turn thread -------------------------------------------------------------------------------------

    def _carry_out(self, errand: _Errand, *, always: bool = False) -> None:
        first = errand.claim()
        with self._lock:
            self._errands = [one for one in self._errands if one is not errand]
        if not first and not always:
            return
        try:
            answer = errand.work()
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

    def _too_busy(self) -> Answer:
        lease = next(iter(self._duty.rounds.turn.leases.current), None)
        who = "The disk is slow" if lease is None else f"{lease.channel} is running"
        left_s = 0.0 if lease is None else max(0.0, lease.end_mono_s - self._clock.now().mono_s)
        wait = f" for {left_s:.0f} s more" if left_s > 1 else ""
        return Answer.refused("busy", f"{who}{wait}. Nothing was done; ask again then.")

    def _status_anew(self) -> Answer:
        self._duty.publish()
        return self._status_as_shown()

    def _status_as_shown(self) -> Answer:
        state = self._duty.state
        if state is None:
            return Answer.refused("starting", "The daemon is still starting. Ask again in a moment.")
        lease = next(iter(self._duty.rounds.turn.leases.current), None)
        return Answer(0, {**status_data(state, running=True), "pumping": None if lease is None else lease.channel})

    def _history(self, request: History) -> Answer:
        book = self._duty.rounds.account.book
        rows = book.rows(
            since_seq=request.after_seq, channel=request.channel, since_at=request.since, limit=request.limit
        )
        zones = Zones(book.rows(kinds=[PlanLoaded]))

        def find(seq: int) -> Row | None:
            return next(book.rows(since_seq=seq - 1, limit=1), None)

        return Answer(0, {"entries": [entry_data(entry) for entry in entries_of(rows, zones, find)]})

    def _stopped(self) -> str | None:
        """Why nothing can run, in words; None when it can."""
        if self._duty.ledger_fault is not None:
            return f"No pump runs: {self._duty.ledger_fault}"
        return None

    def _prime(self, request: Prime) -> Answer:
        channel = self._duty.plan.channels.get(request.channel)
        volume_ul = request.volume_ul
        if channel is not None and volume_ul is None:
            if channel.line_ul is None:
                return Answer.refused(
                    "volume",
                    f"{request.channel}: the plan does not say what its line holds. Nothing was pumped. Name a volume:"
                    f' dosingd prime {request.channel} "4 mL" --into {request.into.value}',
                )
            volume_ul = channel.line_ul
        return self._run(request.channel, volume_ul or 0, Purpose.PRIME, request.into)

    def _run(self, name: str, volume_ul: int, purpose: Purpose, into: Into) -> Answer:
        """A run by hand through gate, ledger and turn (R4)."""
        plan, rounds = self._duty.plan, self._duty.rounds
        stopped = self._stopped()
        if stopped is not None:
            return Answer.refused("ledger", f"{stopped} Nothing was pumped.")
        channel = plan.channels.get(name)
        books, reading = rounds.account.books, self._clock.now()
        if channel is not None:
            flow = books.flow(name, channel.pump.nominal_ul_per_s)
            run_s = run_s_from_volume(volume_ul, flow)
            if run_s > LONGEST_BY_HAND_S:
                most_ul = max(0, volume_ul_from_run_s(LONGEST_BY_HAND_S, flow) - 1)
                return Answer.refused(
                    "too-long",
                    f"{name}: {ml(volume_ul)} would run for {run_s:.0f} s; a run by hand is {LONGEST_BY_HAND_S:.0f} s"
                    f" at most, {ml(most_ul)}. Nothing was pumped.",
                )
            self._duty.touch(name)
        # Given by hand into the tank it counts in the day it is given in; without a trusted clock in none.
        day = dosing_day(books.zones, reading.wall_at).day if rounds.trusted() and into is Into.TANK else None
        run = Run(name, purpose, into, volume_ul, None, None, day)
        foreseen = made_refused(plan, books, run, rounds.coming, reading) if channel is not None else ()
        result = rounds.turn.run(run)
        if result.outcome in (None, Outcome.REFUSED, Outcome.MISSED):
            code = "stopped" if result.why is None else result.why.name.lower().replace("_", "-")
            said = result.reason if "othing was pumped" in result.reason else f"{result.reason} Nothing was pumped."
            return Answer(2, code=code, text=said)
        data = {
            "outcome": str(result.outcome),
            "asked_ul": result.asked_ul,
            "given_ul": result.given_ul,
            "reason": result.reason or None,
            "makes_refused": [
                {"channel": one.channel, "at": self._local(one.at), "volume_ul": one.volume_ul, "why": one.why}
                for one in foreseen
            ],
        }
        self._duty.wake()
        if result.outcome is Outcome.GIVEN:
            return Answer(0, data)
        said = (
            f"{name}: only {ml(result.given_ul)} of {ml(result.asked_ul)} were given: {result.reason}. They are booked."
            if result.outcome is Outcome.PARTIAL
            else f"{name}: up to {ml(result.given_ul)} may have gone in: {result.reason}"
        )
        return Answer(1, data, code=str(result.outcome), text=said)

    def _hold(self, why: str) -> Answer:
        already = self._duty.rounds.account.books.held
        self._duty.hold(why, "hold")
        self._duty.publish()
        message = "Every pump is off until a person says: dosingd release"
        if already is not None:
            message = (
                f"The rig was held already, and that cause is kept: {already.rstrip('.')}. To end it: dosingd release"
            )
        return Answer(0, {"ok": True, "message": message})

    def _release(self, request: Release) -> Answer:
        account, reading = self._duty.rounds.account, self._clock.now()
        done = []
        if request.clock:
            account.write(ClockConfirmed("a person"), reading)
            done.append("The clock is taken for right.")
        if account.books.held is not None:
            was = account.books.held
            account.write(Released("a person"), reading)
            done.append(f"The rig doses again. It was held: {was}")
        elif not request.clock:
            done.append("The rig was not held; nothing changed.")
        self._duty.wake()
        self._duty.publish()
        return Answer(0, {"ok": True, "message": " ".join(done)})

    def _pause(self, for_s: float) -> Answer:
        account, reading = self._duty.rounds.account, self._clock.now()
        until_at = reading.wall_at + timedelta(seconds=for_s)
        account.write(Paused(account.books.proven_ms(reading) + round(for_s * 1000), until_at), reading)
        self._cut.mend("pause")
        self._duty.publish()
        return Answer(
            0,
            {
                "ok": True,
                "message": f"No pump runs until {self._clock_time(until_at)}; doses due until then are missed, not made"
                " up for. To end it sooner: dosingd pause off",
            },
        )

    def _end_pause(self) -> Answer:
        account, reading = self._duty.rounds.account, self._clock.now()
        if not account.books.paused(account.books.proven_ms(reading)):
            return Answer(0, {"ok": True, "message": "The rig was not paused; nothing changed."})
        account.write(Paused(None), reading)
        self._duty.wake()
        self._duty.publish()
        return Answer(0, {"ok": True, "message": "The pause is over; the rig doses again."})

    def _session(self, channel: str, open_: bool) -> Answer:
        if channel not in self._duty.plan.channels:
            return Answer.refused("channel", f"{channel}: no such channel in the plan. To see them: dosingd status")
        self._duty.touch(channel, open_=open_)
        self._duty.publish()
        message = f"{channel}: its scheduled doses wait" if open_ else f"{channel}: it doses again"
        return Answer(0, {"ok": True, "message": f"{message}."})

    # -- reload ----------------------------------------------------------------------------------------------

    def _reload(self, request: Reload, reply: Reply) -> None:
        with self._lock:
            busy, self._reading = self._reading, True
        if busy:
            reply(Answer.refused("busy", "Another reload is under way. Nothing was changed; ask again in a moment."))
            return
        # Reading and laying a plan takes a while on a small board, and neither a pump nor a client waits for it.
        threading.Thread(target=self._read, args=(request, reply), name="reload", daemon=True).start()

    def _read(self, request: Reload, reply: Reply) -> None:
        try:
            read = self._read_plan()
        except DosingError as fault:
            read = Answer(fault.exit_status, code=fault.code, text=str(fault))
        except Exception as fault:
            read = Answer.failed("failed", f"The plan could not be read: {fault}. The running plan stays in force.")
        finally:
            with self._lock:
                self._reading = False
        if isinstance(read, Answer):
            reply(read)
            return
        plan = read
        self._errand(lambda: self._swap(plan, request.yes), reply)

    def _swap(self, plan: Plan, yes: bool) -> Answer:
        old = self._duty.plan
        more = raised(old, plan)
        if more and not yes:
            listed = "\n".join(f"  {line}" for line in more)
            return Answer.refused(
                "confirm",
                f"The new plan raises what is dosed by more than {RAISE * 100:.0f} %:\n{listed}\n"
                "The running plan stays in force. If that is meant: dosingd reload --yes",
            )
        self._bring(plan)
        self._duty.wake()
        self._duty.publish()
        same = " It is the same as before." if old.sha256 == plan.sha256 else ""
        return Answer(0, {"ok": True, "message": f"The plan is in force; the rest of the day is laid anew.{same}"})

    def _clock_time(self, at: datetime) -> str:
        return at.astimezone(ZoneInfo(self._duty.plan.timezone)).strftime("%H:%M")

    def _local(self, at: datetime) -> str:
        return at.astimezone(ZoneInfo(self._duty.plan.timezone)).isoformat(timespec="milliseconds")
