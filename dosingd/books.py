"""The books: every figure about the past and the present, folded from the ledger's rows and from nothing else.

`Books.apply` takes one row after another; two books that were given the same rows are equal. The gate reads them,
nobody else writes them. Rules served: R2 (levels), R9 (ends of runs), R11 (the latch), R12 (what a day was given).

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from attrs import define, evolve, field

from dosingd.allowance import Bucket, amounts_of, buckets_of
from dosingd.causes import Cause, Causes
from dosingd.kept import DayAccount, LastDose, Recent, Seen, Unclocked
from dosingd.records import (
    STOPPED_BY_FAULT,
    Calibrated,
    CalibrationDoubted,
    ClockConfirmed,
    ClockMoved,
    Held,
    Identified,
    Into,
    LedgerMade,
    NotGiven,
    Ordered,
    Outcome,
    Paused,
    PlanLoaded,
    Purpose,
    Reading,
    Refilled,
    Released,
    Reserved,
    Retubed,
    Row,
    Settled,
    Stamp,
    Started,
    Stopped,
    Switched,
    proven_ms_after,
)
from dosingd.reservoir import Contents, Filling, FlowCheck, TooSmall, flow_check, outlet_strength, strength_from_map
from dosingd.tubing import Calibration, Tubing

#: Doses laid without a clock are remembered for so long, to be counted in the day when the clock is trusted again.
UNCLOCKED_KEPT_MS = 60 * 3600 * 1000
#: Rows that a verb may write while no daemon runs: they do not say that the rig was there to dose.
BY_HAND = (Calibrated, CalibrationDoubted, Retubed, Refilled)
#: So many refills that err the same way are no chance.
CHECKS_KEPT = 3
#: What alarms look back on.
RECENT_MS = 48 * 3600 * 1000
#: Ids of orders at hand; the ledger lets none of the older ones be written again.
ORDERS_KEPT = 1000
#: Plans are compared with the one that was in force so long ago: many small steps make a large one.
STEPS_MS = 24 * 3600 * 1000
#: Of that time's plans so many are kept. Where there were more, those between go, and the oldest stays.
PLANS_KEPT = 20
#: Starts before which nobody had stopped the daemon are counted over so long.
RESTARTS_MS = 3600 * 1000


@define
class Books:
    newest: Row | None = None
    ledger: LedgerMade | None = None
    newest_wall_at: datetime | None = None
    #: When the rig was last seen on its rounds: by a row that a person cannot have written while no daemon ran.
    alive_at: datetime | None = None
    synchronised: tuple[str, float] | None = None  #: boot id and BOOTTIME of the newest row written synchronised
    buckets: dict[str, Bucket] = field(factory=dict)
    open: dict[int, Row] = field(factory=dict)
    last_end_ms: dict[str, int] = field(factory=dict)  #: proven time of the latest possible end of a channel's run
    days: dict[date, dict[str, DayAccount]] = field(factory=dict)
    extra_ul: dict[date, dict[str, int]] = field(factory=dict)  #: by hand into the tank, beside the plan
    unclocked: list[Unclocked] = field(factory=list)
    last_dose: dict[str, LastDose] = field(factory=dict)
    tubing: dict[str, Tubing] = field(factory=dict)
    motor_ms: dict[str, int] = field(factory=dict)  #: how long each motor ran, whatever for
    identified: Mapping[str, int] | None = None  #: the lines at the newest swap check that was passed, by channel
    contents: dict[str, Contents] = field(factory=dict)
    fillings: dict[str, Filling] = field(factory=dict)
    #: What the newest refills say of the flow since it was calibrated; only those that tell something.
    checks: dict[str, tuple[FlowCheck, ...]] = field(factory=dict)
    last_check: dict[str, FlowCheck] = field(factory=dict)  #: of the newest refill with a level found, if it has one
    #: Levels found that neither the readings nor the pump explain, until one is found that they do.
    gaps: dict[str, FlowCheck] = field(factory=dict)
    switches: dict[str, Seen] = field(factory=dict)
    ordered: dict[str, None] = field(factory=dict)  #: ids of the newest orders from the broker, oldest first
    zones: list[tuple[str, datetime]] = field(factory=list)
    plan: PlanLoaded | None = None
    plan_seq: int = 0  #: its row
    version: str | None = None  #: of the program that started last
    running: bool = False  #: the program that started last has not been stopped in order
    restarts: list[int] = field(factory=list)  #: proven times of the last hour's starts before which it had not been
    restarts_since_at: datetime | None = None  #: the first of them after an hour's rest
    #: Every cause of the hold since the last release, the first one first; each holds the rig by itself (R11).
    latch: Causes = field(factory=Causes)
    plans: tuple[tuple[int, PlanLoaded], ...] = ()  #: lately in force, each with the proven time since when
    paused_until_ms: int | None = None
    paused_until_at: datetime | None = None
    total_given_ul: dict[str, int] = field(factory=dict)
    recent: list[Recent] = field(factory=list)

    # -- what is asked of the books ------------------------------------------------------------------------

    def proven_ms(self, reading: Reading) -> int:
        """Proven time at a reading."""
        return proven_ms_after(self.newest, reading)

    def tubing_of(self, channel: str) -> Tubing:
        """A channel's head tubing with what was calibrated on it."""
        return self.tubing.get(channel) or Tubing()

    def level(self, key: str, proven_ms: int) -> int:
        """A bucket's level in whole units, rounded down; 0 for a bucket nobody opened: a missing limit is no limit
        to give."""
        bucket = self.buckets.get(key)
        return 0 if bucket is None else bucket.level_at_m(proven_ms) // 1000

    def account(self, day: date, channel: str) -> DayAccount:
        """What a channel's scheduled doses of a day came to so far; an empty account when there were none."""
        return self.days.get(day, {}).get(channel) or DayAccount()

    def consumed(self, day: date | None, channel: str, slot: str | None) -> bool:
        """Whether a slot of a dosing day is behind the newest that was reserved, refused or missed of it."""
        return day is not None and slot is not None and slot <= self.account(day, channel).last_slot

    def unclocked_spent(self, channel: str, since_proven_ms: int) -> tuple[int, float, int]:
        """Asked µL, asked µmol and given µL of the doses given without a clock since a proven time.

        Proven time is never ahead of true time, so "the last n hours" by it holds every dose of the true last n hours.
        """
        kept = [one for one in self.unclocked if one.channel == channel and one.proven_ms >= since_proven_ms]
        return sum(one.asked_ul for one in kept), sum(one.asked_umol for one in kept), sum(one.given_ul for one in kept)

    @property
    def held(self) -> str | None:
        """Why the rig is held, in words, the first cause first; None: it is not."""
        return self.latch.told

    @property
    def held_since_at(self) -> datetime | None:
        """Since when the rig is held; None: it is not."""
        return self.latch.since_at

    @property
    def causes(self) -> tuple[Cause, ...]:
        """What holds the rig, the first first."""
        return self.latch.causes

    def held_for(self, why: str) -> bool:
        """Whether this very cause holds the rig already, or so many that another row would tell nothing."""
        return self.latch.full_or_has(why)

    def plan_before_steps(self, proven_ms: int) -> PlanLoaded | None:
        """The plan that was in force 24 h of proven time ago, or the oldest known since; the one that a person said
        yes to, where that is newer."""
        old = [plan for since_ms, plan in self.plans if proven_ms - since_ms >= STEPS_MS]
        return old[-1] if old else self.plans[0][1] if self.plans else None

    def paused(self, proven_ms: int) -> bool:
        """Whether a pause is still running."""
        return self.paused_until_ms is not None and proven_ms < self.paused_until_ms

    def restarts_within_the_hour(self, proven_ms: int) -> list[int]:
        """Proven times of the starts in the last proven hour before which nobody had stopped the daemon."""
        return [one for one in self.restarts if one > proven_ms - RESTARTS_MS]

    # -- the fold ------------------------------------------------------------------------------------------

    def apply(self, row: Row) -> None:
        """Take the next row."""
        event = row.event
        match event:
            case LedgerMade():
                self.ledger = event
            case PlanLoaded():
                self._plan_loaded(event, row)
                self.plan_seq = row.seq
            case Calibrated():
                self._calibrated(event, row)
            case CalibrationDoubted():
                self.tubing[event.channel] = evolve(self.tubing_of(event.channel), doubted=event)
            case Retubed():
                self.tubing[event.channel] = self.tubing_of(event.channel).after_retubing(row.reading.wall_at)
                self._flow_changed(event.channel)
            case Identified():
                self.identified = event.gpios
            case Refilled():
                self._refilled(event, row)
            case Reserved():
                self._reserved(event, row)
            case Settled():
                self._settled(event, row)
            case NotGiven():
                self._not_given(event)
                self.last_dose[event.channel] = LastDose(
                    event.due_at or row.reading.wall_at, event.outcome, event.asked_ul, 0, event.reason, event.purpose
                )
                if event.purpose is Purpose.SCHEDULED:
                    kind = str(event.outcome)
                    self._remember(row, kind, event.channel, event.asked_ul, event.reason, event.doses, event.due_at)
            case Held():
                self.latch = self.latch.and_(Cause(event.reason, row.reading.wall_at))
            case Released():
                self.latch = Causes() if event.cause is None else self.latch.without(event.cause)
            case Paused():
                self.paused_until_ms, self.paused_until_at = event.until_proven_ms, event.until_at
            case ClockConfirmed():
                self.newest_wall_at = None
                self._forget_days_that_come_again(row.reading.wall_at)
            case ClockMoved():
                self._remember(row, "clock moved", "", 0, f"the clock moved by {event.by_s:+.0f} s")
            case Started():
                self._started(event, row)
            case Switched():
                self.switches[event.name] = Seen(event.says, row.reading.wall_at, row.proven_ms)
            case Ordered():
                self.ordered[event.id] = None
                if len(self.ordered) > ORDERS_KEPT:
                    del self.ordered[next(iter(self.ordered))]
            case Stopped():
                self.running = self.running and event.reason == STOPPED_BY_FAULT
            case Stamp():
                pass
        if self.newest_wall_at is None or row.reading.wall_at > self.newest_wall_at:
            self.newest_wall_at = row.reading.wall_at
            if not isinstance(event, BY_HAND):
                self.alive_at = row.reading.wall_at
        if row.reading.synchronised:
            self.synchronised = (row.reading.boot_id, row.reading.mono_s)
        self.newest = row

    def _remember(
        self,
        row: Row,
        kind: str,
        channel: str,
        volume_ul: int,
        text: str,
        doses: int = 1,
        due_at: datetime | None = None,
    ) -> None:
        self.recent = [one for one in self.recent if one.proven_ms > row.proven_ms - RECENT_MS]
        self.recent.append(Recent(row.proven_ms, row.reading.wall_at, kind, channel, volume_ul, text, doses, due_at))

    def _started(self, event: Started, row: Row) -> None:
        if self.running:
            self.restarts = [*self.restarts_within_the_hour(row.proven_ms), row.proven_ms]
            if len(self.restarts) == 1:
                self.restarts_since_at = row.reading.wall_at
        self.version, self.running = event.version, True

    def _plan_loaded(self, event: PlanLoaded, row: Row) -> None:
        proven_ms = row.proven_ms
        first = self.plan is None and self.ledger is not None
        full = first and self.ledger is not None and self.ledger.full
        for key, wanted in buckets_of(event.channels, proven_ms, first=first, full=full).items():
            had = self.buckets.get(key)
            # A reload keeps the level, clipped to the new depth; a channel that is new begins at zero.
            self.buckets[key] = wanted if had is None else had.resized(wanted, proven_ms)
        if not self.zones or self.zones[-1][0] != event.timezone:
            # A zone that had not begun when a later plan names another one never begins.
            known = [zone for zone in self.zones if zone[1] < event.zone_from_at]
            self.zones = [*known, (event.timezone, event.zone_from_at)]
        for channel, head in event.heads.items():  # an older row names none, and ends nothing
            self.tubing[channel] = self.tubing_of(channel).after_plan(head, event.sha256)
        for channel, holds_ul in event.holds_ul.items():
            self._at_most(channel, holds_ul, row.reading.wall_at)
        self.plan = event
        now = (proven_ms, event)
        if event.confirmed:
            self.plans = (now,)
            return
        old = [one for one in self.plans if proven_ms - one[0] >= STEPS_MS]
        kept = (*old[-1:], *self.plans[len(old) :])
        self.plans = (*kept[: PLANS_KEPT - 1], now)

    def _calibrated(self, event: Calibrated, row: Row) -> None:
        sha256 = None if self.plan is None else self.plan.sha256
        kept = Calibration(event, row.reading.wall_at, self.motor_ms.get(event.channel, 0), sha256)
        self.tubing[event.channel] = self.tubing_of(event.channel).after_calibration(kept)
        self._flow_changed(event.channel)

    def _flow_changed(self, channel: str) -> None:
        """What earlier refills said of the flow says nothing of the new one."""
        self.checks.pop(channel, None)
        filling = self.fillings.get(channel)
        if filling is not None and filling.drawn_ul > 0:
            self.fillings[channel] = evolve(filling, former_ul=filling.drawn_ul - filling.unseen_ul)

    def _at_most(self, channel: str, holds_ul: int, at: datetime) -> None:
        """A plan whose reservoir holds less than the books say is in it: no more than that can be, and perhaps less."""
        contents, filling = self.contents.get(channel), self.fillings.get(channel)
        if contents is None or filling is None or contents.left_ul <= holds_ul:
            return
        self.fillings[channel] = evolve(filling, too_small=TooSmall(at, contents.left_ul, holds_ul))
        self.contents[channel] = evolve(contents, left_ul=holds_ul)

    def _refilled(self, event: Refilled, row: Row) -> None:
        before, filling = self.contents.get(event.channel), self.fillings.get(event.channel)
        if filling is not None and not event.measured:
            # The stock alone was confirmed: the level goes on by what was measured last.
            self.fillings[event.channel] = evolve(filling, poured=event.poured)
        else:
            self._check_flow(event, row)
            self.fillings[event.channel] = Filling(row.reading.wall_at, row.proven_ms, event.to_ul, poured=event.poured)
        self.contents[event.channel] = Contents(
            left_ul=event.to_ul,
            stock=event.stock,
            strength=strength_from_map(dict(event.strength)),
            flush_ul=event.line_ul if before is not None else 0,
            # Refilled again before the line was flushed, it may still hold the stock before the last.
            before=None if before is None else outlet_strength(before),
        )
        # A row that was written by another plan than the one in force may say more than there is room for.
        holds_ul = None if self.plan is None else self.plan.holds_ul.get(event.channel)
        if holds_ul is not None:
            self._at_most(event.channel, holds_ul, row.reading.wall_at)

    def _check_flow(self, event: Refilled, row: Row) -> None:
        before, filling = self.contents.get(event.channel), self.fillings.get(event.channel)
        self.last_check.pop(event.channel, None)
        if before is None or filling is None or event.found_ul is None:
            return
        check = flow_check(filling, before.left_ul, event.found_ul, row.reading.wall_at)
        self.last_check[event.channel] = check
        if check.unexplained:
            self.gaps[event.channel] = check
            return
        self.gaps.pop(event.channel, None)
        if check.error is not None:
            self.checks[event.channel] = (*self.checks.get(event.channel, ()), check)[-CHECKS_KEPT:]

    def _reserved(self, event: Reserved, row: Row) -> None:
        self.open[row.seq] = row
        # Until it is settled, the run's latest possible end is the lease's.
        self.last_end_ms[event.channel] = row.proven_ms + event.lease_ms
        self._take(event, event.reserved_ul, event.lease_ms, event.change_umol, row.proven_ms)
        if event.purpose is Purpose.SCHEDULED and event.slot is not None:
            if event.day is None:
                self.unclocked = [u for u in self.unclocked if u.proven_ms >= row.proven_ms - UNCLOCKED_KEPT_MS]
                self.unclocked.append(
                    Unclocked(
                        row.seq, event.channel, row.proven_ms, event.asked_ul, event.asked_umol or 0.0, event.asked_ul
                    )
                )
            else:
                account = self._spend(event.day, event.channel, event.slot, event.asked_ul, event.asked_umol)
                account.reserved += 1

    def _settled(self, event: Settled, row: Row) -> None:
        reserved_row = self.open.pop(event.reservation, None)
        if reserved_row is None or not isinstance(reserved_row.event, Reserved):
            return
        reserved = reserved_row.event
        self.last_end_ms[event.channel] = row.proven_ms
        self.motor_ms[event.channel] = self.motor_ms.get(event.channel, 0) + event.ran_ms
        self.last_dose[event.channel] = LastDose(
            reserved_row.reading.wall_at,
            event.outcome,
            reserved.asked_ul,
            event.given_ul,
            event.reason,
            reserved.purpose,
        )
        back = {key: amount - event.change_umol.get(key, 0) for key, amount in reserved.change_umol.items()}
        self._give_back(
            reserved, reserved.reserved_ul - event.given_ul, reserved.lease_ms - event.ran_ms, back, row.proven_ms
        )
        contents = self.contents.get(event.channel)
        if contents is not None:
            # What is booked for a run nobody saw the end of may never have run: it flushes no line.
            flushed_ul = 0 if event.outcome is Outcome.UNKNOWN else event.given_ul
            self.contents[event.channel] = contents.after_run(event.given_ul, flushed_ul)
        if event.channel in self.fillings:
            self.fillings[event.channel] = self.fillings[event.channel].after_run(
                event.given_ul, seen=event.outcome is not Outcome.UNKNOWN
            )
        if event.outcome in (Outcome.UNKNOWN, Outcome.MISSED):
            kind = "unknown" if event.outcome is Outcome.UNKNOWN else "missed"
            self._remember(row, kind, event.channel, event.given_ul or reserved.asked_ul, event.reason)
        if reserved.into is Into.CUP:
            return
        self.total_given_ul[event.channel] = self.total_given_ul.get(event.channel, 0) + event.given_ul
        if reserved.purpose is Purpose.SCHEDULED:
            self._day_given(reserved, event)
        elif reserved.day is not None:
            extra = self.extra_ul.setdefault(reserved.day, {})
            extra[event.channel] = extra.get(event.channel, 0) + event.given_ul

    def _day_given(self, reserved: Reserved, event: Settled) -> None:
        if reserved.day is None:
            for one in self.unclocked:
                if one.seq == event.reservation:
                    one.given_ul = event.given_ul
            return
        account = self.days[reserved.day][event.channel]
        account.given_ul += event.given_ul
        if event.outcome is Outcome.MISSED:
            account.missed += 1
            account.missed_ul += reserved.asked_ul
        else:
            account.given += 1

    def _not_given(self, event: NotGiven) -> None:
        if event.purpose is not Purpose.SCHEDULED or event.day is None:
            return
        account = self._spend(event.day, event.channel, event.slot or "", event.asked_ul, event.asked_umol)
        if event.outcome is Outcome.REFUSED:
            account.refused += event.doses
            account.refused_ul += event.asked_ul
        else:
            account.missed += event.doses
            account.missed_ul += event.asked_ul

    def _spend(self, day: date, channel: str, slot: str, asked_ul: int, asked_umol: float | None) -> DayAccount:
        account = self.days.setdefault(day, {}).setdefault(channel, DayAccount())
        account.last_slot = max(account.last_slot, slot)
        account.spent_ul += asked_ul
        account.spent_umol += asked_umol or 0.0
        return account

    def _forget_days_that_come_again(self, right_at: datetime) -> None:
        """The clock is right, and so every later day is still to come, whatever a wrong clock went past. Where nothing
        was reserved of it nothing can have gone in, and its doses are due when it really comes. A day of which a single
        slot was reserved stays as it is: nothing is given twice."""
        if not self.zones:
            return
        today = self._day_of(right_at)
        free = {
            (day, channel)
            for day, accounts in self.days.items()
            if day >= today
            for channel, account in accounts.items()
            if account.reserved == 0
        }
        for day, channel in free:
            del self.days[day][channel]
        self.recent = [
            one
            for one in self.recent
            if one.kind not in ("missed", "refused")
            or one.due_at is None
            or one.due_at <= right_at
            or (self._day_of(one.due_at), one.channel) not in free
        ]

    def _day_of(self, at: datetime) -> date:
        return at.astimezone(ZoneInfo(self.zones[zone_in_force(self.zones, at)][0])).date()

    # -- buckets -------------------------------------------------------------------------------------------

    def _take(self, event: Reserved, ul: int, ms: int, change: Mapping[str, int], proven_ms: int) -> None:
        for key, amount in amounts_of(event, ul, ms, change).items():
            if key in self.buckets:
                self.buckets[key] = self.buckets[key].taken(amount, proven_ms)

    def _give_back(self, event: Reserved, ul: int, ms: int, change: Mapping[str, int], proven_ms: int) -> None:
        for key, amount in amounts_of(event, ul, ms, change).items():
            if key in self.buckets:
                self.buckets[key] = self.buckets[key].given_back(amount, proven_ms)


def zone_in_force(zones: Sequence[tuple[str, datetime]], at: datetime) -> int:
    """Which of the zones, in order of when each begins, an instant is lived by; the first before any has begun."""
    return max((index for index, (_, from_at) in enumerate(zones) if from_at <= at), default=0)
