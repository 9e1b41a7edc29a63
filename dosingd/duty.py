"""The turn thread: it makes the rounds, and between two runs it does what the desk posts, one thing at a time.

It alone owns the ledger and starts pumps. Everyone else posts a piece of work and goes on; nobody is waited for.

Rules this room keeps:
- R3: a ledger that cannot be written stops every pump until a person has looked and the daemon is started again.
- R13: what it tells others (a state, a line of the log, a wake-up) goes into their own mailboxes.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from datetime import datetime, timedelta

from dosingd import __version__
from dosingd.alarms import Alarm, Kind
from dosingd.clock import Clock
from dosingd.cut import Cut
from dosingd.errors import LedgerFailed
from dosingd.plan.model import Plan
from dosingd.records import Reading, Reserved, Row
from dosingd.rounds import Rounds
from dosingd.state import RigState, rig_state
from dosingd.telling import line_of

#: A session by hand keeps its channel from dosing; without input for so long it ends, and an alarm says so.
SESSION_S = 30 * 60.0
#: A state is made at least so often, so that what is published of a quiet rig is not older.
FRESH_STATE_S = 60.0

Work = Callable[[], None]
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
    ) -> None:
        self.rounds, self.cut = rounds, cut
        self.clock: Clock = rounds.clock
        self.state: RigState | None = None
        self.fault: BaseException | None = None  #: what ended this thread
        self.ledger_fault: str | None = None
        self.begun, self.ended = threading.Event(), threading.Event()
        #: BOOTTIME of the next round, and of the last sign of life; read by the control loop.
        self.next_mono_s = 0.0
        self.alive_mono_s = self.clock.now().mono_s
        self.sessions: dict[str, float] = {}  #: channel: BOOTTIME of the last input
        self.left_open: dict[str, datetime] = {}  #: sessions that ended by themselves
        self.started_at = low.wall_at
        self._low = low
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
            self._guarded(lambda: self.rounds.start(self._low))
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
        self._wake_at(reading.wall_at + timedelta(seconds=max(0.0, wake_mono_s - reading.mono_s)))

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

    def publish(self) -> None:
        """Make the state anew and show it."""
        self.rounds.turn.suspended = frozenset(self.sessions)
        self.state = rig_state(
            self.plan,
            self.rounds.account.books,
            self.clock.now(),
            trust=self.rounds.trust,
            cannot_lay=self.rounds.cannot_lay,
            coming=self.rounds.coming,
            sessions=self.sessions,
            more_alarms=self._own_alarms(),
            version=__version__,
            started_at=self.started_at,
        )
        self._show(self.state)

    def _told(self, row: Row, reserved_row: Row | None) -> None:
        reserved = None if reserved_row is None else reserved_row.event
        told = line_of(row, reserved if isinstance(reserved, Reserved) else None)
        if told is not None:
            self._say(*told)
        if not isinstance(row.event, Reserved):
            self._row_told(row, reserved_row)

    def _own_alarms(self) -> tuple[Alarm, ...]:
        found = [
            Alarm(
                Kind.INPUT_WANTED,
                channel,
                at,
                f"{channel}: a session by hand was left open for {SESSION_S / 60:.0f} min and has ended. The channel"
                " doses again: is its outlet back over the tank?",
                f"dosingd prime {channel} --into cup",
            )
            for channel, at in self.left_open.items()
            if channel in self.plan.channels  # of one that a reload took out nobody could end it
        ]
        if self.ledger_fault is not None and self._ledger_fault_at is not None:
            found.append(
                Alarm(
                    Kind.NO_LEDGER,
                    None,
                    self._ledger_fault_at,
                    f"No pump runs: the ledger cannot be written. {self.ledger_fault}",
                    "mend the disk, then start dosingd again",
                )
            )
        return tuple(found)

    # -- sessions by hand ------------------------------------------------------------------------------------

    def touch(self, channel: str, *, open_: bool | None = None) -> None:
        """Input for a channel: its session goes on; `open_` begins or ends it."""
        self.left_open.pop(channel, None)
        if open_ or (open_ is None and channel in self.sessions):
            self.sessions[channel] = self.clock.now().mono_s
        elif open_ is False:
            self.sessions.pop(channel, None)
        self.rounds.turn.suspended = frozenset(self.sessions)

    def _end_old_sessions(self) -> None:
        reading = self.clock.now()
        for channel, touched in list(self.sessions.items()):
            if reading.mono_s - touched >= SESSION_S:
                del self.sessions[channel]
                self.left_open[channel] = reading.wall_at
                self._say("warning", f"{channel}: the session by hand was left open and has ended; it doses again.")
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

    def hold(self, why: str, reason: str) -> None:
        """Latch the rig for `why`, and mend the cut's `reason` when it is booked; while it cannot be booked, the cut
        stands and nothing runs."""
        self.rounds.turn.hold(why)
        self.cut.mend(reason)
