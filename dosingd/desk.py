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
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from dosingd import commissioning, refills
from dosingd.agenda import dosing_day
from dosingd.calibration import run_s_from_volume, volume_ul_from_run_s
from dosingd.checking import RAISE, raised, raised_since
from dosingd.clock import Clock
from dosingd.cut import Cut
from dosingd.duty import Duty
from dosingd.errands import BEGIN_WITHIN_S, Errand, Errands, Reply
from dosingd.errors import DosingError, LedgerFailed
from dosingd.flows import flow_of
from dosingd.foresight import made_refused
from dosingd.gate import Request as Run
from dosingd.leases import PLAN_CHANGED
from dosingd.plan.model import Plan
from dosingd.records import ClockConfirmed, Into, Outcome, Paused, PlanLoaded, Purpose, Released, Row, Settled
from dosingd.requests import (
    Answer,
    Calibrate,
    Dose,
    History,
    Hold,
    Identify,
    Lengths,
    Pause,
    Prime,
    Refill,
    Release,
    Reload,
    Request,
    Resume,
    Retube,
    Status,
    Suspend,
    TestRun,
)
from dosingd.state import status_data
from dosingd.stores import against_books
from dosingd.telling import Zones, entries_of, entry_data
from dosingd.words import ml

#: A run by hand is watched by a person; what takes longer is a dose for the plan, or a plumber's job.
LONGEST_BY_HAND_S = 60.0
#: `status` is answered from the state as last shown when the turn thread does not make a new one so soon.
STATUS_WITHIN_S = 0.2

