"""A rig with its turn thread and its desk, in virtual time. The test plays the timekeeper and the control loop."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from types import TracebackType

from dosingd.clock import VirtualClock
from dosingd.cut import Cut
from dosingd.desk import Desk
from dosingd.duty import Duty
from dosingd.errors import DosingError
from dosingd.mqtt.granted import Denied
from dosingd.plan.model import Plan
from dosingd.records import Event, Row
from dosingd.requests import Answer, Request
from dosingd.state import RigState
from tests.builders import START_AT, Rig, WatchedPump

#: Nothing here takes as long on any machine; what does has hung.
DEADLINE_S = 20.0


class StandingClock(VirtualClock):
    """A virtual clock on which a run can be made to stand still in its midst, until it is let go on or is cut."""

    def __init__(self, start_at: datetime) -> None:
        super().__init__(start_at)
        self.stand_after_s: float | None = None
        self.standing, self.go_on = threading.Event(), threading.Event()

    def wait_until_mono_s(self, mono_s: float, interrupt: threading.Event | None = None) -> bool:
        if self.stand_after_s is not None:
            self.pass_s(min(self.stand_after_s, mono_s - self.mono_s))
            self.stand_after_s = None
            self.standing.set()
            while not self.go_on.is_set():
                if interrupt is not None and interrupt.wait(0.001):
                    return False
        return super().wait_until_mono_s(mono_s, interrupt)


class Reply:
    """Where an answer comes; every answer that came is kept, so that a second one shows."""

    def __init__(self) -> None:
        self.answers: list[Answer] = []
        self._came = threading.Event()

    def __call__(self, answer: Answer) -> None:
        self.answers.append(answer)
        self._came.set()

    @property
    def answered(self) -> bool:
        return self._came.is_set()

    def answer(self) -> Answer:
        """The one answer, waited for."""
        assert self._came.wait(DEADLINE_S), "no answer came"
        [answer] = self.answers
        return answer


class Manned:
    """Rig, duty and desk, and everything that they tell others. Ends its thread when the `with` block ends."""

    def __init__(
        self, of: Plan, *, start_at: datetime = START_AT, full: bool = True, memory: Path | None = None
    ) -> None:
        self.cut = Cut()
        self.clock = StandingClock(start_at)
        self.rig = Rig(of, full=full, clock=self.clock, interrupt=self.cut.event)
        self.wakes: list[datetime] = []
        self.shown: list[RigState] = []
        self.said: list[tuple[str, str]] = []
        self.told: list[tuple[Row, Row | None]] = []
        self.rung = 0
        #: What the plan's file holds at the next reload.
        self.file: Plan | Answer | DosingError = of
        self.reading, self.read = threading.Event(), threading.Event()
        self.read.set()
        self._round_made = threading.Condition()
        #: Why the broker's link does not stand.
        self.no_broker: str | None = None
        #: What does not pass on it.
        self.denied: Denied | None = None
        self.duty = Duty(
            self.rig.rounds,
            self.cut,
            low=self.clock.now(),
            wake_at=self._wake_at,
            show=self.shown.append,
            row_told=lambda row, reserved: self.told.append((row, reserved)),
            say=lambda priority, text: self.said.append((priority, text)),
            ring=self._ring,
            memory=memory,
            why_no_broker=lambda: self.no_broker,
            broker_denies=lambda: self.denied,
        )
        self.desk = Desk(self.duty, self.cut, self.clock, read_plan=self._read_plan, bring=self._bring, ring=self._ring)

    def __enter__(self) -> Manned:
        self.duty.thread.start()
        assert self.duty.begun.wait(DEADLINE_S)
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, _: TracebackType | None) -> None:
        self.clock.go_on.set()
        self.read.set()
        self.duty.stop()
        self.duty.thread.join(DEADLINE_S)
        assert not self.duty.thread.is_alive()
        if fault is None and self.duty.fault is not None and not isinstance(self.duty.fault, Expected):
            raise self.duty.fault

    def state(self) -> RigState:
        """As last shown."""
        return self.shown[-1]

    def settle(self) -> None:
        """Whatever was posted is done, and a round was made after it."""
        before: list[int] = []
        self.duty.post(lambda: before.append(len(self.wakes)))
        with self._round_made:
            assert self._round_made.wait_for(
                lambda: self.duty.ended.is_set() or bool(before and len(self.wakes) > before[0]), DEADLINE_S
            )

    def live(self, seconds: float) -> None:
        """Rounds for so many seconds, each when the duty asked to be woken."""
        end_s = self.clock.true_s + seconds
        while self.clock.true_s < end_s:
            wait_s = max(0.001, (self.wakes[-1] - self.clock.now().wall_at).total_seconds())
            self.clock.pass_s(min(wait_s, end_s - self.clock.true_s))
            self.settle()
            assert not self.duty.ended.is_set(), f"the turn thread has ended: {self.duty.fault!r}"

    def write(self, event: Event) -> None:
        """A row by the turn thread, as from another part of the daemon."""

        def work() -> None:
            self.rig.account.write(event, self.clock.now())

        self.duty.post(work)
        self.settle()

    def later(self, request: Request) -> Reply:
        """Ask, and go on."""
        reply = Reply()
        self.desk.take(request, reply)
        return reply

    def ask(self, request: Request) -> Answer:
        """Ask, and wait for the answer."""
        return self.later(request).answer()

    def stuck(self) -> Callable[[], None]:
        """The turn thread hangs, as in a write to a disk that does not come back. Returns what lets it go on."""
        hangs, free = threading.Event(), threading.Event()

        def hang() -> None:
            hangs.set()
            assert free.wait(DEADLINE_S)

        self.duty.post(hang)
        assert hangs.wait(DEADLINE_S)
        return free.set

    def running(self, request: Request, after_s: float = 4.0) -> Reply:
        """A run that stands still so many seconds after it began."""
        self.clock.stand_after_s = after_s
        reply = self.later(request)
        assert self.clock.standing.wait(DEADLINE_S)
        return reply

    def tick_after(self, seconds: float) -> None:
        """So much time passes, and the control loop looks at the desk."""
        self.clock.pass_s(seconds)
        self.desk.tick()

    def break_ledger(self) -> None:
        """From now on the disk takes no row."""

        def fail(step: str) -> None:
            if step == "begun":
                raise OSError(28, "No space left on device")

        self.rig.at_step = fail

    # -- what the duty and the desk are given ----------------------------------------------------------------

    def _wake_at(self, at: datetime) -> None:
        with self._round_made:
            self.wakes.append(at)
            self._round_made.notify_all()

    def _ring(self) -> None:
        with self._round_made:
            self.rung += 1
            self._round_made.notify_all()

    def _read_plan(self) -> Plan | Answer:
        self.reading.set()
        assert self.read.wait(DEADLINE_S)
        if isinstance(self.file, DosingError):
            raise self.file
        return self.file

    def _bring(self, plan: Plan, confirmed: bool = False) -> None:
        of = self.rig
        of.turn.pumps = {
            name: WatchedPump(name, self.clock, of.journal, of.spans.setdefault(name, [])) for name in plan.channels
        }
        of.rounds.reload(plan, confirmed=confirmed)


class Expected(Exception):
    """A fault that a test put in."""
