"""The days that a plan is tried on: ordinary ones, and every kind of clock change that its zone knows.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from attrs import frozen

from dosingd.calibration import Flow
from dosingd.daily import Strengths, daily_volume_ul, day_volume_ul, plan_strengths
from dosingd.plan.model import Plan
from dosingd.timetable import Dose, lay_day

#: Clock changes are looked for in these years; zones repeat theirs every year.
FIRST_YEAR, LAST_YEAR = 2026, 2032
#: Laid before and after each clock change, so that what one day takes from the allowance is felt by the next.
AROUND_DAYS = 1

_DAY = timedelta(days=1)


@cache
def days_worth_laying(timezone: str) -> tuple[tuple[date, ...], ...]:
    """Sequences of dosing days: ordinary ones first, then one around each kind of clock change (23 h, 25 h, ...)."""
    zone = ZoneInfo(timezone)
    changes: dict[tuple[timedelta, timedelta], date] = {}
    day = date(FIRST_YEAR, 1, 1)
    steady: date | None = None
    run = 0
    while day.year <= LAST_YEAR:
        before, after = _offset(day, zone), _offset(day + _DAY, zone)
        run = run + 1 if before == after else 0
        if run > 2 * AROUND_DAYS and steady is None:
            steady = day
        if before != after:
            changes.setdefault((before, after), day)
        day += _DAY
    ordinary = steady or date(FIRST_YEAR, 1, 15)
    return tuple(
        tuple(middle + offset * _DAY for offset in range(-AROUND_DAYS, AROUND_DAYS + 1))
        for middle in (ordinary - AROUND_DAYS * _DAY, *changes.values())
    )


def _offset(day: date, zone: ZoneInfo) -> timedelta:
    return datetime(day.year, day.month, day.day, tzinfo=zone).utcoffset() or timedelta(0)


def nominal_flows(plan: Plan) -> dict[str, Flow]:
    """Each channel's nominal flow, as if no calibration had been booked."""
    return {channel: Flow(item.pump.nominal_ul_per_s) for channel, item in plan.channels.items()}


def volumes_ul(plan: Plan, strengths: Strengths, day: date) -> dict[str, int]:
    """What each channel gives on a dosing day, in whole µL."""
    return {channel: day_volume_ul(daily_volume_ul(plan, channel, strengths), day) for channel in plan.channels}


@frozen
class LaidDays:
    """Some dosing days in sequence, laid by the plan's own strengths and nominal flows."""

    days: tuple[date, ...]
    doses: tuple[Dose, ...]

    def by_channel(self, plan: Plan) -> Mapping[str, tuple[tuple[float, Dose], ...]]:
        """Each channel's doses with their seconds after the first dose of all."""
        first = min((dose.due_at for dose in self.doses), default=None)
        found: dict[str, list[tuple[float, Dose]]] = {channel: [] for channel in plan.channels}
        for dose in self.doses:
            if first is not None:
                found[dose.channel].append(((dose.due_at - first).total_seconds(), dose))
        return {channel: tuple(doses) for channel, doses in found.items()}


def laid(plan: Plan) -> Iterator[LaidDays]:
    """Every sequence of days worth laying. Raises CannotLay at the first day that cannot be laid."""
    zone, flows, strengths = ZoneInfo(plan.timezone), nominal_flows(plan), plan_strengths(plan)
    for days in days_worth_laying(plan.timezone):
        doses: list[Dose] = []
        for day in days:
            doses += lay_day(plan, day, volumes_ul(plan, strengths, day), flows, zone)
        yield LaidDays(days, tuple(doses))
