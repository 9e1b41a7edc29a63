"""A whole rig in virtual time on a real ledger, that can be cut at any step, and tells the oracle what it did."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from dosingd.clock import VirtualClock
from dosingd.errors import LedgerFailed, LedgerRefused
from dosingd.flows import head_of
from dosingd.gate import Request
from dosingd.ledger import Book, Witness
from dosingd.ledger.account import Account
from dosingd.records import Calibrated, Into, LedgerMade, Paused, Purpose, Refilled, Released
from dosingd.recovery import LinesLow
from dosingd.rounds import Rounds
from dosingd.turn import Result, Turn
from tests.proof.eye import LedgerEye
from tests.proof.oracle import Oracle
from tests.proof.plans import CHANNELS, LINE_UL, NOMINAL_UL_PER_S, STRENGTHS, Wish, keeper_of, plan_of

EPOCH_AT = datetime(2027, 3, 26, 9, tzinfo=UTC)
#: A file system in memory where there is one: every row is synced, as on a real rig.
PLACE = "/dev/shm" if Path("/dev/shm").is_dir() else None
#: A hardware watchdog and a boot, after which the line is low whatever happened.
REBOOT_LOW_S = 85.0


def calibrated(channel: str, flow_ul_per_s: float) -> Calibrated:
    """Test runs that found a flow, of the head that every plan here names."""
    return Calibrated(channel, flow_ul_per_s, head=head_of(plan_of(Wish()).channels[channel]))


class PowerCut(BaseException):
    """The process is gone at this instant; nothing of it runs any more."""


class LineFault(Exception):
    """A pin did not answer."""


@dataclass
class Fault:
    """One thing that will go wrong, and what the machine does after it."""

    where: str  #: a step of the ledger, or: mid run, before on, after on, before off, after off, wall, slow
    nth: int = 1
    part: float = 0.5  #: how far into the run
    by_s: float = 0.0  #: for `wall` and `slow`
    disk: bool = False  #: an error of the disk instead of a cut
    helper_s: float | None = 1.0  #: the stop helper drives the lines low after this; None: they stay until the start
    known: bool = False  #: the helper wrote down when
    down_s: float = 5.0
    reboot: bool = False


class Line:
    """A pretend pump: knows its level, tells the oracle, and fails when it should."""

    def __init__(self, rig: Rig, channel: str) -> None:
        self._rig, self._channel = rig, channel
        self.high = False

    def on(self) -> None:
        self._rig.comes("before on")
        self._level(True)
        self._rig.comes("after on")

    def off(self) -> None:
        if self._rig.dead:
            return
        if self.high:
            self._rig.comes("before off")
        self._level(False)
        self._rig.comes("after off")

    @property
    def is_on(self) -> bool:
        return self.high

    def _level(self, high: bool) -> None:
        if not self._rig.dead and high != self.high:
            self.high = high
            self._rig.oracle.line(self._channel, high, self._rig.clock.true_s, self._rig.wall_us())


class Rig:
    def __init__(self, place: Path, wish: Wish, *, full: bool, flows: Mapping[str, float], synchronised: bool) -> None:
        self.place, self.wish = place, wish
        self.path, self.witness = place / "ledger.db", place / "witness"
        self.clock = VirtualClock(EPOCH_AT, synchronised=synchronised)
        self.clock.before_passing = self._passing
        self.oracle = Oracle()
        self.lines = {name: Line(self, name) for name in CHANNELS}
        self.fault: Fault | None = None
        self.fired: Fault | None = None
        self.dead = False
        self.rounds: Rounds
        self.steps = 0
        self.helper: LinesLow | None = None  #: it stands there until the helper writes down another
        book = Book.make(self.path, Witness(self.witness), LedgerMade("proof", bench=True, full=full), self.clock.now())
        account = Account(book)
        for name in CHANNELS:
            account.write(calibrated(name, flows[name] * NOMINAL_UL_PER_S[name]), self.clock.now())
            account.write(Refilled(name, 100_000_000, None, name, STRENGTHS[name], LINE_UL[name]), self.clock.now())
            self.oracle.flow(name, flows[name] * NOMINAL_UL_PER_S[name])
            self.oracle.bottle(name, STRENGTHS[name], LINE_UL[name])
        book.close()
        self.oracle.eye = LedgerEye(self.path, self.witness)
        self.oracle.plan(self.clock.true_s, keeper_of(wish))
        self.start()

    # -- the process ---------------------------------------------------------------------------------------

    def start(self) -> None:
        """A process comes up with every line low. A cut while it comes up is followed by the next start."""
        while True:
            try:
                self._come_up()
                return
            except (PowerCut, LineFault, LedgerFailed, LedgerRefused):
                if self.fired is None:
                    raise
                self._go_down()

    def _come_up(self) -> None:
        self.dead = False
        book = Book.open(self.path, Witness(self.witness), at_step=self._at_step)
        self.book = book
        account = Account(book)
        turn = Turn(plan_of(self.wish), account, self.lines, self.clock, trusted=lambda: self.rounds.trusted())
        self.rounds = Rounds(account, self.clock, turn)
        self.oracle.relaid(self.clock.true_s)
        self.rounds.start(helper=self.helper)

    def _go_down(self) -> None:
        """After a cut: lines fall by the stop helper, by the reboot, or stay high until just before the next start."""
        fault = self.fired
        assert fault is not None
        self.fired = None
        self.dead = True
        self.book.close()
        clock = self.clock
        high = next((name for name, line in self.lines.items() if line.high), None)
        if high is not None:
            lease_end_s = self._lease_end_s
            if fault.helper_s is not None:
                clock.true_s = max(clock.true_s, min(lease_end_s, clock.true_s + fault.helper_s))
            elif fault.reboot:
                clock.true_s = max(clock.true_s, min(lease_end_s + REBOOT_LOW_S, clock.true_s + fault.down_s))
            else:
                clock.true_s += fault.down_s
            self.lines[high].high = False
            self.oracle.line(high, False, clock.true_s, self.wall_us(), lease_end_s)
            if fault.known:
                low = clock.now()
                gpios = frozenset(one.pump.gpio for one in plan_of(self.wish).channels.values())
                self.helper = LinesLow(low.boot_id, low.mono_s, gpios)
        if fault.reboot:
            clock.reboot(fault.down_s)
        elif fault.helper_s is not None:
            clock.true_s += fault.down_s

    def guarded(self, do: Callable[[], object]) -> None:
        """Do it; when the fault strikes, go down and come up again."""
        try:
            do()
        except (PowerCut, LineFault, LedgerFailed):
            if self.fired is None:
                raise
        if self.fired is not None:  # also when the process outlived the fault, held: someone restarts it
            self._go_down()
            self.start()

    def stop(self) -> None:
        self.book.close()
        if self.oracle.eye is not None:
            self.oracle.eye.close()  # it opens again when it looks again

    # -- faults --------------------------------------------------------------------------------------------

    def struck(self) -> bool:
        """Whether the fault that was to come has come."""
        return self.fault is None

    def comes(self, where: str) -> None:
        """A place where a fault may strike."""
        fault = self.fault
        if where == "after on":
            lease = self.rounds.turn.leases.current[0]
            self._lease_end_s = self.clock.true_s + lease.end_mono_s - self.clock.mono_s
        if fault is None or self.dead or fault.where != where:
            return
        fault.nth -= 1
        if fault.nth > 0:
            return
        self.fault = None
        if where == "witnessed" and fault.by_s and not fault.disk:
            self.clock.true_s += fault.by_s  # a slow disk, no cut
            return
        self.fired = fault
        if where == "before off" or (fault.disk and where in ("before on", "after on", "after off")):
            self.dead = where == "before off"  # the line does not answer any more
            raise LineFault(where)
        if fault.disk:
            raise OSError(f"the disk failed at {where}")
        self.dead = True
        raise PowerCut(where)

    def _at_step(self, step: str) -> None:
        self.comes(step)

    def _passing(self, to_s: float) -> None:
        if not any(line.high for line in self.lines.values()) or self.fault is None:
            return
        fault = self.fault
        if fault.where not in ("mid run", "wall"):
            return
        fault.nth -= 1
        if fault.nth > 0:
            return
        self.fault = None
        if fault.where == "wall":
            self.clock.set_wall(fault.by_s)
            return
        self.clock.true_s += fault.part * (to_s - self.clock.true_s)
        self.fired = fault
        self.dead = True
        raise PowerCut("mid run")

    # -- what people and clocks do -------------------------------------------------------------------------

    def wall_us(self) -> int:
        return round(self.clock.now().wall_at.timestamp() * 1e6)

    def live(self, seconds: float) -> None:
        """Rounds for so long."""
        end_s = self.clock.true_s + seconds
        while self.clock.true_s < end_s - 1e-6:
            self.guarded(lambda: self._round(end_s))

    def _round(self, end_s: float) -> None:
        next_mono_s = self.rounds.make()
        self.steps += 1
        self.clock.wait_until_mono_s(min(next_mono_s, self.clock.mono_s + end_s - self.clock.true_s))

    def ask(self, channel: str, purpose: Purpose, into: Into, volume_ul: int) -> Result | None:
        answers: list[Result] = []
        self.oracle.outlet(channel, str(into))
        self.guarded(lambda: answers.append(self.rounds.turn.run(Request(channel, purpose, into, volume_ul))))
        self.oracle.outlet(channel, "tank")
        return answers[0] if answers else None

    def reload(self, wish: Wish) -> None:
        self.wish = wish
        self.oracle.plan(self.clock.true_s, keeper_of(wish))
        self.guarded(lambda: self.rounds.reload(plan_of(wish)))

    def refill(self, channel: str, factor: float) -> None:
        """Books first, then pours: a cut between the two leaves the stronger one in the books only if it was poured."""
        strength = {name: each * factor for name, each in STRENGTHS[channel].items()}
        event = Refilled(channel, 100_000_000, None, channel, strength, LINE_UL[channel])

        def write() -> None:
            self.rounds.account.write(event, self.clock.now())

        fault, self.fault = self.fault, None
        self.guarded(write)
        self.oracle.bottle(channel, strength, LINE_UL[channel])
        self.oracle.relaid(self.clock.true_s)
        self.fault = fault
        self.guarded(self.rounds.lay_anew)

    def calibrate(self, channel: str, factor: float) -> None:
        """New head tubing, and test runs that found its flow."""
        flow = factor * NOMINAL_UL_PER_S[channel]
        fault, self.fault = self.fault, None
        event = calibrated(channel, flow)
        self.guarded(lambda: self.rounds.account.write(event, self.clock.now()))
        self.oracle.flow(channel, flow)
        self.oracle.relaid(self.clock.true_s)
        self.fault = fault
        self.guarded(self.rounds.lay_anew)

    def hold(self) -> None:
        self.fault = None
        self.rounds.turn.hold("a leak was seen")
        self.oracle.held(self.clock.true_s)

    def release(self) -> None:
        self.fault = None
        self.rounds.account.write(Released("the keeper"), self.clock.now())
        self.oracle.released(self.clock.true_s)

    def pause(self, seconds: float) -> None:
        self.fault = None
        now = self.clock.now()
        until_ms = self.rounds.account.books.proven_ms(now) + int(seconds * 1000)
        self.rounds.account.write(Paused(until_ms), now)
        self.oracle.paused(self.clock.true_s, self.clock.true_s + seconds - 0.001)

    def reset_boottime(self, part: float) -> None:
        """The same boot id with a smaller BOOTTIME, as a restored virtual machine shows it."""
        self.clock._boot_true_s = self.clock.true_s - self.clock.mono_s * part

    def restart(self, down_s: float, *, reboot: bool, wish: Wish | None = None) -> None:
        self.stop()
        if reboot:
            self.clock.reboot(down_s)
        else:
            self.clock.true_s += down_s
        if wish is not None:
            self.wish = wish
            self.oracle.plan(self.clock.true_s, keeper_of(wish))
        self.start()

    def swap_ledger(self, seconds: float) -> None:
        """An old copy of the ledger is put in place while the process is down: it must not come up on it."""
        self.fault = None
        self.stop()
        self._copy_ledger(self.place, self.place / "kept")
        self.start()
        self.live(seconds)
        self.stop()
        self._copy_ledger(self.place, self.place / "newest")
        self._copy_ledger(self.place / "kept", self.place)
        try:
            Book.open(self.path, Witness(self.witness)).close()
        except LedgerRefused:
            pass
        else:
            raise AssertionError("an old copy of the ledger was taken for the ledger")
        self._copy_ledger(self.place / "newest", self.place)
        self.start()

    def _copy_ledger(self, source: Path, target: Path) -> None:
        target.mkdir(exist_ok=True)
        for name in ("ledger.db", "ledger.db-wal", "ledger.db-shm"):
            (target / name).unlink(missing_ok=True)
            if (source / name).exists():
                shutil.copyfile(source / name, target / name)
