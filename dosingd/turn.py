"""One dose, prime or test run, from due to settled: the only caller of a pump.

Rules this room keeps:
- R1: gate, then the reservation is committed with its witness, then the pin moves; what was reserved and not settled is
  booked in full at the next start and never repeated.
- R3: no ledger, no dose. A reservation that could not be written stops the turn before the pump.
- R4: schedule, manual dose, prime and calibration all come through `run`.
- R5: the pump is on under a lease whose end is set before the pin moves.
- R6: a dose may wait for the pump before it; when it cannot fit in time it is missed.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping

from attrs import field, frozen

from dosingd import gate
from dosingd.calibration import most_ul_from_run_s, volume_ul_from_run_s
from dosingd.clock import Clock
from dosingd.daily import asked_umol
from dosingd.errors import LedgerRefused
from dosingd.flows import flow_of
from dosingd.gate import Allowed, Reason, Refused, Request
from dosingd.leases import NOT_LOW, OUTLIVED, READS_HIGH, Lease, Leases
from dosingd.ledger.account import Account
from dosingd.plan.model import Plan
from dosingd.pumps.pump import Pump
from dosingd.records import Held, NotGiven, Outcome, Purpose, Reading, Reserved, Row, Settled
from dosingd.recovery import LinesLow, booked_after_loss, change_of, line_low, outlived
from dosingd.strengths import strengths_of

#: Refusals that say nothing about the dose: the rig stood still when it was due, so it was missed.
STOOD_STILL = frozenset(
    {Reason.HELD, Reason.PAUSED, Reason.CLOCK, Reason.BUSY, Reason.SESSION, Reason.STOCK, Reason.CIRCULATION}
)
#: Refusals that may pass while a dose waits for the run before it.
MAY_PASS = frozenset({Reason.APART, Reason.BUSY})


@frozen
class Result:
    """What became of one request."""

    outcome: Outcome | None  #: None: it may be asked again, in `wait_s`
    asked_ul: int
    given_ul: int = 0
    reason: str = ""
    why: Reason | None = None
    facts: Mapping[str, object] = field(factory=dict)
    wait_s: float | None = None
    ran_s: float = 0.0  #: how long the pump was on


class Turn:
    """Runs one request at a time. Owned by one thread."""

    def __init__(
        self,
        plan: Plan,
        account: Account,
        pumps: Mapping[str, Pump],
        clock: Clock,
        *,
        trusted: Callable[[], bool],
        flowing: Callable[[Plan], bool] = lambda _: False,
        interrupt: threading.Event | None = None,
    ) -> None:
        """`flowing` says whether the circulation input of a plan that has one is known to see flow in the tank."""
        self.plan = plan
        self.account = account
        self.pumps = pumps
        self.clock = clock
        self.leases = Leases()
        #: Channels whose scheduled doses wait for the end of a session by hand: their outlet may hang over a cup.
        self.suspended: frozenset[str] = frozenset()
        self._trusted, self._flowing = trusted, flowing
        self._interrupt = interrupt

    def recover(self, low: Reading, helper: LinesLow | None = None, *, hold_outlived: bool = False) -> tuple[Row, ...]:
        """Book every reservation that is still open, by R1; `low` is when this start drove the lines low, `helper` when
        the stop helper did. `hold_outlived` latches the rig where one is known to have outlived its lease (R5)."""
        books = self.account.books
        lost = [(row, line_low(row, low, helper, self._gpio_of(row))) for row in books.open.values()]
        if hold_outlived:
            bench = self.account.book.bench
            past = [outlived(row, low, helper, self._gpio_of(row), bench=bench) for row in books.open.values()]
            why = next((one for one in past if one is not None), None)
            if why is not None and not books.held_for(why):
                # Before the settlement: a cut between the two leaves the reservation open for the next start.
                self.account.write(Held(why), self.clock.now())
        newest = books.newest
        return tuple(
            self.account.write(booked_after_loss(row, low_by, newest or row), self.clock.now()) for row, low_by in lost
        )

    def _gpio_of(self, row: Row) -> int | None:
        """The line that a reservation's run was on. A row does not hold it, so it is sure only if the plan that was in
        force then is to the byte the one that is read now; else None."""
        books = self.account.books
        if books.plan is None or books.plan.sha256 != self.plan.sha256 or row.seq < books.plan_seq:
            return None
        assert isinstance(row.event, Reserved)
        channel = self.plan.channels.get(row.event.channel)
        return None if channel is None else channel.pump.gpio

    def run(self, request: Request, *, may_wait_s: float = 0.0) -> Result:
        """Give one dose, or say why not. With `may_wait_s` a refusal that passes in time is not booked yet."""
        asked_at = self.clock.now()
        if self._interrupted():
            # Whoever stopped the rig has yet to book why; until then nothing is asked, reserved or missed.
            return Result(None, request.volume_ul, 0, f"{request.channel}: the rig is being stopped.", wait_s=1.0)
        if request.purpose is Purpose.SCHEDULED and self.account.books.consumed(
            request.day, request.channel, request.slot
        ):
            text = f"{request.channel}: the dose of slot {request.slot} is in the books already, so it is not given."
            return Result(Outcome.MISSED, request.volume_ul, 0, text)
        answer = (
            Refused(Reason.SESSION, f"{request.channel}: a session by hand is open, so its dose is left out.")
            if request.purpose is Purpose.SCHEDULED and request.channel in self.suspended
            else gate.ask(
                self.plan,
                self.account.books,
                request,
                asked_at,
                trusted=self._trusted(),
                flowing=self._flowing(self.plan),
            )
        )
        if isinstance(answer, Refused):
            if answer.reason in MAY_PASS and answer.fits_in_s is not None and answer.fits_in_s <= may_wait_s:
                return Result(None, request.volume_ul, 0, answer.text, answer.reason, answer.facts, answer.fits_in_s)
            return self._not_given(request, answer, asked_at)
        try:
            row = self.account.write(answer.reserved, asked_at)
        except LedgerRefused as consumed:
            # Reserved once, never a second time, whatever the clock does.
            return Result(Outcome.MISSED, request.volume_ul, 0, str(consumed))
        return self._pump(request, answer, row, asked_at)

    def _pump(self, request: Request, allowed: Allowed, row: Row, asked_at: Reading) -> Result:
        now = self.clock.now()
        if now.boot_id != asked_at.boot_id or not 0 <= now.mono_s - asked_at.mono_s <= gate.FRESH_S:
            refused = gate.still_good(
                allowed,
                self.plan,
                self.account.books,
                asked_at,
                now,
                trusted=self._trusted(),
                flowing=self._flowing(self.plan),
            )
            if refused is not None:
                self._settle(row, allowed.reserved, Outcome.MISSED, 0, 0.0, refused.text)
                return Result(Outcome.MISSED, request.volume_ul, 0, refused.text, refused.reason, refused.facts)
        ran_s, broken = self._on_under_lease(request.channel, allowed)
        if broken is not None and self.pumps_off():
            # Nobody knows when the line goes low: the reservation stays open, and the next start books it by R1.
            self.hold(broken)
            return Result(Outcome.UNKNOWN, request.volume_ul, allowed.reserved.reserved_ul, broken)
        flow = flow_of(self.plan, self.account.books, request.channel)
        given_ul = volume_ul_from_run_s(ran_s, flow)
        short = ran_s < allowed.run_s - 0.001
        # Seconds are rounded down to milliseconds: a whole run is booked as what was asked, or as more. One that was
        # cut off is never booked as less than what can have run: a lag below nothing is not taken off it.
        given_ul = most_ul_from_run_s(ran_s, flow) if short else max(request.volume_ul, given_ul)
        outcome = Outcome.PARTIAL if short else Outcome.GIVEN
        reason = broken or ("interrupted" if short else "")
        self._settle(row, allowed.reserved, outcome, given_ul, ran_s, reason)
        if broken is not None:
            self.hold(broken)
        return Result(outcome, request.volume_ul, given_ul, reason, ran_s=ran_s)

    def _on_under_lease(self, channel: str, allowed: Allowed) -> tuple[float, str | None]:
        """Run the pump. Seconds of BOOTTIME that it was on, and what broke: the line, or its lease (R5)."""
        pump = self.pumps[channel]
        on_mono_s = self.clock.now().mono_s
        lease = Lease(channel, on_mono_s, on_mono_s + allowed.lease_s)
        self.leases = self.leases.granted(lease)
        broken: str | None = None
        try:
            # Looked at again after the commit: a rig that was stopped meanwhile must not blink its pump on.
            if not self._interrupted():
                pump.on()
                self.clock.wait_until_mono_s(on_mono_s + allowed.run_s, self._interrupt)
        except Exception as fault:
            broken = f"{channel}: its line could not be driven: {fault}."
        finally:
            try:
                pump.off()
            except Exception as fault:
                broken = f"{channel}: its line {NOT_LOW}: {fault}."
            if broken is None and pump.is_on:
                broken = f"{channel}: its line was driven low and {READS_HIGH}."
            off_mono_s = self.clock.now().mono_s
            past_lease = lease in self.leases.outlived(off_mono_s)
            self.leases = self.leases.ended(channel)
        ran_s = off_mono_s - on_mono_s
        if broken is None and past_lease:
            broken = f"{channel}: its run lasted {ran_s:.1f} s, past {OUTLIVED} of {allowed.lease_s:.1f} s."
        return ran_s, broken

    def _interrupted(self) -> bool:
        return self._interrupt is not None and self._interrupt.is_set()

    def _settle(self, row: Row, reserved: Reserved, outcome: Outcome, given_ul: int, ran_s: float, reason: str) -> None:
        settled = Settled(
            reservation=row.seq,
            channel=reserved.channel,
            outcome=outcome,
            given_ul=given_ul,
            ran_ms=-int(-ran_s * 1000 // 1),
            change_umol=change_of(reserved, given_ul),
            slot=reserved.slot,
            reason=reason,
        )
        self.account.write(settled, self.clock.now())

    def _not_given(self, request: Request, refused: Refused, reading: Reading) -> Result:
        scheduled = request.purpose is Purpose.SCHEDULED
        outcome = Outcome.MISSED if scheduled and refused.reason in STOOD_STILL else Outcome.REFUSED
        strengths = strengths_of(self.plan, self.account.books)
        try:
            self.account.write(
                NotGiven(
                    channel=request.channel,
                    outcome=outcome,
                    asked_ul=request.volume_ul,
                    reason=refused.text,
                    purpose=request.purpose,
                    facts={"why": str(refused.reason)},
                    slot=request.slot,
                    due_at=request.due_at,
                    day=request.day,
                    asked_umol=asked_umol(self.plan, request.channel, strengths, request.volume_ul),
                ),
                reading,
            )
        except LedgerRefused as consumed:
            return Result(Outcome.MISSED, request.volume_ul, 0, str(consumed))
        return Result(outcome, request.volume_ul, 0, refused.text, refused.reason, refused.facts)

    def pumps_off(self) -> list[str]:
        """Drive every line low and read it back, one after another whatever fails. Returns the lines that failed."""
        failed: list[str] = []
        for channel, pump in self.pumps.items():
            try:
                pump.off()
                if pump.is_on:
                    failed.append(f"{channel}: it still reads high")
            except Exception as fault:
                failed.append(f"{channel}: {fault}")
        return failed

    def hold(self, reason: str) -> list[str]:
        """Latch the rig (R11): every pump off first, then the row. One pump that fails does not stop the next. Returns
        the lines that failed."""
        failed = self.pumps_off()
        if failed:
            reason = f"{reason} (lines that did not answer: {'; '.join(failed)})"
        if not self.account.books.held_for(reason):  # a flood of holds must not fill the disk
            self.account.write(Held(reason), self.clock.now())
        return failed

    def lines_not_low(self) -> list[str]:
        """The channels whose line reads high, or cannot be read, now. From any thread; nothing is driven."""
        return [channel for channel, pump in dict(self.pumps).items() if _reads_high(pump)]


def _reads_high(pump: Pump) -> bool:
    try:
        return pump.is_on
    except Exception:
        return True  # a line that nobody can read may be high
