"""`dosingd rehearse`: the plan lived through in virtual time, with pretend pumps."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

import click

from dosingd.cli.planfile import sound_plan
from dosingd.cli.reply import Reply, folded
from dosingd.cli.wishes import LAST_DAY, DosingDay, options_everywhere, wishes
from dosingd.cli.words import counted, ml, rfc3339, table
from dosingd.clock import SystemClock
from dosingd.plan import Plan
from dosingd.rehearsal import Day, RaisedAlarm, Report
from dosingd.rehearsal import rehearse as live_through

#: Ten years. A year of a plan of fifty doses a day is some 40 000 rows of the pretend ledger.
MOST_DAYS = 3653
#: More days than this are shown by month.
MOST_DAYS_SHOWN = 92


@click.command(
    short_help="Live through a plan in virtual time.",
    epilog="Example:  dosingd rehearse config/lagoon.yaml --days 30 --start 2027-03-01",
)
@click.argument("file", metavar="PLAN", required=False)
@click.option("--days", type=click.IntRange(1, MOST_DAYS), default=7, show_default=True, help="How many dosing days.")
@click.option("--start", type=DosingDay(), metavar="DATE", help="The first dosing day; today if not named.")
@click.option("--seed", type=click.IntRange(0), metavar="K", help="Pretend pumps with flows of their own.")
@click.option("--new", is_flag=True, help="Begin with a new ledger, whose allowance starts at zero.")
@options_everywhere
def rehearse(file: str | None, days: int, start: date | None, seed: int | None, new: bool) -> Reply:
    """Rehearse a plan: the agenda, gate, ledger and turn of the real rig, in virtual time, with pretend pumps.

    A pretend keeper refills a reservoir a day after its alarm. Nothing is pumped and nothing is written to disk.
    """
    plan, messages = sound_plan(wishes().plan_file(file))
    first = start or SystemClock().now().wall_at.astimezone(ZoneInfo(plan.timezone)).date()
    last = first + timedelta(days=days - 1)
    if last > LAST_DAY:
        raise click.BadParameter(f"{counted(days, 'day')} from {first} go past {LAST_DAY}.", param_hint="--days")
    with _progress(days) as progress:
        report = live_through(plan, days=days, start=first, seed=seed, new=new, progress=progress)
    return Reply(data_of(report), text_of(plan, report), messages=messages)


@contextmanager
def _progress(days: int) -> Iterator[Callable[[int], None] | None]:
    """A bar on the terminal, on standard error; nothing where there is no terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("rehearsing"), BarColumn(), MofNCompleteColumn(), TextColumn("days"), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=days)
        yield lambda done: bar.update(task, completed=done)


def data_of(report: Report) -> dict[str, Any]:
    """The report for a program."""
    zone = ZoneInfo(report.timezone)
    return {
        "days": [
            {
                "date": day.date.isoformat(),
                "channels": {
                    name: {
                        "planned_ul": each.planned_ul,
                        "given_ul": each.given_ul,
                        "doses": each.doses,
                        "refused": each.refused,
                        "missed": each.missed,
                    }
                    for name, each in day.channels.items()
                },
            }
            for day in report.days
        ],
        "channels": {
            name: {
                "given_ul": each.given_ul,
                "planned_ul": each.planned_ul,
                "reservoir_left_ml": each.reservoir_left_ul / 1000,
                "worst_24h_ul": each.worst_24h_ul,
                "day_limit_ul": each.day_limit_ul,
                "refills": each.refills,
            }
            for name, each in report.channels.items()
        },
        "alarms": [
            {
                "kind": raised.alarm.kind.value,
                "channel": raised.alarm.channel,
                "since": rfc3339(raised.alarm.since, zone),
                "ended_at": None if raised.ended_at is None else rfc3339(raised.ended_at, zone),
                "text": raised.alarm.text,
                "next_step": raised.alarm.next_step,
            }
            for raised in report.alarms
        ],
    }


def text_of(plan: Plan, report: Report) -> str:
    """The report for a person: a table of the days, what it came to, and what went wrong."""
    first, last = report.days[0].date, report.days[-1].date
    return "\n".join(
        [
            f"{plan.rig}, {counted(len(report.days), 'day')} rehearsed, {first} to {last}, {plan.timezone}",
            "",
            _days_table(report),
            "",
            _sums_table(report),
            "Worst 24 h: the most that the pretend pump gave in any 24 hours of true time.",
            "",
            _verdict(report),
            *(_alarm(raised, ZoneInfo(report.timezone)) for raised in report.alarms),
        ]
    )


def _days_table(report: Report) -> str:
    by_month = len(report.days) > MOST_DAYS_SHOWN
    names = list(report.channels)

    def heading(day: Day) -> str:
        return f"{day.date:%Y-%m}" if by_month else day.date.isoformat()

    rows = []
    for label, group in groupby(report.days, heading):
        days = list(group)
        row = [label]
        for name in names:
            given_ul = sum(day.channels[name].given_ul for day in days)
            short_ul = sum(day.channels[name].planned_ul for day in days) - given_ul
            row.append(f"{given_ul / 1000:.3f}" + (f" ({-short_ul / 1000:+.3f})" if short_ul else ""))
        every = [each for day in days for each in day.channels.values()]
        row += [str(sum(getattr(each, what) for each in every)) for what in ("doses", "refused", "missed")]
        rows.append(row)
    return table(["day", *(f"{name}, mL" for name in names), "doses", "refused", "missed"], rows)


def _sums_table(report: Report) -> str:
    return table(
        ["channel", "given", "planned", "worst 24 h", "day limit", "left", "refills"],
        [
            [
                name,
                ml(each.given_ul),
                ml(each.planned_ul),
                ml(each.worst_24h_ul),
                ml(each.day_limit_ul),
                ml(each.reservoir_left_ul),
                str(each.refills),
            ]
            for name, each in report.channels.items()
        ],
    )


def _verdict(report: Report) -> str:
    every = [each for day in report.days for each in day.channels.values()]
    refused, missed = sum(each.refused for each in every), sum(each.missed for each in every)
    past = [name for name, each in report.channels.items() if each.worst_24h_ul > each.day_limit_ul]
    if past:
        return f"PAST ITS LIMIT: {', '.join(past)}. Do not run this plan with this version."
    if not (refused or missed or report.alarms):
        return "Nothing refused, nothing missed, no alarm."
    return f"{counted(refused, 'dose')} refused, {missed} missed, {counted(len(report.alarms), 'alarm')}."


def _alarm(raised: RaisedAlarm, zone: ZoneInfo) -> str:
    alarm = raised.alarm
    until = "still on" if raised.ended_at is None else f"to {raised.ended_at.astimezone(zone):%Y-%m-%d %H:%M}"
    said = f"  {alarm.since.astimezone(zone):%Y-%m-%d %H:%M} {until}: {alarm.text}"
    return f"{folded(said)}\n    On a rig, next: {alarm.next_step}"
