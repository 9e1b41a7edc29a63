"""`dosingd status`: the rig now; with the daemon from the daemon, without it from the ledger."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import click
from attrs import evolve

from dosingd import memo
from dosingd.books import Books
from dosingd.cli.asking import AT_ONCE_S, asked, start
from dosingd.cli.planfile import sound_plan
from dosingd.cli.reply import Reply, folded
from dosingd.cli.statedir import books_in, ledger_path
from dosingd.cli.wishes import options_everywhere, wishes
from dosingd.cli.words import ml, number, table
from dosingd.clock import SystemClock
from dosingd.errors import NoDaemon, PlanRefused, Silent
from dosingd.leases import CONFIRM_PLAN, PLAN_CHANGED, RELEASE
from dosingd.plan import Plan
from dosingd.requests import Status
from dosingd.standing import ALARMS_NAME, carried, standing_of
from dosingd.state import rig_state
from dosingd.statusdata import status_data, status_data_without_plan


@click.command(
    epilog="Example:  dosingd status",
)
@options_everywhere
def status() -> Reply:
    """Show the rig now: what was given today, what comes next, what is left, and every alarm with its next step.

    Without a running daemon it shows what the ledger says.
    """
    try:
        answer = asked(Status(), AT_ONCE_S)
    except NoDaemon:
        return without_daemon(wishes().state_directory())
    except Silent as silent:
        return without_daemon(wishes().state_directory(), str(silent))
    return Reply(answer.data, text_of(answer.data), messages=answer.messages)


def without_daemon(state: Path, silent: str | None = None) -> Reply:
    """What ledger and plan say; nothing is written. `silent` is what to say of a daemon that cannot be asked. Raises
    LedgerRefused for a ledger that cannot be read."""
    none = f"No daemon runs with the state directory {state}, so nothing is dosed.\nTo start it: {start(state)}"
    messages = [none if silent is None else f"{silent}\nWhat follows is what the ledger says."]
    books = Books()
    if ledger_path(state).exists():
        books = books_in(state)
    else:
        messages.append(f"There is no ledger in {state}. To make the first one: dosingd init")
    plan = _plan(messages)
    reading = SystemClock().now()
    if plan is None or books.newest is None:
        data = status_data_without_plan(books, reading)
        data["rig"] = data["rig"] or (None if plan is None else plan.rig)
    else:
        now = rig_state(plan, books, reading)
        known = standing_of(memo.read(state / ALARMS_NAME))
        data = status_data(evolve(now, alarms=carried(known, now.alarms)), running=silent is not None)
    data["running"] = silent is not None
    return Reply(data, text_of(data, silent=silent is not None), messages=messages)


def _plan(messages: list[str]) -> Plan | None:
    asked_for = wishes().plan_file(None)
    try:
        return sound_plan(asked_for)[0]
    except PlanRefused as refused:
        why = f"{asked_for}: there is no such file" if not asked_for.exists() else str(refused)
        messages.append(f"{why}\nWithout a plan, what follows from it is not known here. To name it: --plan FILE")
        return None


def text_of(data: Mapping[str, Any], *, silent: bool = False) -> str:
    """The rig for a person, within 80 columns. `silent`: its daemon could not be asked."""
    lines = [folded(_rig_line(data, silent))]
    if data["channels"]:
        lines += ["", _channels_table(data)]
        lines += _waits(data)
    if data.get("inputs"):
        lines.append(folded(f"Inputs: {'; '.join(f'{name} {says}' for name, says in data['inputs'].items())}."))
    lines += ["", *_alarms(data)]
    return "\n".join(lines)


def _rig_line(data: Mapping[str, Any], silent: bool) -> str:
    now = datetime.fromisoformat(data["clock"]["wall"])
    name = data["rig"] or "no rig known"
    return f"{name}, {now:%Y-%m-%d %H:%M} {data['timezone'] or 'UTC'}: {_doing(data, now, silent)}"


def _doing(data: Mapping[str, Any], now: datetime, silent: bool) -> str:
    if data.get("stopped"):
        return f"STOPPED: no pump runs. {str(data['stopped']).rstrip('.')}."
    if data["held"]:
        why = str(data["held_reason"])
        if PLAN_CHANGED in why:
            return f"HELD: {why.rstrip('.')}. Every pump is off. {CONFIRM_PLAN[:1].upper()}{CONFIRM_PLAN[1:]}"
        return f"HELD: {why.rstrip('.')}. Every pump is off until: {RELEASE}"
    if silent:
        return "a daemon runs and cannot be spoken to; it may be dosing."
    if not data["running"]:
        return "no daemon runs, nothing is dosed."
    if data["paused_until"] is not None:
        return f"paused until {_when(data['paused_until'], now)}, every pump is off."
    if data.get("pumping"):
        return f"{data['pumping']} is running."
    common = _all_wait_for(data)
    if common is not None:
        return f"it waits for {common}."
    return "dosing as planned." if not data["alarms"] else "dosing, with alarms."


def _all_wait_for(data: Mapping[str, Any]) -> str | None:
    """What every channel waits for; None when they do not, or for different things."""
    every = {each["waiting_for"] for each in data["channels"].values()}
    return str(every.pop()) if len(every) == 1 and None not in every else None


def _when(at: str | None, now: datetime) -> str:
    if at is None:
        return "-"
    when = datetime.fromisoformat(at)
    return f"{when:%H:%M}" if when.date() == now.date() else f"{when:%m-%d %H:%M}"


def _channels_table(data: Mapping[str, Any]) -> str:
    now = datetime.fromisoformat(data["clock"]["wall"])

    def figure(value: float | None) -> str:
        return "-" if value is None else ml(value * 1000)

    rows = []
    for name, each in data["channels"].items():
        days = each["reservoir"]["days_left"]
        last = each["last_dose"]
        rows.append(
            [
                name,
                figure(each["given_today_ml"]),
                figure(each["planned_today_ml"]),
                figure(each["allowance_ml"]),
                "-" if last is None else f"{_when(last['at'], now)} {last['outcome']}",
                _when(each["next_dose_at"], now),
                figure(each["reservoir"]["left_ml"]),
                "-" if days is None else number(days),
            ]
        )
    return table(["channel", "today", "planned", "may give", "last dose", "next", "left", "days"], rows)


def _waits(data: Mapping[str, Any]) -> list[str]:
    if not data["running"] or _all_wait_for(data) is not None:
        return []  # the first line says it
    waiting = {name: each["waiting_for"] for name, each in data["channels"].items() if each["waiting_for"]}
    return [folded(f"{name} waits for {what}.") for name, what in waiting.items()]


def _alarms(data: Mapping[str, Any]) -> list[str]:
    if not data["alarms"]:
        return ["No alarm." if data["running"] else "No alarm that the ledger knows of."]
    lines = []
    for alarm in data["alarms"]:
        since = datetime.fromisoformat(alarm["since"])
        lines.append(folded(f"ALARM since {since:%m-%d %H:%M}: {alarm['text']}"))
        lines.append(folded(f"  Next: {alarm['next_step']}"))
    return lines
