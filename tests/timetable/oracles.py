"""What holds of a laid day, said again without the code that laid it: plain datetimes, every pair, wall clock by eye.

Nothing here imports a function of the timetable or of the rooms below it; the plan and the doses are only read.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from itertools import combinations
from zoneinfo import ZoneInfo

from dosingd.plan.model import LocalSpan, Plan
from dosingd.timetable import Dose


def starts_at(day: date, zone: ZoneInfo) -> datetime:
    """The first instant whose local date is `day`, found by walking over the minutes around it."""
    at = datetime.combine(day, time(12), UTC) - timedelta(hours=30)
    while at.astimezone(zone).date() < day:
        at += timedelta(minutes=1)
    return at


def in_span(local: time, span: LocalSpan) -> bool:
    if span.from_ < span.to:
        return span.from_ <= local < span.to
    return local >= span.from_ or local < span.to


def local_times(dose: Dose, zone: ZoneInfo) -> list[time]:
    """What the wall clock shows at the run's first and last millisecond and every 10 s between."""
    start, length = dose.due_at, timedelta(seconds=dose.run_s)
    instants = [start, start + max(timedelta(0), length - timedelta(milliseconds=1))]
    instants += [start + timedelta(seconds=s) for s in range(10, int(dose.run_s), 10)]
    return [at.astimezone(zone).time() for at in instants]


def breaches(plan: Plan, doses: Sequence[Dose], zone: ZoneInfo) -> list[str]:
    """Every breach of one pump at a time, of a gap (all pairs, days apart or not), and of a quiet time."""
    found = []
    for one, other in combinations(sorted(doses, key=lambda dose: dose.due_at), 2):
        between_s = (other.due_at - one.due_at).total_seconds() - one.run_s
        asked_s = (
            max((r.gap_s for r in plan.apart if {one.channel, other.channel} <= set(r.between)), default=0.0)
            if one.channel != other.channel
            else 0.0
        )
        if between_s < asked_s:
            found.append(f"{one.slot} to {other.slot}: {between_s} s, asked {asked_s} s")
    found += [
        f"{dose.slot}: in the quiet time {span}"
        for dose in doses
        for span in plan.quiet
        if any(in_span(local, span) for local in local_times(dose, zone))
    ]
    return found


def volumes(doses: Iterable[Dose]) -> dict[str, int]:
    result: dict[str, int] = {}
    for dose in doses:
        result[dose.channel] = result.get(dose.channel, 0) + dose.volume_ul
    return result


def volume_by_window(plan: Plan, channel: str, doses: Iterable[Dose], zone: ZoneInfo) -> list[list[int]]:
    """The channel's dose volumes by window, the rest of the day last; a run that crosses an edge is in no list."""
    when = plan.channels[channel].when
    result: list[list[int]] = [[] for _ in range(len(when) + 1)]
    for dose in doses:
        if dose.channel != channel:
            continue
        where = [
            {k for k, window in enumerate(when) if in_span(local, window.span)} for local in local_times(dose, zone)
        ]
        if all(place == where[0] for place in where):
            result[min(where[0], default=len(when))].append(dose.volume_ul)
    return result


def clock_changes(zone: ZoneInfo, first_year: int, last_year: int) -> list[datetime]:
    """Every instant (UTC, to the minute) at which the zone's offset changes."""
    at, end = datetime(first_year, 1, 1, tzinfo=UTC), datetime(last_year + 1, 1, 1, tzinfo=UTC)
    found = []
    while at < end:
        after = at + timedelta(days=1)
        if at.astimezone(zone).utcoffset() != after.astimezone(zone).utcoffset():
            minute = at
            while minute.astimezone(zone).utcoffset() == at.astimezone(zone).utcoffset():
                minute += timedelta(minutes=1)
            found.append(minute)
        at = after
    return found
