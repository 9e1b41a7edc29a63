"""`dosingd check`: every fault and warning of a plan, and its key figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click
from attrs import asdict

from dosingd.checking import ChannelFigures, hours_until_low
from dosingd.cli.planfile import Checked, checked, warning_text
from dosingd.cli.reply import DONE, REFUSED, Reply
from dosingd.cli.statedir import books_in, ledger_path
from dosingd.cli.wishes import options_everywhere, wishes
from dosingd.cli.words import counted, number, plain, table
from dosingd.errors import Fault, LedgerRefused, PlanRefused
from dosingd.plan import Plan
from dosingd.plan.reading import refused_plan
from dosingd.stores import against_books

NONE = "-"


@click.command(short_help="Validate a plan.", epilog="Example:  dosingd check config/lagoon.yaml")
@click.argument("file", metavar="PLAN", required=False)
@options_everywhere
def check(file: str | None) -> Reply:
    """Validate a plan: every fault and warning with its line, and what each channel would give.

    With --state DIR also where it does not go with the ledger there: a calibration that it would end, a stock that
    differs, a reservoir that holds less than is in it.
    """
    path = wishes().plan_file(file)
    try:
        found = checked(path)
    except PlanRefused as refused:
        return Reply(data_of(refused.faults, (), {}), "", REFUSED, str(refused).splitlines())
    data = data_of(found.faults, found.warnings, found.figures)
    warned = [warning_text(fault, found.name) for fault in found.warnings]
    if found.faults:
        return Reply(data, "", REFUSED, [*warned, *str(refused_plan(list(found.faults), found.name)).splitlines()])
    data["ledger"] = against_ledger(found.plan)
    return Reply(data, text_of(found), DONE, [*warned, *data["ledger"]])


def against_ledger(plan: Plan) -> list[str]:
    """Where a plan does not go with the ledger of the state directory that was named; a plan is sound without one."""
    state = wishes().state
    if state is None or not ledger_path(state).exists():
        return []
    try:
        return list(against_books(plan, books_in(state)))
    except LedgerRefused as refused:
        return [f"The plan was not held against the ledger: {refused}"]


def data_of(
    faults: Sequence[Fault], warnings: Sequence[Fault], figures: Mapping[str, ChannelFigures]
) -> dict[str, Any]:
    """What was found, for a program."""
    return {
        "ok": not faults,
        "faults": [asdict(fault) for fault in faults],
        "warnings": [asdict(fault) for fault in warnings],
        "channels": {
            name: {
                "daily_ml": shown.daily_ml,
                "daily_change": _change_data(shown.daily_change),
                "day_limit_ml": shown.day_limit_ml,
                "smallest_day_limit_ml": shown.smallest_day_limit_ml,
                "per_minute_stuck_on": shown.per_minute_stuck_on,
                "reservoir_change": _change_data(shown.reservoir_change),
                "full_days": shown.full_days,
            }
            for name, shown in figures.items()
        },
    }


def _change_data(change: tuple[float, str] | None) -> dict[str, Any] | None:
    return None if change is None else {"value": change[0], "unit": change[1]}


def text_of(found: Checked) -> str:
    """What a sound plan comes to, for a person."""
    plan = found.plan
    lines = [
        f"{found.name}: a plan that can be acted on; {counted(len(found.warnings), 'warning')}.",
        f"{plan.rig}, {plan.timezone}, {plain(plan.tank.water_l)} L of water",
        "",
        table(
            ["channel", "doses", "a day", "gives a day", "day limit", "the least"],
            [
                [
                    name,
                    str(plan.channels[name].doses),
                    f"{number(shown.daily_ml)} mL",
                    _change(shown.daily_change),
                    f"{number(shown.day_limit_ml)} mL",
                    NONE if shown.smallest_day_limit_ml is None else f"{number(shown.smallest_day_limit_ml)} mL",
                ]
                for name, shown in found.figures.items()
            ],
        ),
        "The least: the smallest day limit with which no planned dose is refused.",
        "",
        table(
            ["channel", "full lasts", "whole reservoir adds", "stuck on, a minute adds"],
            [
                [
                    name,
                    NONE if shown.full_days is None else f"{shown.full_days:.0f} days",
                    _change(shown.reservoir_change),
                    _stuck(shown),
                ]
                for name, shown in found.figures.items()
            ],
        ),
    ]
    hours = hours_until_low(plan)
    if hours is not None:
        lines += ["", f"With every pump off, alkalinity has fallen by 1.5 dKH after about {hours:.0f} hours."]
    return "\n".join([*lines, "", f"To see a day: dosingd day {found.name}"])


def _change(change: tuple[float, str] | None) -> str:
    return NONE if change is None else f"{number(change[0])} {change[1]}"


def _stuck(shown: ChannelFigures) -> str:
    if shown.per_minute_stuck_on is None:
        return NONE
    unit = (shown.daily_change or shown.reservoir_change or (0.0, ""))[1]
    return f"{number(shown.per_minute_stuck_on)} {unit}"
