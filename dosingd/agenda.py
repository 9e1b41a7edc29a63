"""The agenda: timetable and what happened to what is due, what was missed, and what comes next.

Rules this room keeps:
- R6: missed is missed. Laying anew (start, reload, jump, midnight, new strength) keeps only doses later than now and
  than any slot consumed; nothing is made up for.
- R12: given + unknown + refused + missed + remaining stays within the day's planned change.
- R14: without a trusted clock for 12 h of BOOTTIME, one day's doses over 48 h of BOOTTIME, without windows.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

from attrs import evolve, frozen

from dosingd.books import Books, zone_in_force
from dosingd.calibration import Flow, run_s_from_volume
from dosingd.daily import Strengths, asked_umol, daily_volume_ul, day_volume_ul, per_ul_umol
from dosingd.errors import CannotLay
from dosingd.flows import flow_of
from dosingd.plan.model import DailyVolume, Plan
from dosingd.records import NotGiven, Outcome
from dosingd.strengths import strengths_of
from dosingd.timetable import day_bounds, lay_day, lay_span
from dosingd.trust import UNCLOCKED_AFTER_S

#: One day's doses without a clock are laid over this span (R14).
UNCLOCKED_SPAN_S = 48 * 3600.0
#: Days of an outage that are booked one by one as missed; a longer one is a new start for the keeper anyway.
OUTAGE_DAYS = 62


@frozen
class Due:
    """A dose on the agenda. With a trusted clock it has `due_at` and `day`; without one `due_mono_s`."""

    channel: str
    volume_ul: int
    run_s: float
    slot: str
    due_at: datetime | None = None
    day: date | None = None
    due_mono_s: float | None = None


@frozen
class DosingDay:
    """A dosing day as it is lived: a change of time zone cuts it short or starts it late."""

    day: date
    zone: ZoneInfo
    start_at: datetime
    end_at: datetime


def zone_start_at(plan: Plan, books: Books, now_at: datetime) -> datetime:
    """When the plan's zone comes into force: at once for the first, else at its first midnight at least 24 h ahead."""
    if not books.zones:
        return datetime(1970, 1, 1, tzinfo=UTC)
    if books.zones[-1][0] == plan.timezone:
        return books.zones[-1][1]
    zone = ZoneInfo(plan.timezone)
    day = (now_at + timedelta(hours=24)).astimezone(zone).date()
    start_at, _ = day_bounds(day, zone)
    while start_at < now_at + timedelta(hours=24):
        day += timedelta(days=1)
        start_at, _ = day_bounds(day, zone)
    return start_at


def dosing_day(zones: Iterable[tuple[str, datetime]], at: datetime) -> DosingDay:
    """The dosing day that an instant belongs to."""
    known = sorted(zones, key=lambda one: one[1])
    current = zone_in_force(known, at)
    zone = ZoneInfo(known[current][0])
    day = at.astimezone(zone).date()
    start_at, end_at = day_bounds(day, zone)
    start_at = max(start_at, known[current][1])
    if current + 1 < len(known):
        end_at = min(end_at, known[current + 1][1])
    return DosingDay(day, zone, start_at, end_at)


def flows_of(plan: Plan, books: Books) -> dict[str, Flow]:
    """Each channel's flow now."""
    return {name: flow_of(plan, books, name) for name in plan.channels}


def full_day(plan: Plan, day: date, zone: ZoneInfo, strengths: Strengths, flows: Mapping[str, Flow]) -> tuple[Due, ...]:
    """The dosing day as it would be laid with nothing behind it. Raises CannotLay."""
    volumes = {name: day_volume_ul(daily_volume_ul(plan, name, strengths), day) for name in plan.channels}
    return tuple(
        Due(dose.channel, dose.volume_ul, dose.run_s, dose.slot, dose.due_at, day)
        for dose in lay_day(plan, day, volumes, flows, zone)
    )


def lay(plan: Plan, books: Books, now_at: datetime, proven_ms: int, waiting: Collection[str] = ()) -> tuple[Due, ...]:
    """The doses of the current dosing day that are still to come, and the slots `waiting`, which are due and may still
    wait for the pump before them. Raises CannotLay."""
    today = dosing_day(books.zones, now_at)
    strengths, flows = strengths_of(plan, books), flows_of(plan, books)
    coming = [
        due
        for due in full_day(plan, today.day, today.zone, strengths, flows)
        if due.due_at is not None
        and today.start_at <= due.due_at < today.end_at
        and (due.due_at > now_at or due.slot in waiting)
        and not books.consumed(today.day, due.channel, due.slot)
    ]
    left = {name: _left_ul(plan, books, today, name, strengths, now_at, proven_ms) for name in plan.channels}
    kept: list[Due] = []
    for due in coming:
        volume_ul = min(due.volume_ul, max(0, int(left[due.channel])))
        left[due.channel] -= volume_ul
        if volume_ul < due.volume_ul:
            if volume_ul < plan.channels[due.channel].pump.smallest_ul:
                left[due.channel] = Fraction(0)  # a remainder too small to pump ends the day; it is not carried
                continue
            due = evolve(due, volume_ul=volume_ul, run_s=run_s_from_volume(volume_ul, flows[due.channel]))
        kept.append(due)
    return tuple(kept)