#: What a reload does: reads and checks the file on a thread of its own, then has the plan brought into force.
Reader = Callable[[], "Plan | Answer"]


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
        self._duty, self._cut, self._clock = duty, cut, clock
        self._read_plan, self._bring = read_plan, bring
        self._errands = Errands(duty, clock, ring)
        self._lock = threading.Lock()
        self._reading = False

    # -- any thread ------------------------------------------------------------------------------------------

    def take(self, request: Request, reply: Reply) -> None:
        """One request; the answer comes by `reply`, from another thread."""
        match request:
            case Status():
                self._errands.ask(self._status_anew, reply, STATUS_WITHIN_S, self._status_as_shown, only_tells=True)
            case History():
                self._errands.ask(lambda: self._history(request), reply, only_tells=True)
            case Dose():
                self._errands.ask(
                    lambda: self._run(request.channel, request.volume_ul, Purpose.MANUAL, Into.TANK), reply
                )
            case Prime():
                self._errands.ask(lambda: self._prime(request), reply)
            case Hold():
                self._stop_now("hold", lambda: self._hold(request.why or "by hand"), reply)
            case Release():
                self._errands.ask(lambda: self._release(request), reply)
            case Pause(for_s=None):
                self._errands.ask(self._end_pause, reply)
            case Pause(for_s=for_s):
                self._stop_now("pause", lambda: self._pause(for_s or 0.0), reply)
            case Reload():
                self._reload(request, reply)
            case Refill():
                self._errands.ask(lambda: self._booked(lambda: self._refill(request)), reply)
            case Lengths():
                self._errands.ask(lambda: commissioning.lengths(self._duty, request), reply)
            case TestRun():
                self._errands.ask(lambda: self._test_run(request), reply)
            case Calibrate():
                self._errands.ask(lambda: self._booked(lambda: commissioning.calibrate(self._duty, request)), reply)
            case Retube():
                self._errands.ask(lambda: self._booked(lambda: commissioning.retube(self._duty, request)), reply)
            case Identify():
                self._errands.ask(lambda: self._booked(lambda: commissioning.identify(self._duty, request)), reply)
            case Suspend():
                self._errands.ask(lambda: self._session(request.channel, True), reply)
            case Resume():
                self._errands.ask(lambda: self._session(request.channel, False), reply)

    def take_after(self, first: Callable[[], Answer | None], request: Dose | Hold, reply: Reply) -> None:
        """A request that is carried out only when `first`, on the turn thread right before it, answers nothing."""
        if isinstance(request, Hold):
            self._stop_now("order", lambda: self._hold_after(first, request.why or "by an order"), reply)
            return
        self._errands.ask(
            lambda: first() or self._run(request.channel, request.volume_ul, Purpose.MANUAL, Into.TANK), reply
        )

    def tick(self) -> None:
        """For the control loop: answers what could not begin in time. Never waits."""
        self._errands.tick()

    def next_mono_s(self) -> float | None:
        """When `tick` has something to do; None: nothing waits."""
        return self._errands.next_mono_s()

    def _stop_now(self, reason: str, book: Callable[[], Answer], reply: Reply) -> None:
        """Stop the pump first (R11): the cut ends the run that is on, whoever made it; then the row is written."""
        self._cut.make(reason)

        def answered_late() -> Answer:
            booked = "not booked yet: the disk is slow. To see it: dosingd status"
            high = self._duty.rounds.turn.lines_not_low()
            if high:
                return Answer.failed("pins", f"{_may_run('The rig is being stopped', high)} It is {booked}")
            return Answer.failed("slow", f"Every pump is off, but it is {booked}")

        # Booked in any case, even when the answer was given before.
        by_mono_s = self._clock.now().mono_s + BEGIN_WITHIN_S
        self._errands.lay(Errand(book, reply, by_mono_s, answered_late, always=True))

    # -- the turn thread -------------------------------------------------------------------------------------

    def _status_anew(self) -> Answer:
        if not self._duty.publish():
            return Answer.failed("failed", "The rig's state could not be made; the log says why. The doses go on.")
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

    def _booked(self, work: Callable[[], Answer]) -> Answer:
        """What is only booked; refused where the ledger takes nothing any more."""
        stopped = self._stopped()
        return work() if stopped is None else Answer.refused("ledger", f"{stopped} Nothing was booked.")

    def _test_run(self, request: TestRun) -> Answer:
        volume_ul = commissioning.test_volume_ul(self._duty, request)
        return self._run(request.channel, volume_ul, Purpose.CALIBRATION, Into.CUP)

    def _run(self, name: str, volume_ul: int, purpose: Purpose, into: Into) -> Answer:
        """A run by hand through gate, ledger and turn (R4)."""
        plan, rounds = self._duty.plan, self._duty.rounds
        stopped = self._stopped()
        if stopped is not None:
            return Answer.refused("ledger", _nothing_pumped(stopped))
        if name not in plan.channels:
            # Before the gate: whoever asks for made-up channels would fill the ledger with their refusals.
            return Answer.refused("channel", f"{_no_channel(name)} Nothing was pumped.")
        books, reading = rounds.account.books, self._clock.now()
        flow = flow_of(plan, books, name)
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
        flowing = self._duty.watch is not None and self._duty.watch.flows(plan)
        foreseen = made_refused(plan, books, run, rounds.coming, reading, flowing=flowing)
        result = rounds.turn.run(run)
        if result.outcome in (None, Outcome.REFUSED, Outcome.MISSED):
            code = "stopped" if result.why is None else result.why.name.lower().replace("_", "-")
            return Answer(2, code=code, text=_nothing_pumped(result.reason))
        data = {
            "outcome": str(result.outcome),
            "asked_ul": result.asked_ul,
            "given_ul": result.given_ul,
            "reason": result.reason or None,
            "ran_s": result.ran_s,
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

    def _hold_after(self, first: Callable[[], Answer | None], why: str) -> Answer:
        refused = first()
        if refused is None:
            return self._hold(why, "order")
        self._cut.mend("order")
        self._duty.wake()
        return refused

    def _hold(self, why: str, reason: str = "hold") -> Answer:
        already = self._duty.rounds.account.books.held
        try:
            failed = self._duty.hold(why, reason)
        except LedgerFailed as fault:
            failed = self._duty.rounds.turn.pumps_off()
            if not failed:
                raise
            raise LedgerFailed(f"{_may_run('The rig stands still', failed)} {fault}") from None
        self._duty.publish()
        if failed:
            return Answer.failed("pins", _may_run("The rig is held", failed))
        message = "Every pump is off until a person says: dosingd release"
        if already is not None:
            message = (
                f"The rig was held already, and that cause is kept: {already.rstrip('.')}. To end it: dosingd release"
            )
        return Answer(0, {"ok": True, "message": message})

    def _release(self, request: Release) -> Answer:
        account, turn = self._duty.rounds.account, self._duty.rounds.turn
        stopped = self._stopped()
        if stopped is not None:
            return Answer.refused(
                "ledger",
                f"{stopped} Nothing was changed, and no release helps: mend the disk, then start dosingd again.",
            )
        watch = self._duty.watch
        asks = None if watch is None else watch.why_held()
        if asks is not None and account.books.held is not None:
            return Answer.refused(
                "input",
                f"The rig stays held: {asks}, and would be held again at once. Mend that, or take the input out of the"
                " plan and dosingd reload; then: dosingd release",
            )
        unconfirmed = self._duty.rounds.unconfirmed
        if unconfirmed:
            listed = "\n".join(f"  {line}" for line in unconfirmed)
            return Answer.refused(
                "confirm",
                f"The rig stays held, for {PLAN_CHANGED}, and it doses more or guards less:\n{listed}\n"
                "If that is meant: dosingd reload --yes. If not, put the plan before back, then: dosingd reload",
            )
        done = []
        if account.books.held is not None or account.books.open:
            failed = turn.pumps_off()
            if failed:
                return Answer.refused(
                    "pins",
                    f"The rig stays held, for a pump may still run: {'; '.join(failed)}. Switch the pumps' supply off,"
                    " mend the switch, then restart the daemon.",
                )
            # Every line is low by now, so the end of a run that was left open is known (R1).
            for row in turn.recover(self._clock.now()):
                assert isinstance(row.event, Settled)
                lost = row.event
                done.append(f"{lost.channel}: up to {ml(lost.given_ul)} may have gone in; every limit counts them.")
        # Read anew: a row with an older reading than the row before it would earn its time twice.
        reading = self._clock.now()
        if request.clock:
            account.write(ClockConfirmed("a person"), reading)
            done.append("The clock is taken for right.")
        over, told = None, len(done)
        if account.books.held is not None:
            was = account.books.held
            account.write(Released("a person"), reading)
            over = f"It was held: {was}"
        answered = self._duty.answer_alarms()
        if answered:
            listed = ", ".join(" ".join(filter(None, (alarm.kind.value, alarm.channel))) for alarm in answered)
            done.append(f"Answered: {listed}.")
        self._duty.wake()
        self._duty.publish()
        if over is not None:
            done.insert(told, f"{self._what_next('The rig is released', 'The rig doses again')} {over}")
        if not done:
            done.append("The rig was not held; nothing changed.")
        return Answer(0, {"ok": True, "message": " ".join(done)})

    def _what_next(self, done: str, doses: str, channel: str | None = None) -> str:
        """`doses` where the rig, or the channel, doses now by the state just made; else `done`, and what it waits for.
        Nobody may believe that a rig doses which is still held."""
        books = self._duty.rounds.account.books
        if books.held is not None:
            return f"{done}, but the rig is held: {books.held.rstrip('.')}. To let it dose again: dosingd release"
        if books.paused(books.proven_ms(self._clock.now())):
            return f"{done}, but the rig is paused. To end that: dosingd pause off"
        state = self._duty.state
        states = {} if state is None else state.channels
        waits = {each.waiting_for for name, each in states.items() if channel in (None, name)}
        if len(waits) == 1 and None not in waits:
            return f"{done}, but it waits for {waits.pop()}. To see it: dosingd status"
        return f"{doses}."

    def _pause(self, for_s: float) -> Answer:
        failed = self._duty.rounds.turn.pumps_off()
        account, reading = self._duty.rounds.account, self._clock.now()
        until_at = reading.wall_at + timedelta(seconds=for_s)
        account.write(Paused(account.books.proven_ms(reading) + round(for_s * 1000), until_at), reading)
        self._cut.mend("pause")
        self._duty.publish()
        if failed:
            return Answer.failed("pins", _may_run("The rig is paused", failed))
        until = self._clock_time(until_at)
        message = (
            f"No pump runs until {until}; doses due until then are missed, not made up for. To end it sooner: dosingd"
            " pause off"
        )
        if account.books.held is not None:
            why = account.books.held.rstrip(".")
            message = f"The rig is paused until {until}, and held besides: {why}. No pump runs until: dosingd release"
        return Answer(0, {"ok": True, "message": message})

    def _end_pause(self) -> Answer:
        account, reading = self._duty.rounds.account, self._clock.now()
        if not account.books.paused(account.books.proven_ms(reading)):
            return Answer(0, {"ok": True, "message": "The rig was not paused; nothing changed."})
        account.write(Paused(None), reading)
        self._duty.wake()
        self._duty.publish()
        return Answer(
            0, {"ok": True, "message": self._what_next("The pause is over", "The pause is over; the rig doses again")}
        )

    def _session(self, channel: str, open_: bool) -> Answer:
        if channel not in self._duty.plan.channels:
            return Answer.refused("channel", f"{_no_channel(channel)} Nothing was done.")
        self._duty.touch(channel, open_=open_)
        self._duty.publish()
        message = f"{channel}: its scheduled doses wait."
        if not open_:
            message = f"{channel}: {self._what_next('its session is over', 'it doses again', channel)}"
        return Answer(0, {"ok": True, "message": message})

    def _refill(self, request: Refill) -> Answer:
        """The reservoir's books, and the rest of the day laid by what is really in it."""
        rounds, plan = self._duty.rounds, self._duty.plan
        said = refills.Refill(request.channel, request.to_ul, request.found_ul, request.stock, request.confirm)
        data, messages = refills.book(
            plan, rounds.account.books, said, lambda row: rounds.account.write(row, self._clock.now())
        )
        rounds.lay_anew()
        self._duty.wake()
        self._duty.publish()
        return Answer(0, data, messages)

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
            self._duty.plan_refused(read.text or "It could not be read.")
            reply(read)
            return
        plan = read
        self._errands.ask(lambda: self._swap(plan, request.yes), reply)

    def _swap(self, plan: Plan, yes: bool) -> Answer:
        stopped = self._stopped()
        if stopped is not None:
            return Answer.refused("ledger", f"{stopped} The running plan stays in force; mend that first.")
        old, books = self._duty.plan, self._duty.rounds.account.books
        found = bool(self._duty.rounds.unconfirmed)
        more = raised_since(books.plan, plan) if found and books.plan is not None else raised(old, plan)
        if more and not yes:
            listed = "\n".join(f"  {line}" for line in more)
            stays = "The rig stays held." if found else "The running plan stays in force."
            return Answer.refused(
                "confirm",
                f"The new plan doses over {RAISE * 100:.0f} % more, or loosens what guards the tank:\n{listed}\n"
                f"{stays} If that is meant: dosingd reload --yes",
            )
        try:
            self._bring(plan)
        except DosingError as fault:
            self._duty.plan_refused(str(fault))
            raise
        self._duty.plan_refused(None)
        self._duty.wake()
        self._duty.publish()
        same = " It is the same as before." if old.sha256 == plan.sha256 and not found else ""
        message = f"The plan is in force; the rest of the day is laid anew.{same}"
        if found:
            message = f"The plan is in force. {self._no_longer_asked()}"
        return Answer(0, {"ok": True, "message": message}, against_books(plan, books))

    def _no_longer_asked(self) -> str:
        """The end of a hold that stood for a plan which a person has now brought into force; every other stays."""
        held = self._duty.rounds.account.books.held
        if held is not None and held.startswith(PLAN_CHANGED):
            released = self._release(Release())
            return str(released.data["message"]) if released.status == 0 else released.text or ""
        return self._what_next("It holds from now on", "The rig doses again")

    def _clock_time(self, at: datetime) -> str:
        return at.astimezone(ZoneInfo(self._duty.plan.timezone)).strftime("%H:%M")

    def _local(self, at: datetime) -> str:
        return at.astimezone(ZoneInfo(self._duty.plan.timezone)).isoformat(timespec="milliseconds")


def _may_run(what: str, failed: Sequence[str]) -> str:
    """What a person is told when the rig was stopped and a line is not known to be low."""
    return f"{what}, but a pump may still run: {'; '.join(failed)}. Switch the pumps' supply off now."


def _no_channel(name: str) -> str:
    return f"{name}: no such channel in the plan. To see them: dosingd status."


def _nothing_pumped(why: str) -> str:
    """A refusal that says so once, behind a full stop; whatever ends with a command has none."""
    if "othing was pumped" in why:
        return why
    return f"{why}{'' if why.endswith(('.', '!', '?')) else '.'} Nothing was pumped."
