"""The turn thread: it makes the rounds, and between two runs it does what the desk posts, one thing at a time.

It alone owns the ledger and starts pumps. Everyone else posts a piece of work and goes on; nobody is waited for.

Rules this room keeps:
- R3: a ledger that cannot be written stops every pump until a person has looked and the daemon is started again.
- R13: what it tells others (a state, a line of the log, a wake-up) goes into their own mailboxes.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from attrs import evolve

from dosingd import __version__, memo, standing
from dosingd.alarms import Alarm, Kind
from dosingd.clock import Clock
from dosingd.cut import Cut
from dosingd.errors import LedgerFailed
from dosingd.inputs import Watch
from dosingd.mqtt.granted import Denied
from dosingd.ownalarms import BrokerAlarms, ledger_alarms, plan_alarms, session_alarms
from dosingd.plan.model import Plan
from dosingd.records import Reading, Reserved, Row
from dosingd.recovery import LinesLow
from dosingd.rounds import Rounds
from dosingd.standing import Calling, Standing, standing_of
from dosingd.state import RigState, rig_state
from dosingd.telling import line_of
from dosingd.words import duration

#: A session by hand keeps its channel from dosing; without input for so long it ends, and an alarm says so.
SESSION_S = 30 * 60.0
#: And it ends so long after it was opened, whatever input comes: a program that keeps it open must not end the doses.
LONGEST_SESSION_S = 2 * 3600.0
#: A state is made at least so often, so that what is published of a quiet rig is not older.
FRESH_STATE_S = 60.0

Work = Callable[[], object]
Say = Callable[[str, str], None]


class Duty:
    """The rounds of one rig on their own thread. `show`, `row_told`, `wake_at`, `say` and `ring` must not wait."""

    def __init__(
        self,
        rounds: Rounds,
        cut: Cut,
        *,
        low: Reading,
        wake_at: Callable[[datetime], None],
        show: Callable[[RigState], None],
        row_told: Callable[[Row, Row | None], None],
        say: Say,
        ring: Callable[[], None],
        helper: LinesLow | None = None,
        all_low: bool = True,
        memory: Path | None = None,
        why_no_broker: Callable[[], str | None] = lambda: None,
        broker_denies: Callable[[], Denied | None] = lambda: None,
        unconfirmed: tuple[str, ...] = (),
        wait_to_begin: Callable[[], object] = lambda: None,
    ) -> None:
        """`memory` is where the alarms are remembered over a restart; `why_no_broker` says why the broker's link does
        not stand, None when it does or there is none; `broker_denies` what does not pass on it. `unconfirmed` is what a
        person must confirm of the plan before it comes into force. `wait_to_begin` returns when the first round may be
        made, after `opened` was set."""
        self.rounds, self.cut = rounds, cut
        self.clock: Clock = rounds.clock
        self.state: RigState | None = None
        self.fault: BaseException | None = None  #: what ended this thread
        self.ledger_fault: str | None = None
        self._not_told: set[tuple[str, str]] = set()  #: what could not be told, and the kind of fault
        #: The books are open and every rule of a start is kept; the first round is made; the thread has ended.
        self.opened, self.begun, self.ended = threading.Event(), threading.Event(), threading.Event()
        #: BOOTTIME of the next round, and of the last sign of life; read by the control loop.
        self.next_mono_s = 0.0
        self.alive_mono_s = self.clock.now().mono_s
        self.sessions: dict[str, float] = {}  #: channel: BOOTTIME of the last input
        self._opened: dict[str, float] = {}  #: channel: BOOTTIME of its session's first input
        #: Sessions that ended by themselves, and what they had been, in words.
        self.left_open: dict[str, tuple[datetime, str]] = {}
        self.watch: Watch | None = None  #: over the plan's switches, where there is one
        self.started_at = low.wall_at
        self.standing = Standing() if memory is None else standing_of(memo.read(memory))
        self.calling = Calling().after(self.standing, (), 0.0)  #: what the lamp shows; read by the control loop
        self._memory, self._memory_fails = memory, False
        self._up_from_mono_s = self.clock.now().mono_s
        self._why_no_broker, self._broker_denies = why_no_broker, broker_denies
        self._broker_alarms = BrokerAlarms()
        self._plan_refused: tuple[datetime, str] | None = None
        self._low, self._helper, self._all_low = low, helper, all_low
        self._unconfirmed, self._wait_to_begin = unconfirmed, wait_to_begin
        self._wake_at, self._show, self._say, self._ring = wake_at, show, say, ring
        self._row_told = row_told
        self._posts: queue.SimpleQueue[Work | None] = queue.SimpleQueue()
        self._woken = False
        self._stopping = False
        self._ledger_fault_at: datetime | None = None
        rounds.account.told = self._told
        self.thread = threading.Thread(target=self._run, name="turn", daemon=True)

    @property
    def plan(self) -> Plan:
        """The plan in force."""
        return self.rounds.plan

    # -- for other threads -----------------------------------------------------------------------------------

    def post(self, work: Work) -> None:
        """Have a piece of work done between two runs. It must not raise, but for the ledger's errors."""
        self._posts.put(work)

    def wake(self) -> None:
        """Have a round made soon. Any number of calls before it make one."""
        if not self._woken:
            self._woken = True
            self._posts.put(None)

    def stop(self) -> None:
        """End the thread after the run that is on; `ended` is set when it has."""
        self.post(self._stop)

    # -- the thread ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self.rounds.account.book.take_over()
            self._guarded(self._start)
            self.publish()  # whoever asks is answered while the first dose runs
            self.opened.set()
            self._ring()
            self._wait_to_begin()
            while not self._stopping:
                self._round()
                if not self.begun.is_set():
                    self.begun.set()
                    self._ring()  # whoever started this waits for it
                self._work_until_woken()
        except BaseException as fault:
            self.fault = fault
            self.cut.make("fault")
            self.rounds.turn.pumps_off()
        finally:
            self.ended.set()
            self.begun.set()
            self._ring()

    def _start(self) -> None:
        self.rounds.start(self._low, self._helper, all_low=self._all_low, unconfirmed=self._unconfirmed)

    def _guarded(self, work: Work) -> None:
        try:
            work()
        except LedgerFailed as fault:
            self._no_ledger(fault)

    def _round(self) -> None:
        self.next_mono_s = self.clock.now().mono_s + FRESH_STATE_S
        if self.ledger_fault is None:
            self._guarded(self._make_round)
        self._end_old_sessions()
        self.publish()
        reading = self.clock.now()
        self.alive_mono_s = reading.mono_s
        wake_mono_s = min(self.next_mono_s, reading.mono_s + FRESH_STATE_S)
        wake_at = reading.wall_at + timedelta(seconds=max(0.0, wake_mono_s - reading.mono_s))
        # Without a wake-up the control loop wakes this thread when the round is overdue.
        self.tell("the wake-up", lambda: self._wake_at(wake_at))

    def _make_round(self) -> None:
        self.next_mono_s = self.rounds.make()

    def _work_until_woken(self) -> None:
        work = self._posts.get()
        while True:
            if work is None:
                self._woken = False
            else:
                self._guarded(work)
            if self.clock.now().mono_s >= self.next_mono_s:
                return  # what is due comes before what waits, however much is posted (R13)
            try:
                work = self._posts.get_nowait()
            except queue.Empty:
                return

    def _stop(self) -> None:
        self._stopping = True

    # -- what others are told --------------------------------------------------------------------------------

    def tell(self, what: str, telling: Work) -> bool:
        """Something that only tells, so a fault in it ends no dosing (R13): it is said once in the log. Returns whether
        it went well."""
        try:
            telling()
        except Exception as fault:
            kind = type(fault).__name__
            if (what, kind) not in self._not_told:
                self._not_told.add((what, kind))
                with suppress(Exception):
                    self._say(
                        "error", f"{what}: this is a fault in dosingd itself: {kind}: {fault}. The doses go on without."
                    )
            return False
        return True

    def publish(self) -> bool:
        """Make the state anew and show it. Returns whether it could be made."""
        self.rounds.turn.suspended = frozenset(self.sessions)
        return self.tell("the rig's state", self._publish)

    def _publish(self) -> None:
        reading = self.clock.now()
        state = rig_state(
            self.plan,
            self.rounds.account.books,
            reading,
            trust=self.rounds.trust,
            cannot_lay=self.rounds.cannot_lay,
            coming=self.rounds.coming,
            sessions=self.sessions,
            more_alarms=(*self._own_alarms(reading), *self._input_alarms()),
            inputs={} if self.watch is None else self.watch.says(),
            version=__version__,
            started_at=self.started_at,
            stopped=self.ledger_fault,
        )
        self._look_at_alarms(state.alarms, reading)
        shown = self.state = evolve(state, alarms=self.standing.alarms, ended=self.standing.ended)
        self.tell("the broker and the service manager", lambda: self._show(shown))

    def _look_at_alarms(self, found: Iterable[Alarm], reading: Reading) -> None:
        """What is wrong now becomes what stands, and news of it goes into the log and to the lamp."""
        before = self.standing
        proven_ms = self.rounds.account.books.proven_ms(reading)
        up_s = reading.mono_s - self._up_from_mono_s
        self.standing, news = standing.step(before, found, self.plan.channels, proven_ms, up_s)
        for one in news:
            self._say(one.priority, one.line)
        self.calling = self.calling.after(self.standing, news, reading.mono_s)
        if news or self.standing.known.keys() != before.known.keys():
            self._remember()

    def _remember(self) -> None:
        """Into a file that may be lost, without waiting for the disk: what is forgotten is raised anew."""
        if self._memory is None:
            return
        try:
            memo.write(self._memory, standing.data_of(self.standing))
            self._memory_fails = False
        except OSError as fault:
            if not self._memory_fails:
                self._memory_fails = True
                self._say("warning", f"{self._memory}: the alarms cannot be remembered over a restart: {fault}")

    def _told(self, row: Row, reserved_row: Row | None) -> None:
        self.tell("a row of the ledger", lambda: self._tell_row(row, reserved_row))

    def _tell_row(self, row: Row, reserved_row: Row | None) -> None:
        reserved = None if reserved_row is None else reserved_row.event
        told = line_of(row, reserved if isinstance(reserved, Reserved) else None, ZoneInfo(self.plan.timezone))
        if told is not None:
            self._say(*told)
        if not isinstance(row.event, Reserved):
            self._row_told(row, reserved_row)

    def _input_alarms(self) -> tuple[Alarm, ...]:
        if self.watch is None:
            return ()
        return self.watch.alarms(self.plan, self.rounds.account.books, self.clock.now())

    def answer_alarms(self) -> tuple[Alarm, ...]:
        """A person has looked: every alarm that waits for that is answered. Returns those."""
        self.left_open.clear()
        return self._answered()

    def _answered(self, kind: Kind | None = None, channel: str | None = None) -> tuple[Alarm, ...]:
        self.standing, these = self.standing.answered(kind, channel)
        if these:
            self._remember()
        return these

    def plan_refused(self, why: str | None) -> None:
        """Why the plan's file was refused at a reload; None: it is in force. Any thread."""
        self._plan_refused = None if why is None else (self.clock.now().wall_at, why)
        self.wake()

    def _own_alarms(self, reading: Reading) -> tuple[Alarm, ...]:
        plan, stands = self.plan, self.standing.stands(Kind.BROKER_UNREACHABLE)
        return (
            *self._broker_alarms.found(reading, self._why_no_broker(), self._broker_denies(), stands=stands),
            *plan_alarms(plan, self.rounds.unconfirmed, self.started_at, self._plan_refused),
            *session_alarms(plan, self.left_open),
            *ledger_alarms(plan, self.ledger_fault, self._ledger_fault_at),
        )

    # -- sessions by hand ------------------------------------------------------------------------------------

    def touch(self, channel: str, *, open_: bool | None = None) -> None:
        """Input for a channel: its session goes on; `open_` begins or ends it."""
        self.left_open.pop(channel, None)
        self._answered(Kind.INPUT_WANTED, channel)
        if open_ or (open_ is None and channel in self.sessions):
            self.sessions[channel] = self.clock.now().mono_s
            self._opened.setdefault(channel, self.sessions[channel])
        elif open_ is False:
            self.sessions.pop(channel, None)
            self._opened.pop(channel, None)
        self.rounds.turn.suspended = frozenset(self.sessions)

    def _end_old_sessions(self) -> None:
        reading = self.clock.now()
        for channel, touched in list(self.sessions.items()):
            idle = reading.mono_s - touched >= SESSION_S
            if idle or reading.mono_s - self._opened[channel] >= LONGEST_SESSION_S:
                del self.sessions[channel], self._opened[channel]
                how = f"left open for {duration(SESSION_S)}" if idle else f"open for {duration(LONGEST_SESSION_S)}"
                self.left_open[channel] = reading.wall_at, how
                how = "left open" if idle else how
                self._say("warning", f"{channel}: the session by hand was {how} and has ended; it doses again.")
        self.rounds.turn.suspended = frozenset(self.sessions)

    # -- the ledger ------------------------------------------------------------------------------------------

    def _no_ledger(self, fault: LedgerFailed) -> None:
        """R3: every line low, and nothing runs any more until a person has looked."""
        self.cut.make("ledger")
        self.rounds.turn.pumps_off()
        if self.ledger_fault is None:
            self.ledger_fault, self._ledger_fault_at = str(fault), self.clock.now().wall_at
            self._say("error", f"No pump runs any more: {fault}")
        self.next_mono_s = self.clock.now().mono_s + FRESH_STATE_S

    def stand_still(self, reason: str) -> list[str]:
        """Every line low, and the cut's `reason` mended, where the rig is held already and nothing is left to write.
        Returns the lines that did not go low, in words."""
        failed = self.rounds.turn.pumps_off()
        self.cut.mend(reason)
        return failed

    def hold(self, why: str, reason: str) -> list[str]:
        """Latch the rig for `why`, and mend the cut's `reason` when it is booked; while it cannot be booked, the cut
        stands and nothing runs. Returns the lines that did not go low, in words."""
        failed = self.rounds.turn.hold(why)
        self.cut.mend(reason)
        return failed
