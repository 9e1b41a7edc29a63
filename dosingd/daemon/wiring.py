"""The daemon put together: who is made in which order, who may ring whom, and how it goes down.

Threads: this one is the control loop. The turn thread owns ledger and pumps. The others (wake-ups, socket, log,
broker) only ever post and ring.
"""

from __future__ import annotations

import math
import os
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

from attrs import frozen

from dosingd.bell import Bell
from dosingd.clock import Clock
from dosingd.control import CONTROL_NAME, ControlSocket
from dosingd.cut import Cut
from dosingd.daemon.early import Early
from dosingd.daemon.intake import Intake
from dosingd.daemon.journal import Journal
from dosingd.daemon.latch import Latch
from dosingd.daemon.linking import Linking, PublishesState
from dosingd.daemon.loop import ControlLoop
from dosingd.daemon.notify import Notify
from dosingd.daemon.opening import open_ledger, runnable_plan, unconfirmed
from dosingd.daemon.reachable import Reachable
from dosingd.desk import Desk
from dosingd.duty import Duty
from dosingd.errors import DosingError, PinsFailed, PinsRefused, PlanRefused
from dosingd.inputs import Switches, Watch
from dosingd.ledger.account import Account
from dosingd.plan.model import Plan
from dosingd.pumps.pump import Rig
from dosingd.records import STOPPED_BY_FAULT, Stopped, Switched
from dosingd.requests import Answer
from dosingd.rounds import Rounds
from dosingd.standing import ALARMS_NAME
from dosingd.state import RigState
from dosingd.timekeeper import Timekeeper
from dosingd.turn import Turn

#: Whatever ends or stops a process and can be caught: a daemon that is gone or stands still leaves a line high.
STOPS = (
    signal.SIGTERM,
    signal.SIGINT,
    signal.SIGHUP,
    signal.SIGQUIT,  # Ctrl-backslash
    signal.SIGTSTP,  # Ctrl-Z
    signal.SIGUSR1,
    signal.SIGUSR2,
    signal.SIGALRM,
    signal.SIGVTALRM,
    signal.SIGPROF,
    signal.SIGXCPU,
    signal.SIGPWR,
)
#: A background job that writes to its terminal, or reads from it, must not be stopped with a pump on.
IGNORED = (signal.SIGTTIN, signal.SIGTTOU)
#: How long the turn thread may take to book what was given when the daemon goes down. The pump is off by then.
BOOKING_S = 10.0


@frozen
class Parts:
    """What the daemon is made of that a bench or a test makes otherwise."""

    state: Path
    plan_file: Path
    witness: Path
    bench: bool
    clock: Clock
    early: Early
    read_bytes: Callable[[Path], bytes]
    make_rig: Callable[[Plan], Rig]
    make_link: Callable[[Plan, Callable[[str, str], None], Intake], PublishesState | None]
    make_switches: Callable[[Plan, Rig], Switches]
    #: Writes down which lines must be low when no daemon runs: those of every plan that is named.
    list_lines: Callable[..., None]


