"""The options that every verb takes, before the verb or after it, and the values that several verbs read."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar

import click
from attrs import define

DEFAULT_PLAN = Path("/etc/dosingd/plan.yaml")
#: Dosing days that can be asked for. Beyond them the time zones are guesswork.
FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2099, 12, 31)

AnyCallable = TypeVar("AnyCallable", bound=Callable[..., Any])


@define
class Wishes:
    """What the keeper asked for beside the verb."""

    json: bool = False
    debug: bool = False
    state: Path | None = None
    plan: Path | None = None

    def state_directory(self) -> Path:
        """The state directory: as named, else what systemd hands over, else the user's own."""
        if self.state is not None:
            return self.state
        handed = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
        if handed:
            return Path(handed)
        home = os.environ.get("XDG_STATE_HOME", "")
        # A relative XDG path is to be ignored (XDG Base Directory Specification 0.8).
        return (Path(home) if os.path.isabs(home) else Path.home() / ".local" / "state") / "dosingd"

    def plan_file(self, named: str | None) -> Path:
        """The plan: as named after the verb, else by --plan, else the system's."""
        return Path(named) if named is not None else self.plan or DEFAULT_PLAN


def wishes() -> Wishes:
    """The wishes of the command line that is being carried out."""
    return click.get_current_context().find_root().ensure_object(Wishes)


def _note(ctx: click.Context, param: click.Parameter, value: Any) -> None:
    if value:
        asked = ctx.find_root().ensure_object(Wishes)
        setattr(asked, str(param.name), Path(value) if param.name in ("state", "plan") else value)


def options_everywhere(command: AnyCallable) -> AnyCallable:
    """Give a command the options that stand before or after every verb."""
    for option in (
        click.option("--debug", is_flag=True, expose_value=False, callback=_note, help="Show where a fault arose."),
        click.option("--json", is_flag=True, expose_value=False, callback=_note, help="Print one JSON object."),
        click.option(
            "--plan", metavar="FILE", expose_value=False, callback=_note, help=f"The plan; {DEFAULT_PLAN} if not named."
        ),
        click.option(
            "--state",
            metavar="DIR",
            expose_value=False,
            callback=_note,
            help="The state directory; $STATE_DIRECTORY if not named, else the XDG state home.",
        ),
    ):
        command = option(command)
    return command


class DosingDay(click.ParamType[date]):
    """A date such as 2027-03-28."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        if isinstance(value, date):
            return value
        try:
            if not re.fullmatch(r"\d{4}-\d\d-\d\d", value):
                raise ValueError
            day = date.fromisoformat(value)
        except ValueError:
            self.fail(f'"{value}" is not a date. Write year, month and day, such as 2027-03-28.', param, ctx)
        if not FIRST_DAY <= day <= LAST_DAY:
            self.fail(f"{day} lies outside {FIRST_DAY} to {LAST_DAY}.", param, ctx)
        return day


class Instant(click.ParamType[datetime | date]):
    """A time such as 2027-03-28T13:00+01:00; without an offset it is in the plan's zone, a date is its midnight."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        if isinstance(value, datetime):
            return value
        try:
            return datetime.fromisoformat(value)
        except ValueError:
            self.fail(f'"{value}" is not a time. Write it such as 2027-03-28T13:00 or 2027-03-28.', param, ctx)
