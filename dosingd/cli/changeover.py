"""`dosingd changeover`: what new stocks change, side by side, and the steps. Printing it changes nothing."""

from __future__ import annotations

import re
from itertools import permutations
from typing import Any

import click
from attrs import asdict

from dosingd.changeover import USUAL_DKH, ChangeOver, Standing, Step, change_over, text_with
from dosingd.checking import look
from dosingd.chemistry.balance import carbonate_if_mixed_g_per_l
from dosingd.chemistry.cautions import hazards_in_words
from dosingd.chemistry.precipitation import TANK_DKH
from dosingd.chemistry.seawater import density_kg_per_l
from dosingd.cli.amounts import bullets, command_lines, figure, quantity_of
from dosingd.cli.planfile import bytes_of, sound_plan
from dosingd.cli.reply import Reply, folded
from dosingd.cli.wishes import options_everywhere, wishes
from dosingd.cli.words import number, plain, table
from dosingd.errors import Fault, PlanRefused
from dosingd.plan import Plan, read_plan
from dosingd.units import Kind, dkh_from_meq_per_l

CAUTIONS = (
    "Goggles and gloves; stocks are caustic or salty, and none is a drink. Keep children and animals away.",
    "Never one stock into another: alkalinity and calcium or magnesium turn solid where they meet.",
    "The products' safety data sheets and local rules come before anything said here.",
)


class ToStock(click.ParamType[tuple[str, str]]):
    """`CHANNEL=STOCK`."""

    name = "CH=STOCK"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, str]:
        if not isinstance(value, str):
            return value  # type: ignore[no-any-return]
        found = re.fullmatch(r"\s*([^=\s]+)\s*=\s*([^=\s]+)\s*", value)
        if found is None:
            self.fail(f'"{value}" is not a channel and its new stock. Write them as alk=soda-double.', param, ctx)
        return found.group(1), found.group(2)


@click.command(
    short_help="What new stocks change.",
    epilog="Example:  dosingd changeover config/changeover.yaml --to alk=soda-strong --to ca=chloride-strong",
)
@click.argument("file", metavar="PLAN", required=False)
@click.option("--to", type=ToStock(), multiple=True, metavar="CH=STOCK", help="A channel and its new stock; repeated.")
@click.option("--alkalinity", metavar="A", help="Of the tank, for the pH; 8 dKH if not said.")
@options_everywhere
def changeover(file: str | None, to: tuple[tuple[str, str], ...], alkalinity: str | None) -> Reply:
    """Show what new stocks change before anyone pours, and the steps of the change-over.

    The new stocks stand in the plan, under stocks; a stock that no channel draws yet is allowed there. Nothing is
    changed by showing it.
    """
    if not to:
        raise click.UsageError("Name a channel and its new stock, as --to alk=soda-strong.")
    twice = {channel for channel, _ in to if [each for each, _ in to].count(channel) > 1}
    if twice:
        raise click.UsageError(f"--to names {', '.join(sorted(twice))} twice. Keep one stock for each channel.")
    path = wishes().plan_file(file)
    plan, messages = sound_plan(path)
    dkh = USUAL_DKH if alkalinity is None else _dkh(alkalinity, plan)
    shown = change_over(plan, dict(to), dkh, str(path))
    text = bytes_of(path)
    faults = _faults(text_with(text, read_plan(text, str(path))[1], plan, dict(to)), str(path))
    return Reply(data_of(shown, faults), text_of(shown, faults, str(path)), messages=messages)


def _dkh(text: str, plan: Plan) -> float:
    density = density_kg_per_l(plan.tank.salinity, plan.tank.temperature_c)
    found = dkh_from_meq_per_l(
        float(quantity_of("--alkalinity", text, Kind.ALKALINITY, density_kg_per_l=density).value)
    )
    least, most = TANK_DKH
    if not least <= found <= most:
        raise click.UsageError(
            f"--alkalinity: {text} is no tank's, {plain(least)} to {plain(most)} dKH. Write it as 8 dKH."
        )
    return found


def _faults(text: bytes, name: str) -> tuple[Fault, ...]:
    """What `check` would find in the plan with the new stocks in it and nothing else mended."""
    try:
        plan, marks = read_plan(text, name)
    except PlanRefused as refused:
        return refused.faults
    return look(plan, marks).faults


def data_of(shown: ChangeOver, faults: tuple[Fault, ...]) -> dict[str, Any]:
    """The change-over for a program."""
    return {
        "channels": {
            channel: {"before": _standing(change.before), "after": _standing(change.after)}
            for channel, change in shown.channels.items()
        },
        "balanced": shown.balanced,
        "calcium_share": shown.calcium_share,
        "salt_g_per_kg_30d": dict(zip(("before", "after"), shown.salt_g_per_kg_30d, strict=True)),
        "tank_alkalinity_dkh": shown.alkalinity_dkh,
        "faults": [asdict(fault) for fault in faults],
        "steps": [str(step) for step in shown.steps],
        "cautions": cautions(shown),
    }


