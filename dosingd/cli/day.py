"""`dosingd day`: one dosing day as it would be laid, as a band and a table."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import click
from attrs import frozen

from dosingd.agenda import flows_of
from dosingd.calibration import Flow
from dosingd.cli.band import LEGEND, band, ruler
from dosingd.cli.planfile import sound_plan
from dosingd.cli.reply import Reply, folded
from dosingd.cli.statedir import books_in
from dosingd.cli.wishes import DosingDay, options_everywhere, wishes
from dosingd.cli.words import counted, hours_text, long_date, ml, number, rfc3339, table
from dosingd.clock import SystemClock
from dosingd.daily import Strengths, daily_volume_ul, day_volume_ul, plan_strengths
from dosingd.plan import Plan
from dosingd.strengths import strengths_of
from dosingd.timetable import Dose, evenness, lay_day
from dosingd.wallclock import DayClock, merged

HOUR = timedelta(hours=1)


@frozen
class Laid:
    """A dosing day and everything that is shown of it."""

    plan: Plan
    clock: DayClock
    doses: tuple[Dose, ...]
    volumes_ul: Mapping[str, int]
    evenness: Mapping[str, float]

    def of(self, channel: str) -> list[Dose]:
        """One channel's doses."""
        return [dose for dose in self.doses if dose.channel == channel]

    @property
    def hours(self) -> float:
        """How long the day is."""
        return (self.clock.end_at - self.clock.start_at) / HOUR


@click.command(
    epilog="Example:  dosingd day config/lagoon.yaml --date 2027-03-28",
)
@click.argument("file", metavar="PLAN", required=False)
@click.option("--date", "day_", type=DosingDay(), metavar="D", help="The dosing day; today if not named.")
@options_everywhere
def day(file: str | None, day_: date | None) -> Reply:
    """Show one dosing day as it would be laid.

    With the plan's strengths and nominal flows; with --state DIR, with the strengths and calibrations of the ledger
    there. Nothing of the day before is counted.
    """
    asked = wishes()
    read, messages = sound_plan(asked.plan_file(file))
    zone = ZoneInfo(read.timezone)
    on = day_ or SystemClock().now().wall_at.astimezone(zone).date()
    if asked.state is None:
        strengths: Strengths = plan_strengths(read)
        flows = {name: Flow(item.pump.nominal_ul_per_s) for name, item in read.channels.items()}
    else:
        books = books_in(asked.state)
        strengths, flows = strengths_of(read, books), flows_of(read, books)
    volumes = {name: day_volume_ul(daily_volume_ul(read, name, strengths), on) for name in read.channels}
    doses = lay_day(read, on, volumes, flows, zone)
    laid = Laid(read, DayClock.of(on, zone), doses, volumes, evenness(read, on, doses, zone))
    return Reply(data_of(laid), text_of(laid), messages=messages)


def data_of(laid: Laid) -> dict[str, Any]:
    """The day for a program."""
    zone = laid.clock.zone
    return {
        "date": laid.clock.day.isoformat(),
        "timezone": laid.plan.timezone,
        "hours": laid.hours,
        "doses": [
            {
                "at": rfc3339(dose.due_at, zone, "milliseconds"),
                "channel": dose.channel,
                "volume_ul": dose.volume_ul,
                "run_s": dose.run_s,
                "slot": dose.slot,
            }
            for dose in laid.doses
        ],
        "channels": {
            name: {
                "daily_ul": sum(dose.volume_ul for dose in laid.of(name)),
                "doses": len(laid.of(name)),
                "evenness": laid.evenness[name],
            }
            for name in laid.plan.channels
        },
    }


def text_of(laid: Laid) -> str:
    """The day for a person: a band of its hours by channel, and a table of its hours."""
    clock, plan = laid.clock, laid.plan
    quiet = merged(piece for span in plan.quiet for piece in clock.wide(span))
    indent = "  "
    lines = [
        f"{plan.rig}, {long_date(clock.day)}, {plan.timezone}, {hours_text(laid.hours)}" + _change(clock),
        "",
        indent + ruler(clock.start_at, clock.end_at, clock.zone),
    ]
    for name in plan.channels:
        doses = laid.of(name)
        lines.append(_heading(name, doses, laid.evenness[name]))
        drops = [(dose.due_at, dose.volume_ul) for dose in doses]
        lines.append((indent + band(drops, clock.start_at, clock.end_at, quiet)).rstrip())
    return "\n".join([*lines, indent + LEGEND, "", _by_hour(laid)])


def _change(clock: DayClock) -> str:
    """What the clock does on this day, if it does anything."""
    at, before = clock.start_at, clock.start_at.astimezone(clock.zone).utcoffset()
    while at < clock.end_at:
        after = at.astimezone(clock.zone).utcoffset()
        if before is not None and after is not None and after != before:
            way = "forward" if after > before else "back"
            old, new = (at + before).astimezone(UTC), at.astimezone(clock.zone)
            return f"\nThe clock goes {way} at {old:%H:%M}, to {new:%H:%M}."
        at += timedelta(minutes=1)
    return ""


def _heading(name: str, doses: list[Dose], even: float) -> str:
    if not doses:
        return f"{name}: nothing to give"
    volumes = [dose.volume_ul for dose in doses]
    low, high = number(min(volumes) / 1000), number(max(volumes) / 1000)
    each = f"{low} to {high} mL each" if low != high else f"{low} mL each"
    longest = max(dose.run_s for dose in doses)
    return folded(
        f"{name}: {counted(len(doses), 'dose')}, {ml(sum(volumes))}, {each}, "
        f"up to {number(longest)} s, evenness {even:.2f}"
    )


def _by_hour(laid: Laid) -> str:
    """What goes in, hour by hour: the minute and the volume of a single dose, the number and sum of several."""
    clock = laid.clock
    rows, sums = [], dict.fromkeys(laid.plan.channels, 0)
    for start_at, end_at in _hours(clock):
        cells = [f"{start_at.astimezone(clock.zone):%H:%M}"]
        for name in laid.plan.channels:
            inside = [dose for dose in laid.of(name) if start_at <= dose.due_at < end_at]
            total_ul = sum(dose.volume_ul for dose in inside)
            sums[name] += total_ul
            if not inside:
                cells.append("")
            elif len(inside) == 1:
                cells.append(f":{inside[0].due_at.astimezone(clock.zone):%M}  {total_ul / 1000:.3f}")
            else:
                cells.append(f"{len(inside)} x  {total_ul / 1000:.3f}")
        rows.append(cells)
    rows.append(["day", *(f"{total_ul / 1000:.3f}" for total_ul in sums.values())])
    return table(["from", *(f"{name}, mL" for name in laid.plan.channels)], rows)


def _hours(clock: DayClock) -> list[tuple[datetime, datetime]]:
    """The day in pieces of at most an hour that begin where the local clock strikes, or where the day begins."""
    edges = [clock.start_at]
    at = clock.start_at
    while (at := at + timedelta(minutes=5)) < clock.end_at:
        if at.astimezone(clock.zone).minute == 0:
            edges.append(at)
    return list(zip(edges, [*edges[1:], clock.end_at], strict=True))
