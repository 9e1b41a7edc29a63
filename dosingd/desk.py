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
from datetime import datetime
from zoneinfo import ZoneInfo

from dosingd import commissioning, refills
from dosingd.agenda import dosing_day
from dosingd.calibration import run_s_from_volume, volume_ul_from_run_s
from dosingd.checking import RAISE, asked_of
from dosingd.clock import Clock
from dosingd.cut import Cut
from dosingd.duty import Duty
from dosingd.errands import BEGIN_WITHIN_S, Errand, Errands, Reply
from dosingd.errors import DosingError
from dosingd.flows import flow_of
from dosingd.foresight import made_refused
from dosingd.gate import Request as Run
from dosingd.plan.model import Plan
from dosingd.records import Into, Outcome, PlanLoaded, Purpose, Row
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
from dosingd.statusdata import status_data
from dosingd.stops import Stops, may_run
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
    thread, one that a person was asked about and said yes to where it is told so, and raises a DosingError where that
    cannot be; `ring` wakes the control loop."""

    def __init__(
        self,
        duty: Duty,
        cut: Cut,
        clock: Clock,
        *,
        read_plan: Reader,
        bring: Callable[[Plan, bool], None],
        ring: Callable[[], None],
    ) -> None:
        self._duty, self._cut, self._clock = duty, cut, clock
        self._read_plan, self._bring = read_plan, bring
        self._errands = Errands(duty, clock, ring)
        self._stops = Stops(duty, cut, clock)
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
                self._stop_now("hold", lambda: self._stops.hold(request.why or "by hand"), reply)
            case Release():
                self._errands.ask(lambda: self._stops.release(request), reply)
            case Pause(for_s=None):
                self._errands.ask(self._stops.end_pause, reply)
            case Pause(for_s=for_s):
                self._stop_now("pause", lambda: self._stops.pause(for_s or 0.0), reply)
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
            self._stop_now("order", lambda: self._stops.hold_after(first, request.why or "by an order"), reply)
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
                return Answer.failed("pins", f"{may_run('The rig is being stopped', high)} It is {booked}")
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
        stopped = self._stops.stopped()
        return work() if stopped is None else Answer.refused("ledger", f"{stopped} Nothing was booked.")

    def _test_run(self, request: TestRun) -> Answer:
        volume_ul = commissioning.test_volume_ul(self._duty, request)
        return self._run(request.channel, volume_ul, Purpose.CALIBRATION, Into.CUP)

    def _run(self, name: str, volume_ul: int, purpose: Purpose, into: Into) -> Answer:
        """A run by hand through gate, ledger and turn (R4)."""
        plan, rounds = self._duty.plan, self._duty.rounds
        stopped = self._stops.stopped()
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

    def _session(self, channel: str, open_: bool) -> Answer:
        if channel not in self._duty.plan.channels:
            return Answer.refused("channel", f"{_no_channel(channel)} Nothing was done.")
        self._duty.touch(channel, open_=open_)
        self._duty.publish()
        message = f"{channel}: its scheduled doses wait."
        if not open_:
            message = f"{channel}: {self._stops.what_next('its session is over', 'it doses again', channel)}"
        return Answer(0, {"ok": True, "message": message})

    def _refill(self, request: Refill) -> Answer:
        """The reservoir's books, and the rest of the day laid by what is really in it."""
        rounds, plan = self._duty.rounds, self._duty.plan
        said = refills.Refill(
            request.channel, request.to_ul, request.found_ul, request.stock, request.confirm, request.yes
        )
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
        stopped = self._stops.stopped()
        if stopped is not None:
            return Answer.refused("ledger", f"{stopped} The running plan stays in force; mend that first.")
        old, books = self._duty.plan, self._duty.rounds.account.books
        found = bool(self._duty.rounds.unconfirmed)
        more = asked_of(plan, books, books.proven_ms(self._clock.now()), running=None if found else old)
        if more and not yes:
            listed = "\n".join(f"  {line}" for line in more)
            stays = "The rig stays held." if found else "The running plan stays in force."
            return Answer.refused(
                "confirm",
                f"The new plan doses over {RAISE * 100:.0f} % more, or loosens what guards the tank:\n{listed}\n"
                f"{stays} If that is meant: dosingd reload --yes",
            )
        try:
            self._bring(plan, bool(more))
        except DosingError as fault:
            self._duty.plan_refused(str(fault))
            raise
        self._duty.plan_refused(None)
        self._duty.wake()
        self._duty.publish()
        done = "The plan is in force" if found else "The plan is in force; the rest of the day is laid anew"
        if old.sha256 == plan.sha256 and not found:
            done += ". It is the same as before"
        lost = tuple(
            f"{name}: {ml(volume_ul)} that were still to come today have no time left in the new plan. They are booked"
            " as missed, and not made up for."
            for name, volume_ul in self._duty.rounds.taken_ul.items()
        )
        message = self._stops.plan_in_force(done)
        return Answer(0, {"ok": True, "message": message}, (*lost, *against_books(plan, books)))

    def _local(self, at: datetime) -> str:
        return at.astimezone(ZoneInfo(self._duty.plan.timezone)).isoformat(timespec="milliseconds")


def _no_channel(name: str) -> str:
    return f"{name}: no such channel in the plan. To see them: dosingd status."


def _nothing_pumped(why: str) -> str:
    """A refusal that says so once, behind a full stop; whatever ends with a command has none."""
    if "othing was pumped" in why:
        return why
    return f"{why}{'' if why.endswith(('.', '!', '?')) else '.'} Nothing was pumped."
