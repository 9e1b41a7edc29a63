"""How a person stops the rig and lets it go again: hold, release and pause. On the turn thread.

Rules this room keeps:
- R11: nothing but a person's release ends a hold, and no answer claims that a pump is off whose line is not low.
- R1: a release books what a broken line left open.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from dosingd.causes import MOST_TYPED
from dosingd.clock import Clock
from dosingd.cut import Cut
from dosingd.duty import Duty
from dosingd.errors import LedgerFailed
from dosingd.leases import CONFIRM_PLAN, PLAN_CHANGED, RELEASE
from dosingd.records import ClockConfirmed, Paused, Released, Settled
from dosingd.requests import Answer, Release
from dosingd.words import ml


class Stops:
    """The latch and the pause of the rig that `duty` runs. The cut that a stop made is mended once it is booked."""

    def __init__(self, duty: Duty, cut: Cut, clock: Clock) -> None:
        self._duty, self._cut, self._clock = duty, cut, clock

    def hold_after(self, first: Callable[[], Answer | None], why: str) -> Answer:
        refused = first()
        if refused is None:
            return self.hold(why, "order")
        self._cut.mend("order")
        self._duty.wake()
        return refused

    def hold(self, why: str, reason: str = "hold") -> Answer:
        books = self._duty.rounds.account.books
        already, kept = books.held, len(books.causes)
        if why.startswith(PLAN_CHANGED):
            why = f"by hand: {why}"  # a reload ends the rig's own hold for it, and no person's
        try:
            if kept < MOST_TYPED or books.held_for(why):
                failed = self._duty.hold(why, reason)
            else:
                failed = self._duty.stand_still(reason)
        except LedgerFailed as fault:
            failed = self._duty.rounds.turn.pumps_off()
            if not failed:
                raise
            raise LedgerFailed(f"{may_run('The rig stands still', failed)} {fault}") from None
        self._duty.publish()
        if failed:
            return Answer.failed("pins", may_run("The rig is held", failed))
        message = "Every pump is off until a person says: dosingd release"
        if already is not None:
            beside = "" if len(books.causes) == kept else ", and this one is kept beside it"
            message = (
                f"The rig was held already, and that cause is kept{beside}: {already.rstrip('.')}."
                f" To end it: {self._way_out()}"
            )
        return Answer(0, {"ok": True, "message": message})

    def release(self, request: Release) -> Answer:
        account = self._duty.rounds.account
        stopped = self.stopped()
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
        done: list[str] = []
        if account.books.held is not None or account.books.open:
            high = self._all_low(done)
            if high is not None:
                return Answer.refused("pins", high)
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
            done.insert(told, f"{self.what_next('The rig is released', 'The rig doses again')} {over}")
        if not done:
            done.append("The rig was not held; nothing changed.")
        return Answer(0, {"ok": True, "message": " ".join(done)})

    def _all_low(self, done: list[str]) -> str | None:
        """Drive every line low. Why the rig stays held, in words; None: every line is low, and what a run that was left
        open can have given is booked (R1), and said in `done`."""
        turn = self._duty.rounds.turn
        failed = turn.pumps_off()
        if failed:
            return (
                f"The rig stays held, for a pump may still run: {'; '.join(failed)}. Switch the pumps' supply off,"
                " mend the switch, then restart the daemon."
            )
        for row in turn.recover(self._clock.now()):
            assert isinstance(row.event, Settled)
            lost = row.event
            done.append(f"{lost.channel}: up to {ml(lost.given_ul)} may have gone in; every limit counts them.")
        return None

    def plan_in_force(self, done: str) -> str:
        """What is told of a plan that a person brought in. It ends the hold that stood for a plan which a start found;
        every other cause stays, and so do the alarms that only a release answers."""
        rounds = self._duty.rounds
        asked, lost = rounds.asked_before(), list[str]()
        if not asked:
            return self.what_next(done, done)
        if len(asked) == len(rounds.account.books.causes):
            high = self._all_low(lost)
            if high is not None:
                return f"{done}. {high}"
        rounds.end_holds("a person", self._clock.now(), asked)
        self._duty.wake()
        self._duty.publish()
        told = self.what_next(f"{done} and holds the rig no more", f"{done}. The rig doses again")
        if rounds.account.books.held is None and told.endswith("."):
            told += f" It was held: {'; '.join(asked)}"
        return " ".join((*lost, told))

    def _way_out(self) -> str:
        """What a person says to end every hold."""
        if self._duty.rounds.unconfirmed:
            return f"{CONFIRM_PLAN}; and for what is left: {RELEASE}"
        return RELEASE

    def what_next(self, done: str, doses: str, channel: str | None = None) -> str:
        """`doses` where the rig, or the channel, doses now by the state just made; else `done`, and what it waits for.
        Nobody may believe that a rig doses which is still held."""
        books = self._duty.rounds.account.books
        if books.held is not None:
            return f"{done}, but the rig is held: {books.held.rstrip('.')}. To let it dose again: {self._way_out()}"
        if books.paused(books.proven_ms(self._clock.now())):
            return f"{done}, but the rig is paused. To end that: dosingd pause off"
        state = self._duty.state
        states = {} if state is None else state.channels
        waits = {each.waiting_for for name, each in states.items() if channel in (None, name)}
        if len(waits) == 1 and None not in waits:
            return f"{done}, but it waits for {waits.pop()}. To see it: dosingd status"
        return f"{doses}."

    def pause(self, for_s: float) -> Answer:
        failed = self._duty.rounds.turn.pumps_off()
        account, reading = self._duty.rounds.account, self._clock.now()
        until_at = reading.wall_at + timedelta(seconds=for_s)
        account.write(Paused(account.books.proven_ms(reading) + round(for_s * 1000), until_at), reading)
        self._cut.mend("pause")
        self._duty.publish()
        if failed:
            return Answer.failed("pins", may_run("The rig is paused", failed))
        until = self._clock_time(until_at)
        message = (
            f"No pump runs until {until}; doses due until then are missed, not made up for. To end it sooner: dosingd"
            " pause off"
        )
        if account.books.held is not None:
            why = account.books.held.rstrip(".")
            message = f"The rig is paused until {until}, and held besides: {why}. No pump runs until: {self._way_out()}"
        return Answer(0, {"ok": True, "message": message})

    def end_pause(self) -> Answer:
        account, reading = self._duty.rounds.account, self._clock.now()
        if not account.books.paused(account.books.proven_ms(reading)):
            return Answer(0, {"ok": True, "message": "The rig was not paused; nothing changed."})
        account.write(Paused(None), reading)
        self._duty.wake()
        self._duty.publish()
        return Answer(
            0, {"ok": True, "message": self.what_next("The pause is over", "The pause is over; the rig doses again")}
        )

    def stopped(self) -> str | None:
        """Why nothing can run, in words; None when it can."""
        if self._duty.ledger_fault is not None:
            return f"No pump runs: {self._duty.ledger_fault}"
        return None

    def _clock_time(self, at: datetime) -> str:
        return at.astimezone(ZoneInfo(self._duty.plan.timezone)).strftime("%H:%M")


def may_run(what: str, failed: Sequence[str]) -> str:
    """What a person is told when the rig was stopped and a line is not known to be low."""
    return f"{what}, but a pump may still run: {'; '.join(failed)}. Switch the pumps' supply off now."