def cautions(shown: ChangeOver) -> tuple[str, ...]:
    """The hazards of every salt that is handled, old and new, and what to mind besides."""
    stocks = [each.stock for change in shown.channels.values() for each in (change.before, change.after)]
    salts = dict.fromkeys(portion.salt for stock in stocks for portion in shown.plan.stocks[stock].salts)
    return (*(hazards_in_words(salt) for salt in salts), *_if_mixed(shown), *CAUTIONS)


def _if_mixed(shown: ChangeOver) -> list[str]:
    """What an alkalinity stock and a calcium stock of the plan make of each other, at worst."""
    stocks = [shown.plan.stock_of(channel) for channel in shown.plan.channels]
    grams, one, other = max(
        (
            (carbonate_if_mixed_g_per_l(first.strength, second.strength), first.id, second.id)
            for first, second in permutations(stocks, 2)
            if first.strength is not None and second.strength is not None
        ),
        default=(0.0, "", ""),
    )
    if grams < 0.5:
        return []
    return [
        f"A litre of {one} and {other}, half of each, turns to {grams:.0f} g of chalk: nothing would flow any more."
    ]


def _standing(standing: Standing) -> dict[str, Any]:
    return asdict(standing) | {"below_smallest": standing.too_small}


def text_of(shown: ChangeOver, faults: tuple[Fault, ...], name: str) -> str:
    """The change-over for a person."""
    blocks = [_side_by_side(channel, change.before, change.after) for channel, change in shown.channels.items()]
    together = shown.salt_g_per_kg_30d[1]
    notes = [
        f"pH step: one dose, well mixed, in a tank of {figure(shown.alkalinity_dkh, 3)} dKH, before the CO2 evens out. "
        "Salt: sodium, chloride and sulfate that the channel leaves in the water in 30 days without a water change"
        + (f"; all channels together {figure(together, 3)} g/kg." if together is not None else ".")
    ]
    if shown.calcium_share is not None:
        notes.append(
            f"Calcium is {shown.calcium_share * 100:.1f} % of what goes with the alkalinity (1 mol for 2 eq): "
            + ("the channels still match." if shown.balanced else "the channels DO NOT match.")
        )
    blocks.append("\n".join(folded(note) for note in notes))
    if faults:
        found = [folded(f"  {fault.path}: {fault.message}" if fault.path else f"  {fault.message}") for fault in faults]
        blocks.append("\n".join(["With these stocks and nothing else mended, check would refuse the plan:", *found]))
    steps = [line for count, step in enumerate(shown.steps, 1) for line in _numbered(count, step)]
    return "\n\n".join([*blocks, "\n".join(["The steps", *steps]), bullets("Mind", cautions(shown))])


def _numbered(count: int, step: Step) -> list[str]:
    first, *more = folded(step.text + ("" if step.command is None else ":"), 74).splitlines()
    lines = [f"{count:>3}. {first}", *(f"     {line.strip()}" for line in more)]
    return lines if step.command is None else [*lines, *command_lines(step.command, "       ")]


def _side_by_side(channel: str, before: Standing, after: Standing) -> str:
    rows = [
        ["strength", *(_or(each.strength, 4, f" {each.strength_unit}") for each in (before, after))],
        ["a day", *(f"{number(each.daily_ml)} mL" for each in (before, after))],
        [f"a dose, {after.doses} a day", *(f"{each.dose_ml:.3f} mL" for each in (before, after))],
        ["the pump's smallest", *(f"{plain(each.smallest_ml)} mL" + _too_small(each) for each in (before, after))],
        ["a full reservoir lasts", *(_or(each.reservoir_days, 3, " days") for each in (before, after))],
        ["pH step of a dose", *(_signed(each.ph_step) for each in (before, after))],
        ["salt in 30 days", *(_or(each.salt_g_per_kg_30d, 3, " g/kg") for each in (before, after))],
        ["density at 20 degC", *(_or(each.density_kg_per_l, 5, " kg/L") for each in (before, after))],
        ["whole reservoir adds", *(each.whole_reservoir or "-" for each in (before, after))],
        ["stuck on, a minute adds", *(each.stuck_a_minute or "-" for each in (before, after))],
    ]
    return table([channel, before.stock, after.stock], rows)


def _or(value: float | None, digits: int, unit: str) -> str:
    return "-" if value is None else f"{figure(value, digits)}{unit}"


def _signed(value: float | None) -> str:
    return "-" if value is None else f"{value:+.4f}"


def _too_small(standing: Standing) -> str:
    return " (TOO SMALL)" if standing.too_small else ""