def _left_ul(
    plan: Plan,
    books: Books,
    today: DosingDay,
    name: str,
    strengths: Strengths,
    now_at: datetime,
    proven_ms: int,
) -> Fraction:
    """What today's planned change leaves, in µL at the strength that is there now."""
    account = books.account(today.day, name)
    day_ms = max(0, int((now_at - today.start_at).total_seconds() * 1000))
    unclocked_ul, unclocked_umol, _ = books.unclocked_spent(name, proven_ms - day_ms)
    day_ul = day_volume_ul(daily_volume_ul(plan, name, strengths), today.day)
    per_ul = per_ul_umol(plan, name, strengths)
    if isinstance(plan.channels[name].daily, DailyVolume) or per_ul <= 0:
        return Fraction(day_ul - account.spent_ul - unclocked_ul)
    spent_ul = Fraction(account.spent_umol + unclocked_umol) / Fraction(per_ul)
    # A thousandth of a microlitre for the rounding of the spent sums.
    return day_ul - spent_ul + Fraction(1, 1000)


def not_given_after(
    plan: Plan, books: Books, had: Iterable[Due], coming: Iterable[Due], now_at: datetime, proven_ms: int
) -> tuple[NotGiven, ...]:
    """What another plan takes away from the current dosing day: of what it wants, and the plan before had still to give
    (`had`), what it has no time left for. A row a channel; no slot, so none is consumed by it."""
    today, strengths = dosing_day(books.zones, now_at), strengths_of(plan, books)
    had, coming, rows = list(had), list(coming), []
    for name, item in plan.channels.items():
        left_ul = int(_left_ul(plan, books, today, name, strengths, now_at, proven_ms))
        had_ul = [due.volume_ul for due in had if due.channel == name]
        coming_ul = sum(due.volume_ul for due in coming if due.channel == name)
        # What was due before the rig began is in neither, and no plan took it away.
        lost_ul = min(sum(had_ul), left_ul) - coming_ul
        if lost_ul >= item.pump.smallest_ul:
            rows.append(
                NotGiven(
                    channel=name,
                    outcome=Outcome.MISSED,
                    asked_ul=lost_ul,
                    reason="the plan was changed, and its hours of today leave no time for it",
                    day=today.day,
                    doses=max(1, round(len(had_ul) * lost_ul / sum(had_ul))),
                    asked_umol=asked_umol(plan, name, strengths, lost_ul),
                )
            )
    return tuple(rows)


def missed_between(plan: Plan, books: Books, since_at: datetime, now_at: datetime) -> tuple[NotGiven, ...]:
    """What should have been given after `since_at` and up to now, and was not: booked, never made up for (R6).

    Days that passed whole are one row a channel; today's doses are a row each.
    """
    if since_at >= now_at:
        return ()
    strengths, flows = strengths_of(plan, books), flows_of(plan, books)
    today = dosing_day(books.zones, now_at)
    day = max(dosing_day(books.zones, since_at).day, today.day - timedelta(days=OUTAGE_DAYS))
    rows: list[NotGiven] = []
    while day <= today.day:
        lived = dosing_day(books.zones, _noon(day, today.zone)) if day != today.day else today
        try:
            laid = full_day(plan, day, lived.zone, strengths, flows)
        except CannotLay:
            if day == today.day:
                raise
            laid = ()  # a past day that could not be laid had no doses to miss, and today must still be laid
        late = [
            due
            for due in laid
            if due.due_at is not None
            and since_at < due.due_at <= now_at
            and lived.start_at <= due.due_at < lived.end_at
            and not books.consumed(day, due.channel, due.slot)
        ]
        rows += (
            [_missed(plan, strengths, [due]) for due in late]
            if day == today.day
            else [
                _missed(plan, strengths, these)
                for name in plan.channels
                if (these := [due for due in late if due.channel == name])
            ]
        )
        day += timedelta(days=1)
    return tuple(rows)


def _noon(day: date, zone: ZoneInfo) -> datetime:
    start_at, end_at = day_bounds(day, zone)
    return start_at + (end_at - start_at) / 2


def _missed(plan: Plan, strengths: Strengths, doses: list[Due]) -> NotGiven:
    last = doses[-1]
    volume_ul = sum(due.volume_ul for due in doses)
    return NotGiven(
        channel=last.channel,
        outcome=Outcome.MISSED,
        asked_ul=volume_ul,
        reason="the rig was not running, or the clock moved past it",
        slot=last.slot,
        due_at=last.due_at,
        day=last.day,
        doses=len(doses),
        asked_umol=asked_umol(plan, last.channel, strengths, volume_ul),
    )


def lay_unclocked(plan: Plan, books: Books, since_mono_s: float, now_mono_s: float, boot_id: str) -> tuple[Due, ...]:
    """The doses still to come of the 48 h span that BOOTTIME is in, when no clock was trusted since `since_mono_s`.

    Empty before 12 h have passed. Slots carry the boot, so a span is dosed once. Raises CannotLay.
    """
    from_s = since_mono_s + UNCLOCKED_AFTER_S
    if now_mono_s < from_s:
        return ()
    number = int((now_mono_s - from_s) // UNCLOCKED_SPAN_S)
    base_s = from_s + number * UNCLOCKED_SPAN_S
    strengths = strengths_of(plan, books)
    # No date is known, so no remainder can be carried by it: whole microlitres, rounded down.
    volumes = {name: int(daily_volume_ul(plan, name, strengths)) for name in plan.channels}
    return tuple(
        Due(
            dose.channel,
            dose.volume_ul,
            dose.run_s,
            f"unclocked/{boot_id[:8]}/{round(base_s)}/{dose.channel}/{round(dose.offset_s * 1000):09d}",
            due_mono_s=base_s + dose.offset_s,
        )
        for dose in lay_span(plan, UNCLOCKED_SPAN_S, volumes, flows_of(plan, books))
        if base_s + dose.offset_s > now_mono_s
    )