class Daemon:
    """One running rig. `run` returns the exit status."""

    def __init__(self, parts: Parts) -> None:
        """Reads the plan and opens the ledger. Raises DosingError: then nothing has started and every line is low."""
        self._parts = parts
        clock = parts.clock
        text = parts.read_bytes(parts.plan_file)
        self._book = open_ledger(parts.state, parts.witness, bench=parts.bench)
        try:
            account = Account(self._book)
            plan = runnable_plan(text, str(parts.plan_file), account.books)
            self._rig = parts.make_rig(plan)
            self._switches = parts.make_switches(plan, self._rig)
        except BaseException:
            self._book.close()
            raise
        self._zone = ZoneInfo(plan.timezone)
        self._journal = Journal(2, time_now=None if "JOURNAL_STREAM" in os.environ else self._local_time)
        self._notify = Notify()
        self._bell = Bell()
        self._cut = Cut()
        self._to_be_held: str | None = None  #: what this start found, until the turn thread books it
        self._latch = Latch(parts.state, self._journal.say)
        self._ready = threading.Event()  #: nothing is dosed before it is set
        self._stop_asked: int | None = None
        self._linking = Linking(
            lambda: parts.make_link(self._duty.plan, self._journal.say, self._intake),
            lambda: self._duty.state,
            self._journal.say,
        )
        turn = Turn(
            plan,
            account,
            self._rig.pumps,
            clock,
            trusted=lambda: rounds.trusted(),
            interrupt=self._cut.event,
            flowing=lambda of: self._watch.flows(of),
        )
        # A bench runs on a machine with a clock of its own, and nothing is pumped by it.
        rounds = Rounds(turn.account, clock, turn, clock_kept=parts.bench)
        self._rounds = rounds
        self._timekeeper = Timekeeper(lambda: self._duty.wake())
        self._duty = Duty(
            rounds,
            self._cut,
            low=parts.early.low,
            wake_at=self._timekeeper.wake_at,
            show=self._show,
            row_told=self._linking.told,
            say=self._journal.say,
            ring=self._bell.ring,
            helper=parts.early.helper,
            all_low=not parts.early.failed,
            memory=parts.state / ALARMS_NAME,
            why_no_broker=self._linking.why_not,
            broker_denies=self._linking.denied,
            unconfirmed=unconfirmed(plan, account.books),
            wait_to_begin=self._ready.wait,
        )
        self._watch = Watch(plan, self._switches, clock, lambda: self._rounds.account.books)
        self._duty.watch = self._watch
        self._desk = Desk(
            self._duty, self._cut, clock, read_plan=self._read_again, bring=self._bring, ring=self._bell.ring
        )
        self._intake = Intake(self._desk, self._duty, clock, self._journal.say)
        self._reachable = Reachable(
            ControlSocket(parts.state / CONTROL_NAME, self._desk.take, self._journal.say), clock, self._journal.say
        )
        self._loop = ControlLoop(
            clock,
            self._cut,
            self._duty,
            pumps=lambda: self._rig.pumps,
            leases=lambda: turn.leases,
            keep_alive=lambda: self._rig.keep_alive,
            hold=self._hold_marked,
            feed=self._notify.alive,
            feed_every_s=self._notify.feed_every_s,
            say=self._journal.say,
            alarm_output=lambda: self._rig.alarm_output,
            lit=lambda mono_s: self._duty.calling.lit(mono_s),
        )

    def run(self) -> int:
        """Dose until a signal comes. Returns 0 after an orderly stop, 1 after a fault in the program."""
        for number in IGNORED:
            signal.signal(number, signal.SIG_IGN)
        # One that was ignored when we were started stays ignored (nohup).
        heard = tuple(number for number in STOPS if signal.getsignal(number) is not signal.SIG_IGN)
        self._bell.listen_to(heard, self._asked_to_stop)
        try:
            self._start()
            self._dose()
        finally:
            status = self._go_down()
        return status

    def _start(self) -> None:
        early = self._parts.early
        for channel in early.found_on:
            self._journal.say("warning", f"{channel}: its line was still on; it was driven low at this start.")
        for failed in early.failed:
            self._journal.say("error", failed)
        self._timekeeper.start()
        self._linking.begin()
        if early.failed:
            # A line that nobody could drive low may be on: no dose until a person has looked, not the first one either.
            why = f"a line could not be driven low at the start: {'; '.join(early.failed)}"
            self._to_be_held = why
            self._cut.make("start")
            self._duty.post(lambda: self._duty.hold(why, "start"))
        left = self._latch.found()
        if left is not None:
            self._journal.say("error", f"The daemon before was to be held and could not write it: {left}")
            self._to_be_held = self._to_be_held or left
            self._cut.make("latch")
            self._duty.post(lambda: self._book_marked(left, "latch"))
        self._reachable.lay()  # before the first round: a hold that is asked for meanwhile holds
        self._duty.thread.start()

    def _dose(self) -> None:
        while self._stop_asked is None and not self._duty.ended.is_set():
            next_mono_s = self._loop.turn()
            look_mono_s = self._watch.turn(self)
            self._desk.tick()
            self._reachable.turn()
            if not self._ready.is_set() and self._duty.opened.is_set():
                self._begin()
            asked = self._desk.next_mono_s()
            wake_mono_s = min(next_mono_s, look_mono_s, math.inf if asked is None else asked)
            self._bell.wait(wake_mono_s - self._parts.clock.now().mono_s)

    def _begin(self) -> None:
        """Everything is open and nothing was dosed yet: from here on the service manager's watchdog counts (it is armed
        by READY), and only then may the first dose begin."""
        self._notify.ready()
        self._say_begun()
        self._ready.set()

    def _say_begun(self) -> None:
        rig, stopped = self._duty.plan.rig, self._duty.ledger_fault
        held = self._duty.rounds.account.books.held or self._to_be_held
        if stopped is None and held is not None:
            self._journal.say("error", f"{rig}: it runs, but it is held: {held.rstrip('.')}. To see it: dosingd status")
        elif stopped is None:
            self._journal.say("notice", f"{rig}: it doses. To see it: dosingd status")
        else:
            self._journal.say("error", f"{rig}: it runs, but it does NOT dose: {stopped} To see it: dosingd status")

    def _go_down(self) -> int:
        """Pumps first; then what was given is booked; then everything else, each whatever became of the one before."""
        self._cut.make("stopping")
        self._loop.all_off()
        self._notify.stopping()
        self._duty.post(self._book_stop)
        self._duty.stop()
        self._ready.set()
        if self._duty.thread.ident is not None:
            self._duty.ended.wait(BOOKING_S)
        fault = self._duty.fault
        if not self._duty.ended.is_set():
            self._journal.say("error", "The turn thread did not end; what it has not booked, the next start books.")
        if fault is not None:
            self._journal.say("error", f"This is a fault in dosingd itself: {type(fault).__name__}: {fault}.")
        for step in (
            self._timekeeper.stop,
            self._reachable.stop,
            self._linking.stop,
            self._let_go,
            self._switches.close,
            self._close_ledger,
            self._notify.close,
            self._journal.close,
            self._bell.close,
        ):
            try:
                step()
            except Exception as trouble:
                self._journal.say("error", f"going down: {trouble}")
        return 0 if fault is None and self._duty.ended.is_set() else 1

    def _book_stop(self) -> None:
        if self._duty.ledger_fault is None and self._duty.fault is None:
            asked = self._stop_asked
            why = STOPPED_BY_FAULT if asked is None else f"by {signal.Signals(asked).name}"
            self._rounds.account.write(Stopped(why), self._parts.clock.now())

    def _close_ledger(self) -> None:
        if self._duty.ended.is_set() or self._duty.thread.ident is None:
            self._book.close()

    def _let_go(self) -> None:
        for failed in self._rig.close():
            self._journal.say("error", failed)

    def _asked_to_stop(self, number: int) -> None:
        # In a signal handler: a flag and nothing else. The bell has rung already, by the descriptor.
        self._stop_asked = number

    # -- the ledger and the plan -----------------------------------------------------------------------------

    def _read_again(self) -> Plan | Answer:
        """On the reload's own thread: the plan in the file, or why not."""
        path = self._parts.plan_file
        try:
            return runnable_plan(self._parts.read_bytes(path), str(path))
        except PlanRefused as fault:
            return Answer.refused(fault.code, f"{fault}\nThe running plan stays in force.")

    def _bring(self, plan: Plan, confirmed: bool = False) -> None:
        """On the turn thread, between two runs: pins, then plan, then the link."""
        old = self._duty.plan
        try:
            self._parts.list_lines(old, plan)
        except OSError as fault:
            raise PinsRefused(
                f"The lines that must be low when no daemon runs could not be written down: {fault}. Nothing was"
                " changed, and the running plan stays in force. Make room on the disk, then: dosingd reload"
            ) from None
        self._switches.close()  # a pump of the new plan may be on the line of an input of the old one
        try:
            self._rig.refit(plan)
            self._switches.refit(plan)
        except PinsFailed as fault:
            self._take_again(old)
            self._rounds.turn.pumps = self._rig.pumps
            self._duty.hold(f"a line did not do what it was told at a reload: {fault}", "reload")
            raise PinsFailed(
                f"{fault} The rig is held, and the plan before stays in force. Switch the pumps' supply off, mend the"
                " line, then start dosingd again."
            ) from None
        except BaseException:
            self._take_again(old)
            raise
        finally:
            self._rounds.turn.pumps = self._rig.pumps  # those of the former plan again, where the new one's failed
        self._watch.refit(plan)
        try:
            self._parts.list_lines(plan)
        except OSError as fault:
            # The list has the former plan's lines as well: more are driven low than must be, and none is left out.
            self._journal.say("warning", f"The list of lines keeps those of the former plan as well: {fault}")
        self._rounds.reload(plan, confirmed=confirmed)
        self._zone = ZoneInfo(plan.timezone)
        if (old.mqtt, old.rig) != (plan.mqtt, plan.rig):
            threading.Thread(target=self._linking.change, name="relink", daemon=True).start()

    def _take_again(self, plan: Plan) -> None:
        """The lines of the plan that stays in force, after another one's could not be had."""
        try:
            self._rig.refit(plan)
            self._rounds.turn.pumps = self._rig.pumps
            self._switches.refit(plan)
        except DosingError as fault:
            # Pumps that are not there fail and hold the rig; inputs that are not there say what is unsafe.
            self._journal.say("error", f"{fault}")

    # -- what the watch over the switches does; the control loop calls it, so each returns at once --------------

    def cut(self, reason: str) -> None:
        """End whatever runs."""
        self._cut.make(reason)
        self._loop.all_off()

    def hold(self, why: str, reason: str) -> None:
        """The latch, booked by the turn thread."""
        self._duty.post(lambda: self._duty.hold(why, reason))

    def _hold_marked(self, why: str, reason: str) -> None:
        """The latch for what the control loop had to do itself: the turn thread may hang, and never write it."""
        self._latch.make(why)
        self._duty.post(lambda: self._book_marked(why, reason))

    def _book_marked(self, why: str, reason: str) -> None:
        self._duty.hold(why, reason)
        self._latch.booked()

    def mend(self, reason: str) -> None:
        """The cut's end, after the run that it ended was settled."""
        self._duty.post(lambda: self._cut.mend(reason))

    def write(self, event: Switched) -> None:
        """A row, by the turn thread."""
        self._duty.post(lambda: self._write(event))

    def _write(self, event: Switched) -> None:
        self._rounds.account.write(event, self._parts.clock.now())

    def wake(self) -> None:
        """A round soon."""
        self._duty.wake()

    # -- what others are told --------------------------------------------------------------------------------

    def _show(self, state: RigState) -> None:
        self._linking.show(state)
        self._notify.status(status_line(state, self._zone))

    def _local_time(self) -> str:
        return self._parts.clock.now().wall_at.astimezone(self._zone).strftime("%Y-%m-%d %H:%M:%S")


def status_line(state: RigState, zone: ZoneInfo) -> str:
    """One line for `systemctl status`."""
    if state.stopped is not None:
        return f"no pump runs: {state.stopped}"
    if state.held:
        return f"held: {state.held_reason}"
    if state.paused_until_at is not None:
        return f"paused until {state.paused_until_at.astimezone(zone):%H:%M}"
    coming = [one.next_dose_at for one in state.channels.values() if one.next_dose_at is not None]
    given = sum(one.given_today_ul for one in state.channels.values()) / 1000
    text = f"{given:.1f} mL given today"
    if coming:
        text += f", next at {min(coming).astimezone(zone):%H:%M}"
    return text + (f"; {len(state.alarms)} alarms: dosingd status" if state.alarms else "")
