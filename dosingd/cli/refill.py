"""`dosingd refill`: the reservoir's books; by the daemon, or without one straight into the ledger."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from dosingd import refills
from dosingd.cli.amounts import pairs
from dosingd.cli.asking import asked
from dosingd.cli.reply import Reply
from dosingd.cli.unmanned import unmanned
from dosingd.cli.wishes import options_everywhere
from dosingd.cli.words import ml, number, plain
from dosingd.errors import NoDaemon, UnitRefused
from dosingd.requests import Answer, Refill
from dosingd.units import volume_ul


class Level(click.ParamType[int]):
    """A volume in µL from `2 L` or `430 mL`; zero is one as well."""

    name = "volume"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, int):
            return value
        try:
            return volume_ul(value)
        except UnitRefused as refused:
            option = "" if param is None else f"{max(param.opts, key=len)}: "
            raise UnitRefused(f"{option}{refused}") from None


@click.command(
    epilog='Example:  dosingd refill alk --to "2 L" --found "430 mL"',
)
@click.argument("channel", metavar="CH")
@click.option("--to", type=Level(), metavar="V", help="What is in the reservoir now, after pouring.")
@click.option("--found", type=Level(), metavar="V", help="What was really left in it, before pouring.")
@click.option("--stock", metavar="NAME", help="What was poured, by its name in the plan.")
@click.option("--confirm", is_flag=True, help="All that is in it is the plan's stock, as strong as the plan says.")
@click.option("--yes", is_flag=True, help="Confirm although it contradicts the books, or raises what is dosed.")
@click.option("--witness", metavar="DIR", help="Without a daemon: where the ledger's witness lies, if init was told.")
@options_everywhere
def refill(
    channel: str,
    to: int | None,
    found: int | None,
    stock: str | None,
    confirm: bool,
    yes: bool,
    witness: str | None,
) -> Reply:
    """Book what was poured into a reservoir. The day's doses follow the strength that is really in it.

    What was found, against what the books expected, tells how far the pump's flow is off. Another strength on top of
    what was left is mixed by volume. To measure a level without pouring, say it twice: --to and --found. Works with the
    running daemon and without one.
    """
    if to is None and not confirm:
        raise click.UsageError('Say what is in the reservoir now, such as: --to "2 L"', click.get_current_context())
    if yes and not confirm:
        raise click.UsageError("--yes goes with --confirm alone.", click.get_current_context())
    request = Refill(channel, to, found, stock, confirm, yes)
    try:
        answer = asked(request)
    except NoDaemon:
        answer = without_daemon(request, witness)
    return Reply(answer.data, text_of(answer.data), messages=answer.messages)


def without_daemon(request: Refill, witness: str | None) -> Answer:
    """Straight into the ledger, under the daemon's lock, so that none starts meanwhile."""
    said = refills.Refill(request.channel, request.to_ul, request.found_ul, request.stock, request.confirm, request.yes)
    with unmanned(None if witness is None else Path(witness)) as desk:
        data, messages = refills.book(desk.plan, desk.books, said, desk.write)
    return Answer(0, data, (*desk.messages, *messages))


def text_of(data: Mapping[str, Any]) -> str:
    """What the books say now, for a person."""
    return f"{data['channel']}: booked.\n" + pairs(_rows(data))


def _rows(data: Mapping[str, Any]) -> list[tuple[str, str]]:
    strength, unit = data.get("strength_eq_per_l"), "eq/L"
    if strength is None:
        strength, unit = data.get("strength_g_per_l"), "g/L"
    holds = ml(data["left_ml"] * 1000)
    what = f"{data['stock']}{' on what was left' if data['mixed'] else ''}"
    rows = [("In it", f"{holds} of {what}" + ("" if strength is None else f", {plain(strength, 4)} {unit}"))]
    if data["expected_ml"] is not None:
        found = "not said" if data["found_ml"] is None else ml(data["found_ml"] * 1000)
        rows.append(("Left before", f"{ml(data['expected_ml'] * 1000)} by the books, found {found}"))
    if data["flow_error_percent"] is not None:
        off = f"{data['flow_error_percent']:+z.1f} % (± {data['flow_error_uncertainty_percent']:.1f} %)"
        rows.append(("Flow", f"{off} off, since the level was last measured"))
    elif data["flow_error_unknown"]:
        rows.append(("Flow", f"not told: {data['flow_error_unknown']}"))
    rows.append(("A day", f"{_ml(data['daily_ml_before'])} before, {_ml(data['daily_ml_after'])} now"))
    for other, each in data["others"].items():
        rows.append((f"{other} a day", f"{_ml(each['daily_ml_before'])} before, {_ml(each['daily_ml_after'])} now"))
    if data["days_left"] is not None:
        rows.append(("Lasts", f"{number(data['days_left'])} days, down to its reserve"))
    return rows


def _ml(volume_ml: float) -> str:
    return ml(volume_ml * 1000)
