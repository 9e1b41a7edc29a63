"""One waking of the rig: what is due is given, what was missed is booked, the clock is watched, time is stamped.

The daemon and the rehearsal make the same rounds; only their clocks and pumps differ.

Rules this room keeps:
- R2: at least one row every 10 minutes, so that elapsed time is proven.
- R6: a dose waits at most 300 s for the pump before it; nothing is made up for.
- R14: the agenda follows the clock's trust: by wall clock, or after 12 h without one by BOOTTIME.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from attrs import evolve

from dosingd import __version__, agenda, trust
from dosingd.agenda import Due
from dosingd.allowance import STAMP_S
from dosingd.clock import Clock
from dosingd.daily import asked_umol
from dosingd.errors import CannotLay, LedgerRefused
from dosingd.gate import MAY_WAIT_S, Request, late_by
from dosingd.leases import PLAN_CHANGED
from dosingd.ledger.account import Account
from dosingd.limits import plan_kept, plan_loaded
from dosingd.plan.model import Plan, WithoutClock
from dosingd.records import (
    ClockConfirmed,
    ClockMoved,
    Held,
    Into,
    NotGiven,
    Outcome,
    Purpose,
    Reading,
    Released,
    Stamp,
    Started,
)
from dosingd.recovery import LinesLow
from dosingd.strengths import strengths_of
from dosingd.trust import Trust
from dosingd.turn import Turn

#: Why a dose was missed that could still have waited.
LAID_ANEW = "the day was laid anew when it was due"
#: A hold's cause names so many of the changes; `reload` names them all.
MOST_NAMED = 6


def _unconfirmed_text(lines: tuple[str, ...]) -> str:
    more = f"; and {len(lines) - MOST_NAMED} more" if len(lines) > MOST_NAMED else ""
    return f"{PLAN_CHANGED}: {'; '.join(lines[:MOST_NAMED])}{more}"


class Rounds:
    """The rig's round, made again and again. `turn` is its only way to a pump."""

    def __init__(self, account: Account, clock: Clock, turn: Turn, *, clock_kept: bool = False) -> None:
        """`clock_kept` takes the machine's clock as kept by a battery, whatever the plan says of its own board."""
        self.account = account
        self.clock = clock
        self.turn = turn
        self._clock_kept = clock_kept
        self.trust: Trust | None = None
        self.coming: list[Due] = []
        self.cannot_lay: str | None = None
        #: What a reload would ask about of the plan that this start found: it is not in force, and the rig is held.
        self.unconfirmed: tuple[str, ...] = ()
        #: What the newest reload took away from the day, in µL by channel.
        self.taken_ul: dict[str, int] = {}
        #: Meanwhile, the plan in force by the ledger; None: it cannot be read.
        self._before: Plan | None = None
        self._laid_for: object = None
        #: Wall time and proven time when the rig was last on its rounds with a trusted clock.
        self._seen: tuple[datetime, int] | None = None
        self._ask_again_mono_s = 0.0

    @property
    def plan(self) -> Plan:
        """The plan in force."""
        return self.turn.plan

    @property
    def _laid_by(self) -> Plan:
        """Whose doses are due, or missed: while a plan waits for a person's word, those of the plan before it."""
        return self.plan if self._before is None else self._before

    def trusted(self) -> bool:
        """Whether the wall clock is believed, by the newest reading."""
        return self.trust is not None and self.trust.trusted

    def start(
        self,
        low: Reading | None = None,
        helper: LinesLow | None = None,
        *,
        all_low: bool = True,
        unconfirmed: tuple[str, ...] = (),
    ) -> None:
        """Every line is low by now: book what was left open (R1), bring the plan into force, lay the day. `low` is
        when the lines were driven low, where that was a while ago, and `helper` what the stop helper says of it.

        Not `all_low`: a line did not answer, so nobody knows when a run that was left open ends. It stays open, nothing
        runs beside it, and the next start books it.

        `unconfirmed` is what a reload would ask about of this plan: then the rig is held, and the plan does not come
        into force before a person has brought it in (`reload`), however often the daemon is started meanwhile."""
        low = self.clock.now() if low is None else low
        alive_at = self.account.books.alive_at
        if self.account.books.zones and alive_at is not None:
            self._seen = alive_at, self.account.books.proven_ms(low)
        if all_low:
            self.turn.recover(low, helper, hold_outlived=True)
        # Time is read anew: a row that is written with an older reading than the row before it would be paid twice.
        reading = self.clock.now()
        self.account.write(Started(__version__), reading)
        self._watch_clock(reading)
        self.unconfirmed = unconfirmed
        if unconfirmed:
            self._before = plan_kept(self.account.books.plan)
        else:
            self._into_force(reading)
        self._hold_for_plan(unconfirmed, reading)
        self._lay(reading, since_at=reading.wall_at if self._seen is None else self._seen[0])
        self._see(reading)

    def reload(self, plan: Plan, *, confirmed: bool = False) -> None:
        """Another plan, between two runs: levels stay, the rest of the day is laid anew. What is not given today
        because of it is booked as missed, and stands in `taken_ul`. `confirmed`: a person was asked about it and said
        yes."""
        reading = self.clock.now()
        self._look(reading)  # by the plan before: what a clock that was set has passed over was its
        self.turn.plan = plan
        self._watch_clock(reading)
        self._into_force(reading, confirmed=confirmed)
        unread = bool(self.unconfirmed) and self._before is None  # what was laid by a plan nobody confirmed is no loss
        self.unconfirmed, self._before = (), None
        had = [due for due in self.coming if due.due_at is not None and due.due_at > reading.wall_at and not unread]
        self._lay(reading, since_at=reading.wall_at, may_wait=True)
        self.taken_ul = {}
        if self.trusted() and self.cannot_lay is None:
            books = self.account.books
            for row in agenda.not_given_after(plan, books, had, self.coming, reading.wall_at, books.proven_ms(reading)):
                self._book_missed(row, reading)
                self.taken_ul[row.channel] = row.asked_ul
        self._see(reading)

    def lay_anew(self) -> None:
        """After a refill or a calibration: the rest of the day by what is really there."""
        reading = self.clock.now()
        self._look(reading)
        self._lay(reading, since_at=reading.wall_at, may_wait=True)
        self._see(reading)

    def make(self) -> float:
        """One round. Returns the BOOTTIME of the next one."""
        reading = self.clock.now()
        self._look(reading)
        self._see(reading)
        self._give_due()
        reading = self.clock.now()
        newest = self.account.books.newest
        if newest is None or self.account.books.proven_ms(reading) - newest.proven_ms >= STAMP_S * 1000:
            self.account.write(Stamp(), reading)
        return self._next_mono_s(reading)

    # -- clock and laying ----------------------------------------------------------------------------------

    def _look(self, reading: Reading) -> None:
        """At the clock; and where it says another day, or is trusted or not, the day is laid anew."""
        since_at = self._last_wall_at(reading)
        self._watch_clock(reading)
        if self._state_of_laying(reading) != self._laid_for:
            self._lay(reading, since_at=since_at)

    def _watch_clock(self, reading: Reading) -> None:
        books = self.account.books
        synced = books.synchronised
        self.trust = trust.step(
            self.trust,
            reading,
            rtc=self.plan.clock.rtc or self._clock_kept,
            newest_wall_at=books.newest_wall_at,
            last_synchronised_mono_s=synced[1] if synced is not None and synced[0] == reading.boot_id else None,
        )
        if self.trust.jumped_s:
            self.account.write(ClockMoved(self.trust.jumped_s), reading)
            self._laid_for = None
        if self.trust.confirm_due:
            self.account.write(ClockConfirmed("synchronised for 6 h"), reading)
            self._watch_clock(reading)

    def _into_force(self, reading: Reading, *, confirmed: bool = False) -> None:
        books = self.account.books
        loaded = plan_loaded(self.plan, agenda.zone_start_at(self.plan, books, reading.wall_at))
        if confirmed or books.plan is None or evolve(books.plan, confirmed=False) != loaded:
            self.account.write(evolve(loaded, confirmed=confirmed), reading)

    def _hold_for_plan(self, lines: tuple[str, ...], reading: Reading) -> None:
        """Hold the rig for what is asked of the plan that a start found. What an earlier start asked is asked no more:
        a plan that needs no word is in force by now, or another one waits for it. Every other cause stays (R11)."""
        why = _unconfirmed_text(lines) if lines else None
        if why is not None and not self.account.books.held_for(why):
            self.account.write(Held(why), reading)
        self.end_holds("the plan that this start found", reading, (one for one in self.asked_before() if one != why))

    def asked_before(self) -> tuple[str, ...]:
        """The causes that hold the rig for a plan which a start found."""
        return tuple(one.why for one in self.account.books.causes if one.why.startswith(PLAN_CHANGED))

    def end_holds(self, by: str, reading: Reading, causes: Iterable[str]) -> None:
        """End these causes of a hold, and no other."""
        for cause in causes:
            self.account.write(Released(by, cause), reading)

    def _state_of_laying(self, reading: Reading) -> object:
        """Changes exactly when the agenda must be laid anew: trust, the dosing day, or the span without a clock."""
        if self.trust is None:
            return None
        if self.trust.trusted:
            return ("clock", agenda.dosing_day(self.account.books.zones, reading.wall_at))
        since = self.trust.untrusted_since_mono_s or 0.0
        spans = int((reading.mono_s - since - trust.UNCLOCKED_AFTER_S) // agenda.UNCLOCKED_SPAN_S)
        return ("no clock", reading.boot_id, since, spans)

    def _last_wall_at(self, reading: Reading) -> datetime:
        """When the rig was last on its rounds, by the wall clock: what is due since and not given was missed. The
        newest row does not tell: a run that a set clock met was settled by the clock's new time."""
        if self._seen is None:
            return reading.wall_at
        if not self.trusted() and any(one.proven_ms >= self._seen[1] for one in self.account.books.unclocked):
            return reading.wall_at  # what was given without a clock stood for what was due
        return self._seen[0]

    def _see(self, reading: Reading) -> None:
        if self.trusted():
            self._seen = reading.wall_at, self.account.books.proven_ms(reading)

    def _lay(self, reading: Reading, *, since_at: datetime, may_wait: bool = False) -> None:
        books = self.account.books
        waiting = self._still_waiting(reading) if may_wait else frozenset()
        since_at = max(since_at, self._leave_passed(reading, since_at, waiting))
        self.coming, self.cannot_lay = [], None
        plan = self._laid_by
        assert self.trust is not None
        try:
            if self.trust.trusted:
                for row in agenda.missed_between(plan, books, since_at, reading.wall_at):
                    self._book_missed(row, reading)
                proven_ms = books.proven_ms(reading)
                self.coming = list(agenda.lay(plan, books, reading.wall_at, proven_ms, waiting))
            elif plan.clock.without is WithoutClock.HALF:
                since = self.trust.untrusted_since_mono_s or 0.0
                self.coming = list(agenda.lay_unclocked(plan, books, since, reading.mono_s, reading.boot_id))
        except CannotLay as fault:
            self.cannot_lay = str(fault)
        self._laid_for = self._state_of_laying(reading)

    def _still_waiting(self, reading: Reading) -> frozenset[str]:
        """Slots that are due and may still wait (R6), and that the plan and the strengths of now lay as well. A channel
        of which one such slot is laid no more waits with none: a later slot that is missed consumes the earlier."""
        late = [
            due
            for due in self.coming
            if due.due_at is not None and self.trusted() and 0 <= self._late_s(due, reading) <= MAY_WAIT_S
        ]
        if not late:
            return frozenset()
        books = self.account.books
        today = agenda.dosing_day(books.zones, reading.wall_at)
        plan = self._laid_by
        try:
            laid = agenda.full_day(plan, today.day, today.zone, strengths_of(plan, books), agenda.flows_of(plan, books))
        except CannotLay:
            return frozenset()
        slots = {due.slot for due in laid}
        gone = {due.channel for due in late if due.slot not in slots}
        return frozenset(due.slot for due in late if due.channel not in gone)

    def _leave_passed(self, reading: Reading, since_at: datetime, waiting: frozenset[str]) -> datetime:
        """Book the doses that were on the agenda and have passed as missed. Returns the end of the day they were of:
        what was laid is known to the end of that day, so only later days are looked for by the timetable."""
        known_at = since_at
        for due in self.coming:
            if due.due_at is None or not self.trusted():
                continue
            if due.due_at <= reading.wall_at and due.slot not in waiting:
                self._book_missed(self._missed(due, self._late_s(due, reading)), reading)
            known_at = max(known_at, due.due_at)
        if known_at > since_at:
            known_at = agenda.dosing_day(self.account.books.zones, known_at).end_at
        return known_at

    def _book_missed(self, row: NotGiven, reading: Reading) -> None:
        if self.account.books.consumed(row.day, row.channel, row.slot):
            return  # it is in the books already, from another reading of the clock
        if self.unconfirmed and self._before is None:
            row = evolve(row, day=None)  # by a plan that nobody confirmed: it takes nothing from the day
        try:
            self.account.write(row, reading)
        except LedgerRefused:
            return  # laid without a clock, and in the ledger already

    # -- doses ---------------------------------------------------------------------------------------------

    def _give_due(self) -> None:
        while self.coming:
            reading = self.clock.now()
            due = self.coming[0]
            late_s = self._late_s(due, reading)
            if late_s < 0:
                return
            if late_s > MAY_WAIT_S:
                self.coming.pop(0)
                self._book_missed(self._missed(due, late_s), reading)
                continue
            if self.unconfirmed:
                # The pumps are those of another plan than the doses, and nothing runs before a person's word.
                self.coming.pop(0)
                missed = self._missed(due, late_s)
                self._book_missed(evolve(missed, reason=f"{due.channel}: held, for {PLAN_CHANGED}"), reading)
                continue
            result = self.turn.run(self._request(due, late_s), may_wait_s=MAY_WAIT_S - late_s)
            if result.outcome is None and result.wait_s is not None:
                self._ask_again_mono_s = reading.mono_s + result.wait_s + 0.001
                return
            self._ask_again_mono_s = 0.0
            self.coming.pop(0)

    def _request(self, due: Due, late_s: float) -> Request:
        return Request(due.channel, Purpose.SCHEDULED, Into.TANK, due.volume_ul, due.slot, due.due_at, due.day, late_s)

    def _missed(self, due: Due, late_s: float) -> NotGiven:
        # A channel may have left the plan since it was laid: then its strength is not known any more.
        plan = self._laid_by
        strengths = strengths_of(plan, self.account.books)
        return NotGiven(
            channel=due.channel,
            outcome=Outcome.MISSED,
            asked_ul=due.volume_ul,
            reason=late_by(late_s) if late_s > MAY_WAIT_S else LAID_ANEW,
            slot=due.slot,
            due_at=due.due_at,
            day=due.day,
            asked_umol=asked_umol(plan, due.channel, strengths, due.volume_ul),
        )

    def _late_s(self, due: Due, reading: Reading) -> float:
        if due.due_at is not None:
            return (reading.wall_at - due.due_at).total_seconds()
        return reading.mono_s - (due.due_mono_s or 0.0)

    def _next_mono_s(self, reading: Reading) -> float:
        """The next due dose, midnight, stamp or question, whichever is first."""
        newest = self.account.books.newest
        stamped_ms = 0 if newest is None else newest.proven_ms
        wake = [reading.mono_s + STAMP_S - (self.account.books.proven_ms(reading) - stamped_ms) / 1000]
        if self.coming:
            wake.append(max(reading.mono_s - self._late_s(self.coming[0], reading), self._ask_again_mono_s))
        if self.trusted():
            end_at = agenda.dosing_day(self.account.books.zones, reading.wall_at).end_at
            wake.append(reading.mono_s + (end_at - reading.wall_at).total_seconds())
        elif self.trust is not None:
            from_s = (self.trust.untrusted_since_mono_s or 0.0) + trust.UNCLOCKED_AFTER_S
            wake += [from_s] if reading.mono_s < from_s else []
        return max(min(wake), reading.mono_s + 0.001)
